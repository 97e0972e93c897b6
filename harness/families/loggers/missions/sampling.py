"""Pages of a logger that takes a sample meanwhile.

A logger that samples may leave the memory command it is in: the page that it was sending
ends in ones. Asked again at once it is still sampling, however often; once a conversion is
over it answers. A page that was whole stays read, so that a log longer than the time from
sample to sample comes to its end.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

from harness.errors import CheckValueWrong, DeviceAbsent
from harness.families.common.answers import require_crc16
from harness.families.family import Session


class PageBrokenOff(CheckValueWrong):
    """A page ended in ones: nobody drove its check value, nor what stood before it."""


def require_page(sent: bytes, received: bytes, *, what: str) -> bytes:
    """As ``require_crc16``, and says where the device left.

    Raises:
        DeviceAbsent: all ones.
        PageBrokenOff: the check bytes are ones and are wrong.
        CheckValueWrong: the check value does not match.
    """
    try:
        return require_crc16(sent, received, what=what)
    except CheckValueWrong as fault:
        if received[-2:] != b"\xff\xff":
            raise
        raise PageBrokenOff(
            f"{what} ends in ones: {fault.what}",
            cause=fault.cause,
            hint=fault.hint,
            facts=fault.facts,
        ) from fault


def pages_beside_sampling(
    session: Session,
    pages_from: Callable[[int], Iterator[bytes]],
    count: int,
    *,
    sampling_s: float,
) -> bytes:
    """Pages in their order; what breaks off is asked again once a sampling is over.

    Args:
        session: the device; the wait is noted in its journal.
        pages_from: reads pages from this one on, each proved.
        count: how many there are.
        sampling_s: longest conversion of the device.

    Raises:
        DeviceAbsent, PageBrokenOff: the page breaks off behind the wait too.
        CheckValueWrong: a page does not hold; a wait would not mend it.
    """
    found: list[bytes] = []
    waited_at = -1
    while len(found) < count:
        try:
            for page in pages_from(len(found)):
                found.append(page)
        except (DeviceAbsent, PageBrokenOff) as fault:
            if waited_at == len(found):
                raise
            waited_at = len(found)
            session.note(
                f"a reading broke off: asked again after {sampling_s:g} s, in which a "
                "sampling ends",
                reading=fault.what,
            )
            session.clock.sleep(sampling_s)
    return b"".join(found)
