"""Channels of a converter: pages with CRC-16, writes read back, conversions waited for.

The commands and registers are listed in the family module that uses them.

Source: data sheet DS2450 (family 20h) p. 4-5 and 10, and a user's note on 001Ch.
"""

from __future__ import annotations

from dataclasses import dataclass

from harness.errors import AnswerImpossible, DeviceAbsent, StillBusy
from harness.families.common.answers import read_records, require_crc16
from harness.families.family import Session

READ, WRITE, CONVERT = 0xAA, 0x55, 0x3C

RESULTS, CONTROL, ALARMS, CALIBRATION = 0x00, 0x08, 0x10, 0x18
SUPPLY_AT, OWN_SUPPLY, LINE_SUPPLY = 0x1C, 0x40, 0x00

BITS, OUTPUT_OFF, OUTPUT = 0x0F, 0x40, 0x80
WIDE, LOW_ALARM, HIGH_ALARM, POWER_ON = 0x01, 0x04, 0x08, 0x80

_BIT_S, _EXTRA_S = 80e-6, 160e-6
_PATIENCE_S = 0.010


@dataclass(frozen=True, slots=True, kw_only=True)
class Channel:
    """One channel as its two control bytes have it."""

    place: int
    first: int
    second: int

    @property
    def bits(self) -> int:
        """Bits that a conversion makes."""
        return self.first & BITS or 16

    @property
    def range_v(self) -> float:
        """Full scale."""
        return 5.12 if self.second & WIDE else 2.56


def read_page(session: Session, address: int) -> bytes:
    """The eight bytes of a page, proved.

    Raises:
        DeviceAbsent, CheckValueWrong: as the answer says.
    """
    opening = bytes([READ]) + address.to_bytes(2, "little")
    return read_records(session, opening, (8,), what=f"page at {address:04X}h")[0]


def write_byte(session: Session, address: int, value: int, *, mask: int = 0xFF) -> None:
    """Write a byte; the device answers a check value and the byte as stored.

    Raises:
        DeviceAbsent, CheckValueWrong: the check value is not right.
        AnswerImpossible: another byte is stored (in the bits of ``mask``).
    """
    message = bytes([WRITE]) + address.to_bytes(2, "little") + bytes([value])
    answer = session.transact(message, 3)
    require_crc16(message, answer[:2], what="check of the write")
    if (answer[2] ^ value) & mask:
        raise AnswerImpossible(
            f"register {address:04X}h holds {answer[2]:02X}h after writing {value:02X}h",
            hint="repeat; if it stays the device does not take it: look at its supply",
        )


def channel(session: Session, place: int) -> Channel:
    """Control of a channel."""
    page = read_page(session, CONTROL)
    return Channel(place=place, first=page[2 * place], second=page[2 * place + 1])


def _has_own_supply(session: Session) -> bool:
    return read_page(session, CALIBRATION)[SUPPLY_AT - CALIBRATION] == OWN_SUPPLY


def convert(session: Session, of: Channel) -> None:
    """One conversion, waited for.

    Raises:
        DeviceAbsent: a part with own supply did not turn busy.
        StillBusy: it did not finish in the published time.
        CheckValueWrong: the command did not arrive whole.
    """
    own = _has_own_supply(session)
    message = bytes([CONVERT, 1 << of.place, 0])
    longest_s = of.bits * _BIT_S + _EXTRA_S
    answer = session.transact(message, 3 if own else 2)
    require_crc16(message, answer[:2], what="check of the convert command")
    if not own:
        session.feed(longest_s)
        return
    if answer[2] & 1:
        raise DeviceAbsent(
            "the converter did not turn busy",
            hint="check its supply lead, and that it is set up for its own supply; a "
            "reading now would be an old one",
        )
    session.clock.sleep(longest_s)
    asked_s = session.clock.now_s()
    while not all(session.read_bits(1)):
        if session.clock.now_s() - asked_s > _PATIENCE_S:
            raise StillBusy(
                f"still converting after the published {longest_s * 1e3:.2f} ms"
            )
