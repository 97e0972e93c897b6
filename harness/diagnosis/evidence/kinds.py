"""What devices of all kinds said, and the check of a plan that failed: plain numbers."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from harness.journal_form import ReadScalar
from harness.records import Scalar


@dataclass(frozen=True, slots=True, kw_only=True)
class KindReading:
    """A quantity that a device was asked for.

    Attributes:
        quantity: its name in the family.
        unit: as printed; empty for texts.
        values: what came, in its order; empty if nothing did.
        tries: how often it was asked for.
        troubles: kind of error -> count, of the tries that brought nothing.
        said: what the last error said.
        facts: what the family told besides the last value or error.
        watched: True if it must not move during an examination.
    """

    quantity: str
    unit: str = ""
    values: tuple[ReadScalar, ...] = ()
    tries: int = 0
    troubles: dict[str, int] = field(default_factory=dict)
    said: str = ""
    facts: dict[str, Any] = field(default_factory=dict)
    watched: bool = False

    @property
    def value(self) -> Scalar | None:
        """The last that came, or None."""
        return self.values[-1] if self.values else None

    @property
    def numbers(self) -> list[float]:
        """The values that are numbers."""
        return [float(v) for v in self.values if not isinstance(v, str | bool)]

    @property
    def spread(self) -> float:
        """Greatest less least of the numbers."""
        return max(self.numbers) - min(self.numbers) if self.numbers else 0.0

    def always(self, trouble: str) -> bool:
        """True if every try ended in this kind of error."""
        return self.tries > 0 and self.troubles.get(trouble, 0) == self.tries


@dataclass(frozen=True, slots=True, kw_only=True)
class FailedCheck:
    """The step of a plan that did not pass, as far as a rule can use it.

    Attributes:
        step: kind of the step, such as ``check``.
        what: its main key, such as ``memory_write``.
        kind: short word of the reason, such as ``answer-impossible`` or ``limit``.
        says: the sentence with the numbers.
        device: ROM code in print form; empty if it is about the bus.
        socket: from the fixture, or empty.
        family: code; None if it is about the bus.
        facts: what the family's error told, or what its check found.
        values: measured values by name.
        units: their units.
        beyond: names of those outside their limits.
    """

    step: str
    kind: str
    says: str
    what: str = ""
    device: str = ""
    socket: str = ""
    family: int | None = None
    facts: dict[str, Any] = field(default_factory=dict)
    values: dict[str, ReadScalar] = field(default_factory=dict)
    units: dict[str, str] = field(default_factory=dict)
    beyond: tuple[str, ...] = ()

    @property
    def name(self) -> str:
        """Socket and ROM code of the device."""
        return f"{self.socket} {self.device}".strip()
