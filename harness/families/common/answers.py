"""Proving answers: check values, and what to do where a part has none.

A right check value proves that the bits travelled. Silence reads as ones and is
never taken for content without asking whether the device is still there.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from harness.errors import CheckValueWrong, DeviceAbsent
from harness.families.family import Session
from harness.families.kind_facts import KindFacts, stated
from harness.wire.crc import crc8, crc16_holds, crc16_sent


def shown(data: bytes, *, most: int = 40) -> str:
    """Bytes as printed in messages; a long row is cut."""
    cut = f" .. ({len(data)} bytes)" if len(data) > most else ""
    return data[:most].hex(" ").upper() + cut


def require_crc16(sent: bytes, received: bytes, *, what: str, start: int = 0) -> bytes:
    """The answer without its inverted CRC-16, which covers what was sent before.

    Args:
        sent: bytes of ours that the check value covers.
        received: the answer, its last two bytes the check value.
        what: the answer in words, for the message.
        start: register that the device's generator begins with.

    Raises:
        DeviceAbsent: all ones: no device drives the line.
        CheckValueWrong: the check value does not match.
    """
    if not crc16_holds(sent + received, start):
        data, check = received[:-2], received[-2:]
        if set(received) == {0xFF}:
            raise DeviceAbsent(
                f"no device drives the line: {what} is {len(received)} bytes of FFh"
            )
        wrong = (
            f"{what} {shown(data)}: check bytes {shown(check)}, "
            f"computed {shown(crc16_sent(sent + data, start))}"
        )
        heard = heard_instead(sent, received, start)
        if heard is None:
            raise CheckValueWrong(wrong)
        raise CheckValueWrong(
            f"{wrong}; they are right for {shown(heard)} in place of {shown(sent)}: that is "
            "what the device heard",
            cause="noise",
            hint="the command or address was damaged on the way out, the answer was not: look "
            "at edges and noise",
            facts=stated(KindFacts(heard=shown(heard), meant=shown(sent))),
        )
    return received[:-2]


_COMMAND_AND_ADDRESS = 3
"""Bytes of a command and a two-byte address."""


def heard_instead(sent: bytes, received: bytes, start: int = 0) -> bytes | None:
    """What of ours, one flip away, makes the CRC-16 of an answer right; None if nothing.

    Of the 24 bits of a command and an address one fits a damaged answer by chance in 24 of
    65,536 cases.
    """
    for place in range(8 * min(len(sent), _COMMAND_AND_ADDRESS)):
        heard = bytearray(sent)
        heard[place // 8] ^= 1 << place % 8
        if crc16_holds(bytes(heard) + received, start):
            return bytes(heard)
    return None


def require_crc8(sent: bytes, received: bytes, *, what: str, start: int = 0) -> bytes:
    """As ``require_crc16`` for a CRC-8, sent true and one byte long.

    A row of zeros has a right CRC-8: callers whose answer may not be zero say so.
    """
    if crc8(sent + received, start) != 0:
        if set(received) == {0xFF}:
            raise DeviceAbsent(
                f"no device drives the line: {what} is {len(received)} bytes of FFh"
            )
        raise CheckValueWrong(
            f"{what} {shown(received[:-1])}: check byte {received[-1]:02X}h, "
            f"computed {crc8(sent + received[:-1], start):02X}h"
        )
    return received[:-1]


def read_records(
    session: Session, opening: bytes, sizes: Sequence[int], *, what: str
) -> list[bytes]:
    """Records that each end in a CRC-16, in one transaction.

    The first check value covers the opening too, the later ones their record alone.

    Args:
        session: the device.
        opening: command and address.
        sizes: length of each record without its check bytes.
        what: the records in words, for messages.

    Raises:
        DeviceAbsent, CheckValueWrong: see ``require_crc16``.
    """
    records: list[bytes] = []
    for size in sizes:
        if not records:
            received = session.transact(opening, size + 2)
            records.append(require_crc16(opening, received, what=what))
        else:
            records.append(require_crc16(b"", session.more(read=size + 2), what=what))
    return records


def read_twice(session: Session, read: Callable[[], bytes], *, what: str) -> bytes:
    """What a part without check values answers, the same twice.

    An error that strikes both readings alike stays unseen; nothing can catch it.

    Raises:
        CheckValueWrong: the two readings differ.
        DeviceAbsent: the readings end in ones and the device does not answer.
    """
    first, second = read(), read()
    if first != second:
        places = [
            i for i, (a, b) in enumerate(zip(first, second, strict=True)) if a != b
        ]
        place = places[0]
        raise CheckValueWrong(
            f"two readings of {what} differ in {len(places)} of {len(first)} bytes, the "
            f"first is byte {place}: {first[place]:02X}h, then {second[place]:02X}h",
            hint="this device has no check value: look at edges and noise, then repeat",
        )
    if first[-1:] == b"\xff":
        # silence reads so too
        session.verify()
    return first
