"""Who belongs to a bus, judged over scans: nobody is added or dropped on one of them.

A newcomer counts after two of the last three scans and a directed search that proves
all 64 bits; a listed device is missing after two scans in a row without it and a
directed search that it did not answer. Everything else is told apart and kept open.

The numbers two and three are common practice, no source.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from enum import StrEnum

_WINDOW, _NEEDED = 3, 2
"""Scans looked at, and how many of them must agree (common practice, no source)."""


class Membership(StrEnum):
    """How a ROM code stands after some scans."""

    PRESENT = "present"
    FLICKERING = "flickering"
    """Listed, missed by a scan: it stays on the list."""
    MISSING = "missing"
    LEFT = "left"
    """Found at first, then not any more."""
    LEFT_TOGETHER = "left together"
    """Likewise, with others in the same scan: they share a branch or a supply."""
    NEWCOMER = "newcomer"
    UNPROVED = "unproved"
    """Seen, not often enough or not yet proved: scan again."""
    PHANTOM = "phantom"
    UNLISTED_FAMILY = "unlisted family"
    """A newcomer of a kind that nobody expects here."""


def take_stock(
    *,
    listed: Collection[str],
    scans: Sequence[Collection[str]],
    answered: Mapping[str, int],
) -> dict[str, Membership]:
    """The standing of every code that is listed or was seen.

    Args:
        listed: ROM codes in print form.
        scans: codes of each scan, in time.
        answered: code -> directed searches that it answered.

    Returns:
        Standing by ROM code, in the order of the codes.
    """
    leaving = Counter(_left_in(code, scans) for code in _seen(scans))
    codes = sorted({*listed, *_seen(scans)})
    found = {}
    for code in codes:
        if code in listed:
            found[code] = _of_listed(code, scans, answered, leaving)
        else:
            found[code] = _of_unlisted(code, scans, answered, listed)
    return found


def _seen(scans: Sequence[Collection[str]]) -> set[str]:
    return {code for scan in scans for code in scan}


def _left_in(code: str, scans: Sequence[Collection[str]]) -> int | None:
    """Number of the scan from which on a code is gone; None if it is in the last."""
    last = max((n for n, scan in enumerate(scans) if code in scan), default=-1)
    return None if last == len(scans) - 1 else last + 1


def _of_listed(
    code: str,
    scans: Sequence[Collection[str]],
    answered: Mapping[str, int],
    leaving: Counter[int | None],
) -> Membership:
    found = [code in scan for scan in scans]
    if found and all(found):
        return Membership.PRESENT
    latest = found[-_NEEDED:]
    if answered.get(code) or len(latest) < _NEEDED or any(latest):
        return Membership.FLICKERING
    if not any(found):
        return Membership.MISSING
    together = leaving[_left_in(code, scans)] > 1
    return Membership.LEFT_TOGETHER if together else Membership.LEFT


def _of_unlisted(
    code: str,
    scans: Sequence[Collection[str]],
    answered: Mapping[str, int],
    listed: Collection[str],
) -> Membership:
    times = sum(code in scan for scan in scans[-_WINDOW:])
    if not answered.get(code):
        return Membership.PHANTOM if times < len(scans) else Membership.UNPROVED
    if times < _NEEDED:
        return Membership.UNPROVED
    families = {other[-2:] for other in listed}
    if families and code[-2:] not in families:
        return Membership.UNLISTED_FAMILY
    return Membership.NEWCOMER
