"""Register rows and maps: decode, encode, quantities, settings."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.errors import AnswerImpossible, ReadingImplausible, UsageError
from harness.families.common.register_map import (
    ON_OFF,
    TRUTH,
    Access,
    Field,
    RegisterMap,
    as_hex,
    flag_words,
)
from harness.families.family import Hazard

TEMPERATURE = Field(name="t", offset=1, count=2, scale=1 / 16, unit="degC", signed=True)
VOLTAGE = Field(
    name="v", offset=0, count=2, shift=5, scale=0.00488, unit="V", order="big"
)


def test_a_scaled_signed_field() -> None:
    """FF5Eh sixteenths are -10.125 degC (data sheet family 28h, Table 1)."""
    assert TEMPERATURE.decode(b"\x00\x5e\xff\x00") == -10.125
    assert TEMPERATURE.encode(b"\x07\x00\x00\x07", -10.125) == b"\x07\x5e\xff\x07"


def test_a_bit_as_a_word_or_as_a_truth() -> None:
    """0 and 1 read as off and on, or as false and true, and are written so."""
    word = Field(name="w", offset=0, shift=3, bits=1, codes=ON_OFF)
    truth = Field(name="t", offset=0, shift=3, bits=1, codes=TRUTH)
    assert [word.decode(bytes([bits])) for bits in (0xF7, 0x08)] == ["off", "on"]
    assert [truth.decode(bytes([bits])) for bits in (0xF7, 0x08)] == [False, True]
    assert (word.encode(b"\xf7", "on"), word.encode(b"\x08", "off")) == (b"\xff", b"\0")


def test_bits_below_and_around_stay() -> None:
    """Encoding a field leaves every other bit alone."""
    field = Field(name="mode", offset=0, shift=2, bits=3)
    assert field.encode(b"\xff", 0) == b"\xe3"
    assert field.decode(b"\xf7") == 5


def test_what_does_not_fit_is_refused_with_its_range() -> None:
    """The hint names lowest and highest value in the field's unit."""
    with pytest.raises(UsageError, match=r"t is 3000 degC.*-2048 to 2047\.94"):
        TEMPERATURE.encode(bytes(3), 3000)


@pytest.mark.parametrize(
    ("field", "allowed"),
    [
        (Field(name="n", offset=0, bits=4, bias=1), "1 to 16"),
        (
            Field(name="v", offset=0, bits=4, scale=0.5, bias=-2.0, unit="V"),
            "-2 to 5.5 V",
        ),
        (
            Field(name="m", offset=0, codes={0: 9, 1: 10, 2: 11, 3: 12, 4: 13}),
            "9 to 13",
        ),
        (Field(name="m", offset=0, codes={0: 9, 1: 10, 2: 12}), "9, 10 or 12"),
        (Field(name="on", offset=0, codes=ON_OFF), "on or off"),
    ],
)
def test_what_a_field_takes_in_words(field: Field, allowed: str) -> None:
    """Both ends with scale and bias, or the words; a long run of numbers by its ends."""
    assert field.allowed == allowed


@settings(derandomize=True)
@given(raw=st.integers(0, 0x7FF), rest=st.integers(0, 31), tail=st.binary(max_size=3))
def test_decode_undoes_encode(raw: int, rest: int, tail: bytes) -> None:
    """Any step of a big-endian shifted field comes back, the bits below untouched."""
    block = rest.to_bytes(2, "big") + tail
    written = VOLTAGE.encode(block, raw * VOLTAGE.scale)
    assert VOLTAGE.raw(written) == raw
    assert written[1] & 31 == rest
    assert written[2:] == tail


# -- maps ----------------------------------------------------------------------------

BYTES = bytearray(b"\x0d\x80")
"""A device of one block: three switches, a choice, a threshold."""

WRITTEN: list[bytes] = []
GAIN = Field(
    name="gain", about="of the input", unit="dB", offset=1, shift=6,
    codes={0: 0, 1: 2, 2: 4}, access=Access.READ_WRITE, reset=4,
    hazards=frozenset({Hazard.CALIBRATION}), governs=frozenset({"level"}),
)  # fmt: skip
MAP = RegisterMap(
    read=lambda session, row: bytes(BYTES),
    write=lambda session, block, before, after: WRITTEN.append(after),
    evidence=as_hex("page"),
    fields=(
        Field(name="running", bits=1, codes=ON_OFF, access=Access.READ_WRITE, safe=True),
        Field(name="flags", bits=3, codes=flag_words({"c": 2, "b": 1, "a": 0})),
        Field(name="level", bits=3, setting="level_v", access=Access.WRITE),
        GAIN,
    ),
)  # fmt: skip


def test_a_map_is_quantities_and_settings(script: Callable[..., Any]) -> None:
    """Names, words, hazards and dependencies all come from the rows."""
    session = script(0x26, [])
    read = {row.name: row.read(session) for row in MAP.quantities}
    assert {name: a.value for name, a in read.items()} == {
        "running": "on", "flags": "c, a", "gain": 4
    }  # fmt: skip
    assert read["gain"].evidence == {"page": "0D 80"}
    assert [(row.name, row.about) for row in MAP.settings] == [
        ("running", "on or off"),
        ("level_v", "0 to 7"),
        ("gain", "0, 2 or 4; of the input; 4 after power-up"),
    ]
    assert MAP.settings[2].hazards == {Hazard.CALIBRATION}
    assert MAP.settings[2].governs == {"level"}
    assert [look.quantity for look in MAP.looks] == ["running"]


def test_a_block_is_written_once_with_all_that_is_asked(script: Callable[..., Any]) -> None:  # fmt: skip
    """Two settings of one block are one write; other bits stay."""
    WRITTEN.clear()
    wanted = {"running": False, "gain": 2, "other": 1}
    assert MAP.configure(script(0x26, []), wanted, left_to_caller={"other"}) == {
        0: b"\x0c\x40"
    }
    assert WRITTEN == [b"\x0c\x40"]


@pytest.mark.parametrize(
    ("name", "value", "words"),
    [
        ("running", 1, "running takes on or off, got 1"),
        ("other", 1, "no setting other"),
        ("gain", 3, "gain takes 0, 2 or 4, got 3"),
        ("gain", True, "gain takes 0, 2 or 4, got True"),
        ("level_v", 8, "level_v takes a whole number from 0 to 7, got 8"),
        ("level_v", float("inf"), "level_v takes a whole number"),
        ("level_v", float("nan"), "level_v takes a whole number"),
    ],
)
def test_one_wrong_value_and_nothing_is_written(
    script: Callable[..., Any], name: str, value: float, words: str
) -> None:
    """All values are tested before the first write."""
    WRITTEN.clear()
    with pytest.raises(UsageError, match=words):
        MAP.configure(script(0x26, []), {"running": "on", name: value})
    assert WRITTEN == []


def test_bytes_that_cannot_be() -> None:
    """An undefined code, bits that are never set, a value nothing can measure."""
    with pytest.raises(AnswerImpossible, match="gain is code 3"):
        GAIN.decode(b"\x00\xc0")
    warm = Field(name="t", count=2, zeros=7, scale=1 / 256, unit="K", low=0, high=125)
    with pytest.raises(AnswerImpossible, match=r"t bytes 01 00 .* never set"):
        warm.decode(b"\x01\x00")
    with pytest.raises(ReadingImplausible, match="128 K is outside 0 to 125"):
        warm.decode(b"\x00\x80")
    assert warm.decode(b"\x00\x01") == 1


@pytest.mark.parametrize("value", [float("inf"), float("nan"), "warm", True])
def test_a_scaled_setting_takes_numbers(value: float) -> None:
    """Neither words nor truth values nor what no register can hold."""
    with pytest.raises(UsageError, match=r"t (is|takes a number)"):
        TEMPERATURE.encode(bytes(3), value)
