"""A page or report that could not be written, and the cause."""

from __future__ import annotations

import errno
from pathlib import Path

from harness.errors import HostError, SlotproofError, UsageError

_DISK_ERRORS = frozenset(
    {
        errno.ENOSPC,
        getattr(errno, "EDQUOT", errno.ENOSPC),
        errno.EFBIG,
        errno.EIO,
        errno.EROFS,
    }
)
"""No space, quota, file too large, input/output error, read-only since an error."""


def unwritten(
    fault: OSError, *, what: str, folder: Path, cure: str = ""
) -> SlotproofError:
    """The error for it: a disk that takes no more is the host's, a wrong folder ours.

    Args:
        fault: as the system said.
        what: what was to be written, such as ``the reports``.
        folder: where to.
        cure: how it can be had once there is room.
    """
    said = f"{what} cannot be written: {fault.strerror}"
    if fault.errno in _DISK_ERRORS:
        return HostError(
            said,
            where=str(folder),
            hint=f"make room on that disk; {cure}" if cure else "",
        )
    return UsageError(
        said, where=str(folder), hint="name a folder that you may write to"
    )
