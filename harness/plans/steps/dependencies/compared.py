"""What a run has read of its references, and which devices were compared with that.

One conversion serves all devices, so its reading of the reference is kept. A device
that was compared with it once needs a new conversion for its next comparison: the same
pair of readings again would be no second one.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from harness.families.family import Answer


@dataclass(frozen=True, slots=True, kw_only=True)
class ReferenceReading:
    """One reading of a reference.

    Attributes:
        answer: what it said.
        conversion_s: when the conversion was over that it is of, on the port's clock.
    """

    answer: Answer
    conversion_s: float


@dataclass(slots=True)
class Compared:
    """Readings of the references of a run, by ROM code, and who used them."""

    readings: dict[str, ReferenceReading] = field(default_factory=dict)
    used: set[tuple[str, str, float]] = field(default_factory=set)

    def take(self, step: str, rom_code: str, conversion_s: float) -> None:
        """A device was compared in a step with the readings of a conversion."""
        self.used.add((step, rom_code, conversion_s))

    def is_used(self, step: str, rom_code: str, conversion_s: float) -> bool:
        """True if a device was compared in this step with that conversion before."""
        return (step, rom_code, conversion_s) in self.used
