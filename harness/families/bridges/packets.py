"""Packets of the bridge from this bus to I2C, and what it answers.

    4Bh addr len data CRC16          write, with start and stop
    5Ah / 69h / 78h                  write in parts: start, nothing, stop
    87h addr+1 len CRC16             read          2Dh addr len data len CRC16   both

After the CRC-16 (ours, inverted, over all from the command on) read slots are 1 while
the bridge is busy. A 0 is followed by status, write status where something was written
(0: all acknowledged, n: byte n was not, FFh: not tried) and the data read. None of the
answer has a check value: data are read twice, and the slots behind it must be ones.

Sources: packets and CRC rule from captures in two public forum threads about the part
DS28E17; command codes, status bits and busy slots: from memory, so prove them on a
bench first. That the bridge leaves the line alone behind its answer: assumed.
"""

from __future__ import annotations

from dataclasses import dataclass

from harness.errors import (
    AnswerImpossible,
    CheckValueWrong,
    DeviceAbsent,
    StillBusy,
)
from harness.families.common.answers import read_twice, shown
from harness.families.family import Session
from harness.wire.crc import crc16_sent

WRITE, READ, WRITE_READ = 0x4B, 0x87, 0x2D
WRITE_FIRST, WRITE_MIDDLE, WRITE_LAST = 0x5A, 0x69, 0x78
CRC_ERROR, NOT_ACKNOWLEDGED, NO_START = 0x01, 0x02, 0x08
NOT_TRIED = 0xFF
LONGEST = 255

_BUSY_S = 0.5
_BURST = 64


@dataclass(frozen=True, slots=True, kw_only=True)
class Reply:
    """What the bridge says to a packet.

    Attributes:
        status: status byte; 0 if all went well.
        write_status: None where nothing was to be written.
        data: bytes read.
    """

    status: int
    write_status: int | None
    data: bytes

    @property
    def is_good(self) -> bool:
        """True if all was acknowledged."""
        return self.status == 0 and not self.write_status


def exchange(
    session: Session, packet: bytes, *, writes: bool, reads: int, spoil: int = 0
) -> Reply:
    """Send a packet with its CRC-16, wait while the bridge is busy, take the answer.

    Args:
        session: the bridge.
        packet: from the command on, without the check value.
        writes: True if the answer has a write status.
        reads: data bytes of the answer.
        spoil: bits of the check value to turn round, to see it refused.

    Raises:
        DeviceAbsent: nothing but ones, and the bridge does not answer its ROM code.
        StillBusy: nothing but ones, and it does.
        AnswerImpossible: an answer that cannot be.
    """
    check = int.from_bytes(crc16_sent(packet), "little") ^ spoil
    bits = session.transact_bits(packet + check.to_bytes(2, "little"), _BURST)
    until_s = session.clock.now_s() + _BUSY_S
    while 0 not in bits:
        if session.clock.now_s() > until_s:
            session.verify()
            raise StillBusy(f"the bridge is busy for more than {_BUSY_S:g} s")
        session.clock.sleep(0.001)
        bits = session.read_bits(_BURST)
    answer = bits[bits.index(0) + 1 :]
    head = 2 if writes else 1
    missing = 8 * (head + reads + 1) - len(answer)
    if missing > 0:
        answer += session.read_bits(missing)
    answered = bytes(
        sum(bit << place for place, bit in enumerate(answer[at : at + 8]))
        for at in range(0, 8 * (head + reads + 1), 8)
    )
    if answered[-1] != 0xFF:
        raise AnswerImpossible(
            f"the bridge answers {shown(answered)}: it drives the line behind its answer",
            hint="a slot was lost or the line is held low: look at edges, then repeat",
        )
    return _judged(
        Reply(
            status=answered[0],
            write_status=answered[1] if writes else None,
            data=answered[head:-1],
        )
    )


def _judged(reply: Reply) -> Reply:
    """The reply, unless no bridge can have sent it."""
    known = reply.status in {0, CRC_ERROR, NOT_ACKNOWLEDGED, NO_START}
    tried = reply.write_status != NOT_TRIED
    fits = reply.write_status is None or tried == (reply.status == 0)
    if not (known and fits):
        written = (
            f", {reply.write_status:02X}h" if reply.write_status is not None else ""
        )
        raise AnswerImpossible(
            f"status {reply.status:02X}h{written} is none that the bridge has"
        )
    return reply


def require_good(reply: Reply, address: int, length: int = 0) -> Reply:
    """A reply to a packet that must have gone well.

    Raises:
        CheckValueWrong: the bridge saw a wrong CRC-16 and did nothing.
        DeviceAbsent: no part acknowledges the address behind the bridge.
        AnswerImpossible: a byte was not acknowledged, or there was no start.
    """
    if reply.status & CRC_ERROR:
        raise CheckValueWrong(
            "the bridge received a wrong CRC-16 and did nothing",
            hint="if only packets whose last data bit is 1 fail, the pull-up is weak or "
            "the line too long: a stronger pull-up, or gaps between bytes",
        )
    if reply.status & NOT_ACKNOWLEDGED:
        raise DeviceAbsent(
            f"no part behind the bridge acknowledges the I2C address {address:02X}h",
            hint="look at the I2C wiring, its pull-ups and the part's address pins",
        )
    if reply.status:
        raise AnswerImpossible(
            f"status {reply.status:02X}h: no valid start on the I2C side",
            hint="look for an I2C line held low behind the bridge",
        )
    if reply.write_status:
        raise AnswerImpossible(
            f"the part at {address:02X}h did not acknowledge byte {reply.write_status} "
            f"of {length}",
            hint="the part refuses what was written: protection, or too long a row",
        )
    return reply


# -- packets ---------------------------------------------------------------------


def write(session: Session, address: int, data: bytes) -> None:
    """Write to a part; more than 255 bytes go in several packets, one I2C transfer.

    Raises:
        DeviceError: see ``exchange`` and ``require_good``.
    """
    if len(data) <= LONGEST:
        packet = bytes([WRITE, address << 1, len(data)]) + data
        require_good(
            exchange(session, packet, writes=True, reads=0), address, len(data)
        )
        return
    pieces = [data[at : at + LONGEST] for at in range(0, len(data), LONGEST)]
    for number, piece in enumerate(pieces):
        if number == 0:
            head = bytes([WRITE_FIRST, address << 1])
        else:
            head = bytes([WRITE_LAST if number == len(pieces) - 1 else WRITE_MIDDLE])
        packet = head + bytes([len(piece)]) + piece
        require_good(
            exchange(session, packet, writes=True, reads=0), address, len(piece)
        )


def read(session: Session, address: int, length: int) -> bytes:
    """Read from a part, once.

    Raises:
        DeviceError: see ``exchange`` and ``require_good``.
    """
    packet = bytes([READ, address << 1 | 1, length])
    return require_good(
        exchange(session, packet, writes=False, reads=length), address
    ).data


def read_register(session: Session, address: int, pointer: bytes, length: int) -> bytes:
    """Write a pointer and read on from it; twice, as the data have no check value.

    Raises:
        CheckValueWrong: the two readings differ.
        DeviceError: see ``exchange`` and ``require_good``.
    """
    packet = bytes([WRITE_READ, address << 1, len(pointer)]) + pointer + bytes([length])

    def once() -> bytes:
        reply = exchange(session, packet, writes=True, reads=length)
        return require_good(reply, address, len(pointer)).data

    what = f"register {shown(pointer)} of the part at {address:02X}h"
    return read_twice(session, once, what=what)


def is_there(session: Session, address: int) -> bool:
    """True if a part acknowledges the address, by reading one byte."""
    packet = bytes([READ, address << 1 | 1, 1])
    reply = exchange(session, packet, writes=False, reads=1)
    if reply.status != NOT_ACKNOWLEDGED:
        require_good(reply, address)
    return reply.is_good


def wait_until_ready(session: Session, address: int, within_s: float) -> int:
    """Ask until a part that is busy inside acknowledges again; how often it did not.

    Raises:
        StillBusy: it does not within the time.
    """
    until_s = session.clock.now_s() + within_s
    refusals = 0
    while not is_there(session, address):
        refusals += 1
        if session.clock.now_s() > until_s:
            raise StillBusy(
                f"the part at {address:02X}h does not acknowledge {within_s:g} s after "
                "the write"
            )
        session.clock.sleep(0.001)
    return refusals
