"""Write scratchpad, read it back, copy it with authorisation: the safe way to write.

    0Fh TA1 TA2 data      staged in the scratchpad; CRC-16 if it is filled to its end
    AAh                   TA1 TA2 E/S data read back and compared; CRC-16 likewise
    55h TA1 TA2 E/S       copied, if the three bytes are those just read

E/S holds the ending offset in its low bits, PF (bit 5: a partial byte, or data lost
by a supply dip), OF (bit 6: overflow, on RAM parts) and AA (bit 7: copy done).
After a copy the device shows a pattern until the next reset; ones mean refusal.

Sources: data sheets of families 2Dh (part DS2431) p. 7-12, 23h (DS2433) p. 6, 43h
(DS28EC20) p. 10-11, 08h/06h (DS1992/DS1993) p. 10-11.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from harness.errors import (
    AnswerImpossible,
    CheckValueWrong,
    DeviceAbsent,
    ExtraEcho,
    LineError,
    StillBusy,
    UsageError,
)
from harness.families.common.answers import read_twice, require_crc16, shown
from harness.families.family import Session
from harness.families.kind_facts import KindFacts, StoreFacts, stated

WRITE, READ, COPY, READ_MEMORY = 0x0F, 0xAA, 0x55, 0xF0
PARTIAL, COPIED = 0x20, 0x80

ALTERNATING = frozenset({0xAA, 0x55})
"""Copy-done patterns of EEPROM parts and counters."""

ZEROS = frozenset({0x00})
"""Copy-done pattern of RAM parts."""

_READ_CHUNK = 64
"""Bytes of one reading where nothing but a second reading proves it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Scratchpad:
    """What differs from part to part.

    Attributes:
        size: bytes that F0h reads, registers included.
        pad_bytes: length of the scratchpad.
        copy_s: longest time of a copy.
        done: bytes that the device shows after a copy.
        write_crc: True if a write that fills the scratchpad is answered by a CRC-16.
        read_crc: True if reading it to its end is followed by a CRC-16.
        whole_rows: True if only a full, aligned scratchpad is copied.
        copy_command: 55h for most parts.
        copy_suffix: what follows the authorisation, such as a password.
    """

    size: int
    pad_bytes: int
    copy_s: float
    done: frozenset[int]
    write_crc: bool = True
    read_crc: bool = True
    whole_rows: bool = False
    copy_command: int = COPY
    copy_suffix: bytes = b""

    @property
    def end_mask(self) -> int:
        """Bits of E/S that hold the ending offset."""
        return self.pad_bytes - 1

    def reaches_end(self, address: int, length: int) -> bool:
        """True if a write fills the scratchpad to its end."""
        return (address & self.end_mask) + length == self.pad_bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class Staged:
    """The scratchpad as the device shows it."""

    address: int
    status: int
    data: bytes

    @property
    def authorisation(self) -> bytes:
        """TA1, TA2 and E/S as a copy wants them."""
        return self.address.to_bytes(2, "little") + bytes([self.status])


def stage(session: Session, part: Scratchpad, address: int, data: bytes) -> None:
    """Write the scratchpad.

    Raises:
        DeviceAbsent, CheckValueWrong: the check value of the write is not right.
    """
    message = bytes([WRITE]) + address.to_bytes(2, "little") + data
    if part.write_crc and part.reaches_end(address, len(data)):
        require_crc16(
            message, session.transact(message, 2), what="check of the scratchpad write"
        )
    else:
        session.transact(message)


def read_staged(session: Session, part: Scratchpad, length: int) -> Staged:
    """Read the scratchpad back, ``length`` bytes of it.

    Raises:
        DeviceAbsent: all ones.
        CheckValueWrong: the check value does not match.
    """
    block = session.transact(bytes([READ]), 3 + length)
    if set(block) == {0xFF}:
        raise DeviceAbsent(
            f"no device drives the line: {len(block)} bytes of FFh were read"
        )
    staged = Staged(
        address=int.from_bytes(block[:2], "little"), status=block[2], data=block[3:]
    )
    if part.read_crc and part.reaches_end(staged.address, length):
        require_crc16(bytes([READ]), block + session.more(read=2), what="scratchpad")
    return staged


def copy(session: Session, part: Scratchpad, staged: Staged) -> None:
    """Copy the scratchpad to memory and wait for the device's word that it is done.

    Raises:
        AnswerImpossible: the copy was refused, or did not run to its end.
        StillBusy: neither done nor refused.
        LineError: the line was disturbed, and no copy explains it.
    """
    command = bytes([part.copy_command]) + staged.authorisation + part.copy_suffix
    where, fallen = f"copy to {staged.address:04X}h", None
    try:
        session.hold_strong_pull_up(command, part.copy_s)
        end = session.more(read=1)[0]
    except (LineError, ExtraEcho) as fault:
        # the working current can pull the line itself below the adapter's threshold
        session.clock.sleep(part.copy_s)
        session.settle()
        end, fallen = 0xFF, fault
    if end not in part.done | {0xFF}:
        raise StillBusy(
            f"{where}: the device shows {end:02X}h after {part.copy_s:g} s",
            cause="supply",
            facts=store_facts(part, staged, end=end),
        )
    if end == 0xFF:
        session.verify()
    # three bytes without a check value
    after = read_twice(
        session, lambda: session.transact(bytes([READ]), 3), what="scratchpad status"
    )[2]
    facts = store_facts(part, staged, end=end, status=after)
    if after & PARTIAL:
        raise AnswerImpossible(
            f"{where}: end byte {end:02X}h, status {after:02X}h afterwards: bit 5 says that "
            "the supply dipped during the copy",
            hint=STORE_SUPPLY_HINT,
            cause="supply",
            facts=facts,
        )
    if (after ^ staged.status) & part.end_mask:
        raise AnswerImpossible(
            f"{where}: end byte {end:02X}h, status {after:02X}h afterwards, "
            f"{staged.status:02X}h before: the device restarted during the copy",
            hint=STORE_SUPPLY_HINT,
            cause="supply",
            facts=facts,
        )
    if fallen is not None:
        raise fallen
    if end == 0xFF:
        raise AnswerImpossible(
            f"{where}: end byte FFh, status {after:02X}h afterwards: refused or never begun",
            hint=f"look at the protection of this place; if it is open: {STORE_SUPPLY_HINT}",
            cause="configuration or supply",
            facts=facts,
        )
    if not after & COPIED:
        raise AnswerImpossible(
            f"{where}: status {after:02X}h afterwards, wanted bit 7 set and bit 5 clear",
            hint=STORE_SUPPLY_HINT,
            cause="supply",
            facts=facts,
        )


STORE_SUPPLY_HINT = "external strong pull-up, power for 10 ms, shorter cable; read back after a power cycle"


def store_facts(
    part: Scratchpad, staged: Staged, *, end: int, status: int | None = None
) -> dict[str, Any]:
    """A store in plain facts: where, and the bytes that say how it went."""
    return _stated(
        StoreFacts(
            address=staged.address,
            row=part.pad_bytes if part.whole_rows else 1,
            wanted=staged.status,
            done=" or ".join(f"{code:02X}" for code in sorted(part.done)),
            check=part.write_crc and part.reaches_end(staged.address, len(staged.data)),
            end=f"{end:02X}",
            status="" if status is None else f"{status:02X}",
        )
    )


def _stated(store: StoreFacts) -> dict[str, Any]:
    return stated(KindFacts(store=store))


def write_row(session: Session, part: Scratchpad, address: int, data: bytes) -> None:
    """Stage, compare, copy and read back one row; it must lie inside one scratchpad.

    Raises:
        AnswerImpossible: the device holds or shows something else than was written.
        CheckValueWrong, DeviceAbsent, StillBusy: see the steps.
    """
    copy(session, part, stage_proved(session, part, address, data))
    got = read_plain(session, part, address, len(data))
    if got != data:
        raise AnswerImpossible(
            f"memory at {address:04X}h reads {shown(got)} after writing {shown(data)}",
            hint=f"the cells did not take it: {STORE_SUPPLY_HINT}; else a worn device",
            cause="supply",
            facts=_stated(
                StoreFacts(
                    address=address,
                    row=part.pad_bytes if part.whole_rows else 1,
                    read=shown(got),
                    sent=shown(data),
                )
            ),
        )


def stage_proved(
    session: Session, part: Scratchpad, address: int, data: bytes
) -> Staged:
    """Stage and compare; for places that do not read back as they were written.

    Raises:
        AnswerImpossible: the device shows something else than was written.
        CheckValueWrong, DeviceAbsent: see the steps.
    """
    stage(session, part, address, data)
    staged = read_staged(session, part, len(data))
    _require_as_sent(part, staged, address, data)
    return staged


def _require_as_sent(
    part: Scratchpad, staged: Staged, address: int, data: bytes
) -> None:
    end = (address + len(data) - 1) & part.end_mask
    if staged.address != address:
        raise AnswerImpossible(
            f"the device shows address {staged.address:04X}h, sent was {address:04X}h",
            hint="repeat; if it stays the address lies outside the device's memory",
        )
    if staged.status & PARTIAL:
        raise AnswerImpossible(
            f"scratchpad status {staged.status:02X}h: a partial byte, or a supply dip",
            hint="look at the supply and at noise, then repeat",
            cause="supply or noise",
        )
    if staged.status != end:
        raise AnswerImpossible(
            f"scratchpad status {staged.status:02X}h, wanted ending offset {end:02X}h "
            "and no flag",
            hint="a slot was lost on the way: repeat",
        )
    if staged.data == data:
        return
    if part.write_crc and part.read_crc and part.reaches_end(address, len(data)):
        # both check values were right, so the device itself changed the data
        raise AnswerImpossible(
            f"the device stages {shown(staged.data)} for {address:04X}h instead of "
            f"{shown(data)}",
            hint="this page is write-protected or takes zeros only: see its protection state",
            cause="configuration",
            facts=_stated(
                StoreFacts(
                    address=address,
                    protected="write-protected or takes zeros only",
                    staged=shown(staged.data),
                    sent=shown(data),
                )
            ),
        )
    raise CheckValueWrong(
        f"the scratchpad reads {shown(staged.data)}, sent was {shown(data)}"
    )


def write(session: Session, part: Scratchpad, address: int, data: bytes) -> None:
    """Write any bytes, row by row; what shares a row with them keeps its content.

    Raises:
        UsageError: outside the part's memory.
        DeviceError: see ``write_row``; rows before it are written.
    """
    if address < 0 or address + len(data) > part.size:
        raise UsageError(
            f"{len(data)} bytes at {address:04X}h do not fit into {part.size} bytes"
        )
    end = address + len(data)
    row = address - address % part.pad_bytes
    while row < end:
        first, last = max(row, address), min(row + part.pad_bytes, end)
        piece = data[first - address : last - address]
        if part.whole_rows and len(piece) < part.pad_bytes:
            held = read_plain(session, part, row, part.pad_bytes)
            piece = held[: first - row] + piece + held[last - row :]
            first = row
        write_row(session, part, first, piece)
        row += part.pad_bytes


def read_plain(session: Session, part: Scratchpad, address: int, length: int) -> bytes:
    """Read memory by F0h; it has no check value, so everything is read twice.

    Raises:
        UsageError: outside the part's memory.
        CheckValueWrong: two readings differ.
        DeviceAbsent: no device answers.
    """
    if address < 0 or address + length > part.size:
        raise UsageError(
            f"{length} bytes from {address:04X}h do not lie in {part.size} bytes"
        )
    data = b""
    while len(data) < length:
        at = address + len(data)
        count = min(_READ_CHUNK, length - len(data))
        data += _read_chunk(session, at, count)
    return data


def _read_chunk(session: Session, address: int, count: int) -> bytes:
    command = bytes([READ_MEMORY]) + address.to_bytes(2, "little")
    return read_twice(
        session,
        lambda: session.transact(command, count),
        what=f"memory at {address:04X}h",
    )
