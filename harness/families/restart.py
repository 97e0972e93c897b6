"""What shows that a device restarted, or lost its settings.

A supply that fails for a moment leaves no trace on the line. What it leaves is in the
device: a flag that is set again, a register back at its reset value, an oscillator that
stands. A row names that trace, what it reads after a restart, and what else of the
device must not be believed from there on.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum

from harness.families.session import Session
from harness.records import Scalar


class Trace(StrEnum):
    """Which kind of trace a restart leaves."""

    FLAG = "power-on flag"
    SETTING = "volatile setting"
    OUTPUT = "output"
    READING = "reading from before the first conversion"
    OSCILLATOR = "oscillator"
    MARKER = "marker"
    COUNT = "count"
    SELECTION = "selection"
    SCRATCHPAD = "scratchpad"


class AfterRestart(StrEnum):
    """Values after a restart that are no constants."""

    STORED = "as stored in non-volatile memory"
    RANDOM = "random"
    REFUSED = "held back as a power-on value"


@dataclass(frozen=True, slots=True, kw_only=True)
class RestartSign:
    """One trace of a restart.

    Attributes:
        shown_by: name of the quantity that shows it, or of the function if no quantity
            does (then ``read`` asks).
        trace: which kind.
        after: what reads so after a restart: a value, or what kind of value.
        governs: names of quantities, settings and checks of the family that must not
            be believed once it shows; ``ALARM_SEARCH`` for the conditional search.
        read: asks the device where no quantity does, and changes nothing.
        when: what must hold for the trace to show; empty if always.
        about: one sentence for people.
        source: what it was taken from; "from memory" where that is true.
    """

    shown_by: str
    trace: Trace
    after: Scalar | AfterRestart
    governs: frozenset[str] = frozenset()
    read: Callable[[Session], Scalar] | None = None
    when: str = ""
    about: str
    source: str

    @property
    def after_in_words(self) -> str:
        """What reads after a restart, as printed."""
        if isinstance(self.after, bool):
            return "true" if self.after else "false"
        return str(self.after)
