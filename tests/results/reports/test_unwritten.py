"""Whose fault it is that a page could not be written."""

from __future__ import annotations

import errno
from pathlib import Path

import pytest

from harness.errors import HostError, SlotproofError, UsageError
from harness.results.reports.unwritten import unwritten


@pytest.mark.parametrize(
    ("number", "kind"),
    [
        (errno.ENOSPC, HostError),
        (errno.EFBIG, HostError),
        (errno.EROFS, HostError),
        (errno.EACCES, UsageError),
        (errno.ENOTDIR, UsageError),
    ],
)
def test_a_full_disk_is_the_hosts(number: int, kind: type[SlotproofError]) -> None:
    """A disk that takes no more is an error of the bench, a wrong folder one of the caller."""
    fault = OSError(number, "as the system says")
    told = unwritten(fault, what="the page", folder=Path("f"), cure="make it again")
    assert type(told) is kind
    assert told.what == "the page cannot be written: as the system says"
    assert told.where == "f"
    assert ("make it again" in told.hint) == (kind is HostError)
