"""How much an examination takes upon itself."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Effort:
    """How much an examination takes upon itself.

    Attributes:
        listen_s: time to listen on the idle line.
        resets: resets at each rate.
        slots: slots for the echo statistics.
        scans: searches of the whole bus.
        verifies: directed searches of each device.
        reads: repeated reads of each block.
        rounds: conversions of all thermometers together.
        alone: conversions of each thermometer that has its own supply.
        separating_s: most time for probes that only tell standing causes apart.
        means: most readings of what is worth a mean, such as a current at no load.
    """

    listen_s: float = 15.0
    resets: int = 20
    slots: int = 4000
    scans: int = 5
    verifies: int = 30
    reads: int = 20
    rounds: int = 4
    alone: int = 2
    means: int = 32
    separating_s: float = 40.0

    @classmethod
    def short(cls) -> Effort:
        """For a step that failed in a run: seconds, not minutes."""
        return cls(
            listen_s=1.0,
            resets=10,
            slots=1000,
            scans=2,
            verifies=5,
            reads=5,
            rounds=1,
            alone=1,
            means=8,
            separating_s=8.0,
        )
