"""Which conversion each device holds: made in this run, by which step, how long ago.

A right CRC says nothing of the age of a value. So a reading that begins no conversion
of its own is judged only if its device is known to hold one of this run. Whatever may
take it away, such as a loss of supply, is noted with its reason.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass

from harness.clock import Clock
from harness.families.common.conversion import conversions_begun, last_conversion_ended
from harness.families.family import Session


@dataclass(frozen=True, slots=True, kw_only=True)
class Held:
    """A conversion whose result a device holds.

    Attributes:
        step: number of the step that made it.
        together: True if one command started those of several devices.
        ended_s: when it was over, seconds on the port's clock.
    """

    step: str
    together: bool
    ended_s: float

    def described(self, now_s: float) -> str:
        """In words, with its age."""
        kind = "of all together" if self.together else "of this device"
        return f"{kind}, by step {self.step}, {now_s - self.ended_s:.3g} s ago"


class Conversions:
    """What each device of a run holds, by ROM code."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._held: dict[str, Held] = {}
        self._why: dict[str, str] = {}
        self._why_all = ""
        self._flags: dict[str, str] = {}

    def of(self, rom_code: str) -> Held | None:
        """The conversion that a device holds, or None."""
        return self._held.get(rom_code)

    def why_none(self, rom_code: str) -> str:
        """What took away the last one; empty if there was none in this run."""
        return self._why.get(rom_code, self._why_all)

    def hold(self, rom_codes: Iterable[str], *, step: str, together: bool) -> None:
        """Devices hold a new conversion."""
        held = Held(step=step, together=together, ended_s=self._clock.now_s())
        for code in rom_codes:
            self._held[code] = held
            self._why.pop(code, None)
            self._flags.pop(code, None)

    def spoil_flag(self, rom_code: str, why: str) -> None:
        """A device's alarm flag is not that of its limits in force.

        It is set by a conversion, against the limits that were in force then.
        """
        self._flags[rom_code] = why

    def why_no_flag(self, rom_code: str) -> str:
        """What spoiled a device's alarm flag since its last conversion, or empty."""
        return self._flags.get(rom_code, "")

    def lose(self, rom_code: str, why: str) -> None:
        """A device holds nothing that is known.

        Args:
            rom_code: the device.
            why: what happened, a clause without a full stop.
        """
        if self._held.pop(rom_code, None) is not None or rom_code not in self._why:
            self._why[rom_code] = why

    def lose_all(self, why: str) -> None:
        """No device holds anything that is known; ``why`` as for ``lose``."""
        self._held.clear()
        self._why.clear()
        self._why_all = why

    @contextmanager
    def watched(self, session: Session, *, step: str, title: str) -> Iterator[None]:
        """Account for the conversions that a device is put to by itself inside."""
        before = conversions_begun(session)
        try:
            yield
        finally:
            if conversions_begun(session) != before:
                self._take(session, step, title)

    def _take(self, session: Session, step: str, title: str) -> None:
        code = str(session.rom)
        if last_conversion_ended(session):
            self.hold([code], step=step, together=False)
        else:
            self.lose(code, f"the conversion in {title} did not come to its end")
