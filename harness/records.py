"""What the rooms hand to each other: outcomes, measured values, results.

Frozen records only, no behaviour beyond judging a value against its limits and
turning into plain JSON types (``as_dict``) and back (``from_dict``).
"""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass, field
from enum import StrEnum
from typing import Any, Self

Scalar = float | int | str | bool

PLAN_AND_FIXTURE = "plan and fixture disagree"
"""Begins the hint of a failure that a wrong file explains; the headline of a run says it."""


class Outcome(StrEnum):
    """Verdict of a check, a step or a run; the worst of its parts counts.

    Example:
        >>> import harness
        >>> harness.Outcome.worst([harness.Outcome.PASSED, harness.Outcome.FAILED])
        <Outcome.FAILED: 'failed'>
        >>> [str(outcome) for outcome in harness.Outcome]
        ['passed', 'skipped', 'failed', 'error']
    """

    PASSED = "passed"
    SKIPPED = "skipped"
    FAILED = "failed"
    ERROR = "error"

    @property
    def severity(self) -> int:
        """0 for passed up to 3 for error."""
        return _SEVERITY[self]

    @staticmethod
    def worst(outcomes: list[Outcome]) -> Outcome:
        """The gravest; passed if there is none. Skips do not spoil a pass."""
        graver = [o for o in outcomes if o is not Outcome.SKIPPED]
        if not graver and outcomes:
            return Outcome.SKIPPED
        return max(graver, key=lambda o: o.severity, default=Outcome.PASSED)


_SEVERITY = {
    Outcome.PASSED: 0,
    Outcome.SKIPPED: 1,
    Outcome.FAILED: 2,
    Outcome.ERROR: 3,
}


class Bound(StrEnum):
    """Which side of a one-sided bound the true value lies on."""

    AT_MOST = "at most"
    AT_LEAST = "at least"


class Side(StrEnum):
    """What a value says about one limit."""

    MET = "met"
    MISSED = "missed"
    OPEN = "open"
    """The value is a bound, and what it leaves open lies on both sides of the limit."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DeviceRef:
    """Which device: the fixture's socket where known, and the ROM code in print form."""

    rom_code: str
    family: int
    socket: str = ""

    @property
    def label(self) -> str:
        """Short form for tables and report names, such as ``A1 1E0000A4B3C2D101``."""
        return f"{self.socket} {self.rom_code}".strip()


@dataclass(frozen=True, slots=True, kw_only=True)
class Measurement:
    """One measured value, or a bound on one, beside its limits.

    Attributes:
        name: quantity, in the words of the plan (``temperature``).
        value: a number, a text or a truth value; of a bound, the bound.
        unit: as printed (``degC``, ``us``); empty if it has none.
        low: lowest allowed value, or None.
        high: highest allowed value, or None.
        uncertainty: half width in the same unit, or None where not stated; a bound
            has none.
        bound: on which side of ``value`` the true value lies; None if ``value`` is it.
        wanted: for values that are not numbers, the value that must be met.
        criterion: what else the value was judged by, in words (``CRC right``); empty
            where limits or ``wanted`` say it.
        beyond_doubt: True if only a value outside by more than its uncertainty
            breaks the limit.

    Raises:
        ValueError: a bound with an uncertainty, or one that is no number.

    Example:
        >>> import harness
        >>> harness.Measurement(name="humidity", value=61.0, unit="%RH", high=60).holds
        False
    """

    name: str
    value: Scalar
    unit: str = ""
    low: float | None = None
    high: float | None = None
    uncertainty: float | None = None
    bound: Bound | None = None
    wanted: Scalar | None = None
    criterion: str = ""
    beyond_doubt: bool = False

    def __post_init__(self) -> None:
        """Refuse what no value can be."""
        if self.bound is None:
            return
        if self.uncertainty is not None or isinstance(self.value, str | bool):
            raise ValueError(f"{self.name}: a bound is a number without uncertainty")

    @property
    def low_side(self) -> Side | None:
        """What the value says about the low limit; None if there is none to judge."""
        value, low = self.value, self.low
        if low is None or isinstance(value, str | bool):
            return None
        if self.bound is Bound.AT_MOST:
            return Side.MISSED if value < low else Side.OPEN
        if value >= low - self._doubt:
            return Side.MET
        return Side.OPEN if self.bound else Side.MISSED

    @property
    def high_side(self) -> Side | None:
        """As ``low_side``, for the high limit."""
        value, high = self.value, self.high
        if high is None or isinstance(value, str | bool):
            return None
        if self.bound is Bound.AT_LEAST:
            return Side.MISSED if value > high else Side.OPEN
        if value <= high + self._doubt:
            return Side.MET
        return Side.OPEN if self.bound else Side.MISSED

    @property
    def _doubt(self) -> float:
        return (self.uncertainty or 0.0) if self.beyond_doubt else 0.0

    @property
    def holds(self) -> bool:
        """True if no limit is missed (the limits belong to it)."""
        if self.wanted is not None and self.value != self.wanted:
            return False
        return Side.MISSED not in (self.low_side, self.high_side)

    @property
    def shown(self) -> bool:
        """True if every limit is met, none is left open."""
        return self.holds and Side.OPEN not in (self.low_side, self.high_side)

    @property
    def in_doubt(self) -> bool:
        """True if its uncertainty reaches a limit, on whichever side of it the value is."""
        if isinstance(self.value, str | bool) or not self.uncertainty:
            return False
        gaps = [
            abs(self.value - limit)
            for limit in (self.low, self.high)
            if limit is not None
        ]
        return min(gaps, default=math.inf) < self.uncertainty

    @property
    def is_judged(self) -> bool:
        """True if there is anything that it was judged by."""
        limits = (self.low, self.high, self.wanted)
        return bool(self.criterion) or any(limit is not None for limit in limits)

    @property
    def margin(self) -> float | None:
        """Distance to the nearest limit that could be judged, negative beyond it.

        In the value's unit; None without such a limit. Of a bound it is the least
        distance that is certain.
        """
        if isinstance(self.value, str | bool):
            return None
        gaps = []
        if self.low is not None and self.low_side is not Side.OPEN:
            gaps.append(self.value - self.low)
        if self.high is not None and self.high_side is not Side.OPEN:
            gaps.append(self.high - self.value)
        return min(gaps, default=None)

    def as_dict(self) -> dict[str, Any]:
        """Plain JSON types; fields that say nothing are left out."""
        return {
            key: value
            for key, value in asdict(self).items()
            if value is not None
            and not (key in {"unit", "criterion"} and value == "")
            and not (key == "beyond_doubt" and not value)
        }

    @classmethod
    def from_dict(cls, data: dict[str, Any]) -> Self:
        """The inverse of ``as_dict``."""
        bound = data.get("bound")
        return cls(**{**data, "bound": Bound(bound) if bound else None})


@dataclass(frozen=True, slots=True, kw_only=True)
class Attempt:
    """One try that did not pass: the outcome, a short kind and the sentence."""

    outcome: Outcome
    kind: str
    message: str


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckResult:
    """What one step found on one device (or on the bus, if ``device`` is None).

    Attributes:
        outcome: the verdict.
        kind: short fixed word for the reason (``limit``, ``check-value``); empty if passed.
        message: one sentence with the numbers; of a pass, how much of what was asked for
            was tried or judged, empty if all.
        hint: what a technician tries first; empty if passed.
        measurements: the values behind the verdict.
        retries: the tries that went before this one, first try first.
        duration_s: time on the port's clock.
        evidence: further plain-JSON facts, such as graded echoes.
        notes: sentences that a reader of the verdict must know, such as what the step
            had to make up for.
    """

    outcome: Outcome
    device: DeviceRef | None = None
    kind: str = ""
    message: str = ""
    hint: str = ""
    measurements: tuple[Measurement, ...] = ()
    retries: tuple[Attempt, ...] = ()
    duration_s: float = 0.0
    evidence: dict[str, Any] = field(default_factory=dict)
    notes: tuple[str, ...] = ()

    def as_dict(self) -> dict[str, Any]:
        """Plain JSON types, as written to the journal."""
        data: dict[str, Any] = {
            "outcome": str(self.outcome),
            "device": asdict(self.device) if self.device else None,
            "duration_s": self.duration_s,
            "measurements": [m.as_dict() for m in self.measurements],
        }
        for key in ("kind", "message", "hint"):
            if getattr(self, key):
                data[key] = getattr(self, key)
        if self.retries:
            data["retries"] = [asdict(r) for r in self.retries]
        if self.evidence:
            data["evidence"] = self.evidence
        if self.notes:
            data["notes"] = list(self.notes)
        return data

    @classmethod
    def from_dict(cls, data: dict[str, Any]) -> Self:
        """The inverse of ``as_dict``; keys it does not know are ignored."""
        device = data.get("device")
        return cls(
            outcome=Outcome(data["outcome"]),
            device=DeviceRef(**device) if device else None,
            kind=data.get("kind", ""),
            message=data.get("message", ""),
            hint=data.get("hint", ""),
            measurements=tuple(
                Measurement.from_dict(_with_bound(m, data))
                for m in data.get("measurements", ())
            ),
            retries=tuple(
                Attempt(
                    outcome=Outcome(r["outcome"]), kind=r["kind"], message=r["message"]
                )
                for r in data.get("retries", ())
            ),
            duration_s=data.get("duration_s", 0.0),
            evidence=data.get("evidence", {}),
            notes=tuple(data.get("notes", ())),
        )


def _with_bound(measured: dict[str, Any], result: dict[str, Any]) -> dict[str, Any]:
    """A value of an older journal, where the evidence alone said that it is a bound."""
    evidence = result.get("evidence", {}).get("timing", {})
    bound = evidence.get(measured.get("name"), {}).get("bound")
    if not bound or "bound" in measured:
        return measured
    return {key: v for key, v in measured.items() if key != "uncertainty"} | {
        "bound": bound
    }
