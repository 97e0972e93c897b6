"""What goes with a whole examination: its probes, alarms before and after, late echoes."""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True, kw_only=True)
class ProbeNote:
    """One probe: what it did, how long it took, what broke it off."""

    name: str
    did: str
    took_s: float
    broke_off: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmFacts:
    """Alarm by computation beside alarm by search, before and after a conversion.

    Each entry: ROM codes that one says and the other does not.
    """

    before: tuple[str, ...] = ()
    after: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class LateFacts:
    """Bursts that were given up because echoes were missing.

    Attributes:
        short: how many.
        came: of these, how many whose every missing echo came later.
    """

    short: int = 0
    came: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class LookFacts:
    """Directed searches of every device in turn, round by round.

    Attributes:
        rounds: how many.
        missed: ROM code -> rounds in which that device did not answer, from 0.
    """

    rounds: int
    missed: dict[str, tuple[int, ...]] = field(default_factory=dict)
