"""The way to an instrument: text out, text back, within a time.

Rule: after a time-out the link is closed, opened and the instrument identified anew
before anything else is asked. An answer that comes late would else be taken for the
answer to the next question.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from typing import Any, Protocol

from harness.errors import InstrumentFault, UsageError
from harness.instruments.row import InstrumentRow
from harness.lazy import pyvisa

_MOST_LATE = 100
"""Late messages that are dropped at most; one that talks on without end fails by what it
says then."""


class LinkLost(Exception):
    """No answer in time, or the connection broke."""


class Link(Protocol):
    """An open connection."""

    def write(self, text: str) -> None:
        """Send a command.

        Raises:
            LinkLost: the connection is gone.
        """
        ...

    def query(self, text: str) -> str:
        """Send a query; its answer without white space around.

        Raises:
            LinkLost: no answer in time, or the connection is gone.
        """
        ...

    def drain(self) -> None:
        """Read and drop what still comes, until nothing does; never raises.

        A serial line or a gateway that serves several connections brings an answer that
        is late even after the link was opened anew.
        """
        ...

    def close(self) -> None:
        """Close it; never raises."""
        ...


Connect = Callable[[InstrumentRow], Link]


def connect(row: InstrumentRow) -> Link:
    """Open an instrument by its VISA resource name.

    Raises:
        UsageError: PyVISA is not installed, or the name is no resource name.
        InstrumentFault: the library or the instrument cannot be reached.
    """
    try:
        manager = pyvisa.ResourceManager(row.library)
        resource = manager.open_resource(
            row.resource,
            timeout=round(row.timeout_s * 1000),
            open_timeout=round(row.timeout_s * 1000),
            read_termination=row.ends_with,
            write_termination=row.ends_with,
        )
    except ImportError as fault:
        raise UsageError(
            f"instruments need PyVISA, which is not installed ({fault})",
            hint='pip install "slotproof[instruments]"',
        ) from None
    except Exception as fault:
        raise InstrumentFault(
            f"it cannot be opened: {_told(fault)}",
            where=f"{row.name} ({row.resource})",
        ) from fault
    return _VisaLink(resource)


def _told(fault: BaseException) -> str:
    return " ".join(str(fault).split()) or type(fault).__name__


class _VisaLink:
    """A message-based resource of PyVISA."""

    def __init__(self, resource: Any) -> None:  # noqa: ANN401 - has no common type
        self._resource = resource

    def write(self, text: str) -> None:
        try:
            self._resource.write(text)
        except Exception as fault:
            raise LinkLost(_told(fault)) from fault

    def query(self, text: str) -> str:
        try:
            return str(self._resource.query(text)).strip()
        except Exception as fault:
            raise LinkLost(_told(fault)) from fault

    def drain(self) -> None:
        with suppress(Exception):
            for _ in range(_MOST_LATE):
                self._resource.read()

    def close(self) -> None:
        with suppress(Exception):
            self._resource.close()
