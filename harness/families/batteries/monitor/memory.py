"""Memory of the battery monitor: eight pages behind a scratchpad.

    B8h page   memory to scratchpad       BEh page   scratchpad, 8 bytes and CRC-8
    4Eh page   write scratchpad           48h page   copy it to memory, 10 ms

    page 0  configuration, temperature, voltage, current, threshold
    page 1  elapsed time, charge account (ICA), offset
    page 2  times of disconnection and of the end of charge
    3 to 7  40 user bytes; the last four count all charge and discharge while CA is on

What is written takes effect by the copy only, which writes EEPROM cells. A copy of page
1 sets elapsed time and account to what was recalled some milliseconds before.

Sources: data sheet family 26h (part DS2438) p. 6-10, 16 and 21; bit order of the
configuration and time of the copy: from memory; bit 3 and the default 0Fh: a user's
bench report.
"""

from __future__ import annotations

from harness.errors import AnswerImpossible, StillBusy, UsageError
from harness.families.common.answers import require_crc8, shown
from harness.families.common.memory import Memory
from harness.families.family import Hazard, Session

RECALL, READ, WRITE, COPY = 0xB8, 0xBE, 0x4E, 0x48
IAD, CA, EE, AD = 0x01, 0x02, 0x04, 0x08
PAGE_BYTES, USER_PAGE, USER_BYTES = 8, 3, 40

COPY_S = 0.010

WEAR = frozenset({Hazard.MEMORY_WEAR})
CONFIGURATION_BITS = bytes([IAD | CA | EE | AD, 0, 0, 0, 0, 0, 0, 0xC0])
"""Bits of page 0 that can be written: configuration and threshold."""


# -- pages -------------------------------------------------------------------------


def read_page(session: Session, page: int) -> bytes:
    """Memory of a page, by way of the scratchpad.

    Raises:
        CheckValueWrong, DeviceAbsent: as the answer says.
    """
    session.transact(bytes([RECALL, page]))
    return read_pad(session, page)


def read_pad(session: Session, page: int) -> bytes:
    """The scratchpad of a page.

    Raises:
        CheckValueWrong, DeviceAbsent: as the answer says.
    """
    answer = session.transact(bytes([READ, page]), PAGE_BYTES + 1)
    block = require_crc8(b"", answer, what=f"page {page}")
    if not any(block):
        # a line held low has a right check value too
        session.verify()
    return block


def write_page(
    session: Session, page: int, block: bytes, *, mask: bytes = b"\xff" * PAGE_BYTES
) -> None:
    """Write a page: scratchpad, compare, copy, recall, compare.

    Args:
        session: the device.
        page: which.
        block: all eight bytes.
        mask: bits of each byte that can be written.

    Raises:
        AnswerImpossible: scratchpad or memory read otherwise.
        StillBusy: the copy does not end.
    """
    session.transact(bytes([WRITE, page]) + block)
    _require(read_pad(session, page), block, mask, f"scratchpad of page {page}")
    session.hold_strong_pull_up(bytes([COPY, page]), COPY_S)
    if not all(session.read_bits(8)):
        raise StillBusy(f"the copy of page {page} is not done after {COPY_S:g} s")
    _require(read_page(session, page), block, mask, f"page {page} after the copy")


def _require(got: bytes, wanted: bytes, mask: bytes, what: str) -> None:
    if any((a ^ b) & m for a, b, m in zip(got, wanted, mask, strict=True)):
        raise AnswerImpossible(
            f"{what} reads {shown(got)}, written was {shown(wanted)}",
            hint="the device did not take it: look at noise and supply, then repeat",
        )


def write_configuration(session: Session, config: int, threshold: int) -> None:
    """Write both bytes of page 0 that can be written; errors as ``write_page``."""
    block = bytearray(read_page(session, 0))
    block[0], block[7] = config, threshold
    write_page(session, 0, bytes(block), mask=CONFIGURATION_BITS)


# -- user memory -------------------------------------------------------------------


def _read_user(session: Session, at: int, length: int) -> bytes:
    pages = range(at // PAGE_BYTES, (at + length - 1) // PAGE_BYTES + 1)
    data = b"".join(read_page(session, USER_PAGE + page) for page in pages)
    start = at % PAGE_BYTES
    return data[start : start + length]


def _write_user(session: Session, at: int, data: bytes) -> None:
    end = at + len(data)
    if end > 32 and read_page(session, 0)[0] & CA:
        raise UsageError(
            "the last user page holds the counts of charge while accumulators are on",
            hint="stay below byte 32, or configure accumulators: off",
        )
    for page in range(at // PAGE_BYTES, (end - 1) // PAGE_BYTES + 1):
        first = page * PAGE_BYTES
        block = bytearray(read_page(session, USER_PAGE + page))
        low, high = max(at, first), min(end, first + PAGE_BYTES)
        block[low - first : high - first] = data[low - at : high - at]
        write_page(session, USER_PAGE + page, bytes(block))


USER_MEMORY = Memory(size=USER_BYTES, read=_read_user, write=_write_user, hazards=WEAR)
