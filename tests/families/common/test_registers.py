"""Register rows: one decode, one encode."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.errors import UsageError
from harness.families.common.registers import Field

TEMPERATURE = Field(name="t", offset=1, count=2, scale=1 / 16, unit="degC", signed=True)
VOLTAGE = Field(
    name="v", offset=0, count=2, shift=5, scale=0.00488, unit="V", order="big"
)


def test_a_scaled_signed_field() -> None:
    """FF5Eh sixteenths are -10.125 degC (data sheet family 28h, Table 1)."""
    assert TEMPERATURE.decode(b"\x00\x5e\xff\x00") == -10.125
    assert TEMPERATURE.encode(b"\x07\x00\x00\x07", -10.125) == b"\x07\x5e\xff\x07"


def test_bits_below_and_around_stay() -> None:
    """Encoding a field leaves every other bit alone."""
    field = Field(name="mode", offset=0, shift=2, bits=3)
    assert field.encode(b"\xff", 0) == b"\xe3"
    assert field.decode(b"\xf7") == 5


def test_what_does_not_fit_is_refused_with_its_range() -> None:
    """The hint names lowest and highest value in the field's unit."""
    with pytest.raises(UsageError, match=r"t is 3000 degC.*-2048 to 2047\.94"):
        TEMPERATURE.encode(bytes(3), 3000)


@settings(derandomize=True)
@given(raw=st.integers(0, 0x7FF), rest=st.integers(0, 31), tail=st.binary(max_size=3))
def test_decode_undoes_encode(raw: int, rest: int, tail: bytes) -> None:
    """Any step of a big-endian shifted field comes back, the bits below untouched."""
    block = rest.to_bytes(2, "big") + tail
    written = VOLTAGE.encode(block, raw * VOLTAGE.scale)
    assert VOLTAGE.raw(written) == raw
    assert written[1] & 31 == rest
    assert written[2:] == tail
