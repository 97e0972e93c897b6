"""What a soak counts, and the verdicts drawn from the counts.

Counts are kept, not readings, so memory stays flat over a night. What was void
because of the adapter is counted apart and can only end in an error, never in a
failed device.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field

from harness.errors import (
    AdapterError,
    AdapterUnplugged,
    CheckValueWrong,
    NobodyAnswers,
)
from harness.families.registry import unit_of
from harness.plans.schema_trials import Soak
from harness.records import CheckResult, DeviceRef, Measurement, Outcome

_BROKEN_HINT = (
    "see each device below: one device is a branch or a part, all together are line, "
    "supply or adapter"
)
_TIMES_HINT = "look at the times in the journal's soak_error lines"


@dataclass(slots=True, kw_only=True)
class Tally:
    """Counts of one device over a soak.

    Attributes:
        device: whose counts.
        tries: times it was asked, those void through the adapter not counted.
        readings: readings taken.
        retries: tries that did not succeed and were repeated.
        lost: readings that failed in all their tries.
        void: readings given up because of the adapter.
        out_of_limits: readings that missed a limit.
        errors: how often each kind of error came.
        lowest: worst value downwards, or None.
        highest: worst value upwards, or None.
        total: sum of all readings.
    """

    device: DeviceRef
    tries: int = 0
    readings: int = 0
    retries: int = 0
    lost: int = 0
    void: int = 0
    out_of_limits: int = 0
    errors: Counter[str] = field(default_factory=Counter)
    lowest: float | None = None
    highest: float | None = None
    total: float = 0.0

    def take(self, value: float) -> None:
        """Count one reading."""
        self.readings += 1
        self.total += value
        self.lowest = value if self.lowest is None else min(self.lowest, value)
        self.highest = value if self.highest is None else max(self.highest, value)


@dataclass(slots=True, kw_only=True)
class SoakCounts:
    """Counts of a whole soak.

    Attributes:
        tallies: one a device.
        cycles: rounds begun.
        late_cycles: rounds that took longer than ``every_s``.
        gaps: how often the adapter was away.
        gap_s: how long altogether.
        away: True if it was still away at the end.
        errors: errors that were not about one device.
    """

    tallies: list[Tally]
    cycles: int = 0
    late_cycles: int = 0
    gaps: int = 0
    gap_s: float = 0.0
    away: bool = False
    errors: Counter[str] = field(default_factory=Counter)

    def errors_of(self, kind: str) -> int:
        """How often a kind of error came, everywhere."""
        return self.errors[kind] + sum(tally.errors[kind] for tally in self.tallies)


def bus_result(body: Soak, counts: SoakCounts) -> CheckResult:
    """The verdict on the bus as a whole."""
    tolerate, tallies = body.tolerate, counts.tallies
    void = Measurement(
        name="void_readings",
        value=sum(tally.void for tally in tallies),
        unit="readings",
        high=tolerate.lost_readings,
    )
    judged = (
        Measurement(name="cycles", value=counts.cycles, unit="cycles", low=1),
        Measurement(
            name="lost_readings",
            value=sum(tally.lost for tally in tallies),
            unit="readings",
            high=tolerate.lost_readings,
        ),
        Measurement(
            name="retries",
            value=sum(tally.retries for tally in tallies),
            unit="tries",
            high=tolerate.retries,
        ),
        Measurement(
            name="check_values",
            value=counts.errors_of(CheckValueWrong.kind),
            unit="errors",
            high=tolerate.check_values,
        ),
    )
    values = (
        *judged,
        Measurement(
            name="missing_presence",
            value=counts.errors_of(NobodyAnswers.kind),
            unit="resets",
        ),
        void,
        Measurement(name="adapter_gaps", value=counts.gaps, unit="gaps"),
        Measurement(name="adapter_away", value=round(counts.gap_s, 3), unit="s"),
    )
    outcome, kind, message, hint = _bus_verdict(counts, judged, void)
    return CheckResult(
        outcome=outcome,
        kind=kind,
        message=message,
        hint=hint,
        measurements=values,
        evidence={"late_cycles": counts.late_cycles, "errors": dict(counts.errors)},
    )


def _bus_verdict(
    counts: SoakCounts, judged: tuple[Measurement, ...], void: Measurement
) -> tuple[Outcome, str, str, str]:
    """Outcome, kind, message and hint; the graver comes first."""
    if counts.away:
        return (
            Outcome.ERROR,
            AdapterUnplugged.kind,
            f"the adapter went away in cycle {counts.cycles} and did not come back",
            AdapterUnplugged.default_hint,
        )
    if not void.holds:
        return (
            Outcome.ERROR,
            AdapterError.kind,
            f"{void.value} readings are void: the adapter failed in all their tries",
            _TIMES_HINT,
        )
    broken = [value for value in judged if not value.holds]
    if broken:
        said = "; ".join(
            f"{value.name} is {value.value}, allowed {value.high or 0:g}"
            for value in broken
        )
        return Outcome.FAILED, "soak", said, _BROKEN_HINT
    return Outcome.PASSED, "", "", ""


def device_result(body: Soak, tally: Tally) -> CheckResult:
    """The verdict on one device."""
    outcome, kind, message = _device_verdict(body, tally)
    return CheckResult(
        outcome=outcome,
        device=tally.device,
        kind=kind,
        message=message,
        hint=(body.hint or _TIMES_HINT) if message else "",
        measurements=(*_counts_of(tally), *_values_of(body, tally)),
        evidence={"errors": dict(tally.errors)},
    )


def _device_verdict(body: Soak, tally: Tally) -> tuple[Outcome, str, str]:
    quantity = body.quantity
    if tally.out_of_limits:
        return (
            Outcome.FAILED,
            "limit",
            f"{tally.out_of_limits} of {tally.readings} readings of {quantity} out of limits",
        )
    if tally.readings:
        return Outcome.PASSED, "", ""
    if tally.lost:
        return (
            Outcome.FAILED,
            "lost",
            f"no {quantity} was read in {tally.tries} tries",
        )
    return (
        Outcome.ERROR,
        AdapterError.kind,
        f"no {quantity} was read: the adapter failed or was away each time",
    )


def _counts_of(tally: Tally) -> tuple[Measurement, ...]:
    return (
        Measurement(name="readings", value=tally.readings, unit="readings", low=1),
        Measurement(name="tries", value=tally.tries, unit="tries"),
        Measurement(name="retries", value=tally.retries, unit="tries"),
        Measurement(name="lost_readings", value=tally.lost, unit="readings"),
        Measurement(
            name="check_values",
            value=tally.errors[CheckValueWrong.kind],
            unit="errors",
        ),
        Measurement(
            name="missing_presence",
            value=tally.errors[NobodyAnswers.kind],
            unit="resets",
        ),
        Measurement(
            name="out_of_limits", value=tally.out_of_limits, unit="readings", high=0
        ),
    )


def _values_of(body: Soak, tally: Tally) -> tuple[Measurement, ...]:
    """Worst values and mean; nothing if there was no reading."""
    if tally.lowest is None or tally.highest is None:
        return ()
    quantity, low, high = body.quantity, body.low, body.high
    unit = unit_of(tally.device.family, quantity)
    lowest, highest = (
        Measurement(
            name=f"{quantity}_{which}", value=value, unit=unit, low=low, high=high
        )
        for which, value in (("lowest", tally.lowest), ("highest", tally.highest))
    )
    mean = round(tally.total / tally.readings, 4)
    return lowest, highest, Measurement(name=f"{quantity}_mean", value=mean, unit=unit)
