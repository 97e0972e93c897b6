"""Check values and values of an answer, held against an independent library."""

from __future__ import annotations

import crccheck  # type: ignore[import-untyped]
import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.families.command import Effect
from harness.families.harmless import only_asks, only_asks_all
from harness.families.registry import built_in, family_of, known_families
from harness.plans.kinds.check_values import check_bytes
from harness.plans.schema.transact import BitField, CheckValue
from harness.plans.steps.transact.answer import row_of


@given(st.binary(max_size=40), st.binary(max_size=40))
def test_check_bytes_are_those_of_a_library(written: bytes, answered: bytes) -> None:
    """CRC-8/MAXIM-DOW, CRC-16/MAXIM-DOW (inverted) and CRC-16/ARC (plain)."""

    def made(kind: str, over: str, *, inverted: bool | None = None) -> bytes:
        crc = CheckValue.model_validate(
            {"kind": kind, "over": over, "inverted": inverted}
        )
        return check_bytes(crc, written, answered)

    both = written + answered
    crc8 = crccheck.crc.Crc8Maxim.calc(both)
    assert made("crc-8", "write-and-answer") == bytes([crc8])
    assert made("crc-8", "write-and-answer", inverted=True) == bytes([crc8 ^ 0xFF])
    assert made("crc-16", "answer") == crccheck.crc.Crc16Maxim.calc(answered).to_bytes(
        2, "little"
    )
    assert made("crc-16", "write", inverted=False) == crccheck.crc.Crc16Arc.calc(
        written
    ).to_bytes(2, "little")


@given(st.data())
def test_any_field_of_any_bytes_has_a_value(data: st.DataObject) -> None:
    """Sign, order, shift and width never raise, and stay within what the bits hold."""
    count = data.draw(st.integers(1, 8))
    shift = data.draw(st.integers(0, 8 * count - 1))
    bits = data.draw(st.integers(1, 8 * count - shift))
    signed = data.draw(st.booleans())
    value = BitField(
        name="x", at=data.draw(st.integers(0, 4)), bytes=count, shift=shift, bits=bits,
        signed=signed, order=data.draw(st.sampled_from(["little", "big"])),
    )  # fmt: skip
    block = data.draw(st.binary(min_size=value.end, max_size=value.end + 4))
    got = row_of(value).decode(block)
    held = block[value.at : value.end]
    word = int.from_bytes(held, value.order) >> shift & ((1 << bits) - 1)
    assert int(got) % (1 << bits) == word


@pytest.mark.parametrize("code", known_families())
def test_what_changes_something_is_no_question(code: int) -> None:
    """Each command of each kind, by its row; what has no row may do anything."""
    for command in family_of(code).commands:
        if command.place == "behind a selection" and command.code:
            asks = only_asks(built_in(), code, command.code, 0)
            assert asks == (command.effect is Effect.NOTHING), command.name


def test_bytes_behind_a_reset() -> None:
    """ROM commands that ask; skip and match are looked through."""
    assert only_asks_all(built_in(), [0x28], b"\x33", 8)
    assert only_asks_all(built_in(), [0x28], b"\xcc\xbe", 9)
    assert only_asks_all(built_in(), [0x28], b"\x55" + bytes(8) + b"\xbe", 9)
    assert not only_asks_all(built_in(), [0x28], b"\xcc\x44", 0)
    assert not only_asks_all(built_in(), [0x28, 0x99], b"\xcc\xbe", 9)
    assert not only_asks_all(built_in(), [0x28], b"\x3c", 0)
