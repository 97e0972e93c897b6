"""The verdicts drawn from what a soak counted, and what may be claimed from it."""

from __future__ import annotations

from collections.abc import Iterator

from harness.digits import amount_text, limit_text
from harness.errors import (
    AdapterError,
    AdapterUnplugged,
    CheckValueWrong,
    NobodyAnswers,
)
from harness.plans.schema.soak import Soak
from harness.plans.steps.soak.blame import (
    culprits,
    is_lossy,
    lost_text,
    lost_too_many,
    own,
)
from harness.plans.steps.soak.drifting import OwnDrift
from harness.plans.steps.soak.stop import StopRule
from harness.plans.steps.soak.tally import SoakCounts, SoakTally
from harness.quality.rates import proportion_at_most
from harness.records import Bound, CheckResult, Measurement, Outcome

_BROKEN_HINT = (
    "one device: look at its branch, contact or the device itself; all together: line, "
    "supply or adapter"
)
_LOST_HINT = (
    "look at its branch and contact, then swap it; the times stand in the journal's "
    "soak_error lines"
)
_ALIKE_HINT = (
    "other devices lose readings too, and none more than chance: look at line, supply "
    "and adapter first"
)
_TIMES_HINT = "look at the times in the journal's soak_error lines"
_DRIFT_HINT = (
    "let it change places with a neighbour and repeat: what goes with the device is its "
    "own, what stays is the position; where positions differ, set tolerate.drift"
)
_CLAIM_HINT = "the more errors, the longer it takes: see the report, or run longer"
_PER_TRY = "per try"
_CONFIDENCE = 0.95


def bus_result(body: Soak, counts: SoakCounts, *, go_on: str = "") -> CheckResult:
    """The verdict on the bus as a whole.

    Args:
        body: the step.
        counts: what it counted.
        go_on: command that takes the run up again, where it is known.
    """
    tolerate, tallies = body.tolerate, counts.tallies
    invalid = Measurement(
        name="invalid_readings",
        value=sum(tally.invalid for tally in tallies),
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
        invalid,
        Measurement(name="adapter_gaps", value=counts.gaps, unit="gaps"),
        Measurement(name="adapter_away", value=round(counts.gap_s, 3), unit="s"),
    )
    rates = _rates(body, of="bus", failed=counts.failed, asked=counts.asked)
    outcome, kind, message, hint = _bus_verdict(counts, judged, invalid)
    if counts.away and go_on:
        hint = f"{hint}; then the soak goes on where it was with: {go_on}"
    if outcome is Outcome.PASSED and (unproven := _unproven(rates)):
        outcome, kind, message, hint = Outcome.FAILED, "claim", unproven, _CLAIM_HINT
    return CheckResult(
        outcome=outcome,
        kind=kind,
        message=message,
        hint=hint,
        measurements=(*values, *rates),
        duration_s=_bus_time_s(counts),
        evidence={"late_cycles": counts.late_cycles, "errors": dict(counts.errors)},
    )


def _bus_time_s(counts: SoakCounts) -> float:
    """What the soak took beside the tries of its devices, which have their own time."""
    devices_s = sum(tally.duration_s for tally in counts.tallies)
    return round(max(0.0, counts.elapsed_s - devices_s), 6)


def _bus_verdict(
    counts: SoakCounts, judged: tuple[Measurement, ...], invalid: Measurement
) -> tuple[Outcome, str, str, str]:
    """Outcome, kind, message and hint; the graver comes first."""
    if counts.away:
        return (
            Outcome.ERROR,
            AdapterUnplugged.kind,
            f"the adapter went away in cycle {counts.cycles + 1} and did not come back",
            AdapterUnplugged.default_hint,
        )
    if not invalid.holds:
        return (
            Outcome.ERROR,
            AdapterError.kind,
            f"{invalid.value} readings are invalid: the adapter failed in all their tries",
            _TIMES_HINT,
        )
    if counts.stopped:
        return Outcome.FAILED, "stopped", counts.stopped, _broken_hint(counts)
    broken = [value for value in judged if not value.holds]
    if broken:
        said = "; ".join(
            f"{value.name} is {value.value}, allowed {value.high or 0:g}"
            f"{culprits(counts, value.name)}"
            for value in broken
        )
        return Outcome.FAILED, "soak", said, _broken_hint(counts)
    return Outcome.PASSED, "", "", ""


def device_result(
    body: Soak,
    tally: SoakTally,
    counts: SoakCounts,
    *,
    unit: str,
    drift: OwnDrift | None = None,
) -> CheckResult:
    """The verdict on one device, by its own readings.

    It fails where it alone exceeds what the plan allows to all devices together, and
    where all together exceed it and it lost more than its share by chance.
    """
    outcome, kind, message = _device_verdict(body, tally, counts)
    if drift is not None:
        said = _drift_text(body, drift, unit)
        message = f"{message}; {said}" if message else said
        if drift.is_fault and outcome is Outcome.PASSED:
            outcome, kind = Outcome.FAILED, "drift"
    rates = _rates(body, of="each-device", failed=tally.failed, asked=tally.asked)
    if outcome is Outcome.PASSED and (unproven := _unproven(rates)):
        outcome, kind, message = Outcome.FAILED, "claim", unproven
    return CheckResult(
        outcome=outcome,
        device=tally.device,
        kind=kind,
        message=message,
        hint="" if outcome is Outcome.PASSED else _hint(body, kind, tally, counts),
        measurements=(
            *_counts_of(body, tally),
            *_values_of(body, tally, unit),
            *_drift_of(body, drift, unit),
            *rates,
        ),
        duration_s=round(tally.duration_s, 6),
        evidence={"errors": dict(tally.errors)},
    )


def _broken_hint(counts: SoakCounts) -> str:
    """Where to look first; the device that stands out is named."""
    lossy = [tally.device.label for tally in counts.tallies if is_lossy(tally, counts)]
    if not lossy:
        return _BROKEN_HINT
    return f"look at {' and '.join(lossy)} first: its branch and contact, then swap it"


def _hint(body: Soak, kind: str, tally: SoakTally, counts: SoakCounts) -> str:
    if kind == "drift" and not body.hint:
        return _DRIFT_HINT
    if body.hint or kind != "lost":
        return body.hint or _TIMES_HINT
    others = any(t.own_lost for t in counts.tallies if t is not tally)
    return _ALIKE_HINT if others and not is_lossy(tally, counts) else _LOST_HINT


def _rates(body: Soak, *, of: str, failed: int, asked: int) -> tuple[Measurement, ...]:
    """Error rate and what may be claimed of it; nothing if nothing was asked.

    The bound is exact and one-sided (Clopper and Pearson; NIST/SEMATECH e-Handbook,
    7.2.4.1) and takes errors as independent; the report shows whether they are.
    """
    if not asked:
        return ()
    claim = body.claim
    bound = proportion_at_most(
        errors=failed,
        trials=asked,
        confidence=claim.confidence if claim else _CONFIDENCE,
    )
    return (
        Measurement(name="error_rate", value=failed / asked, unit=_PER_TRY),
        Measurement(
            name="error_rate_at_most",
            value=float(f"{bound:.6g}"),
            unit=_PER_TRY,
            high=claim.error_rate if claim and claim.of == of else None,
            bound=Bound.AT_MOST,
        ),
    )


def _unproven(rates: tuple[Measurement, ...]) -> str:
    """What the plan claims and the soak did not prove; empty if all is proved."""
    for rate in rates:
        if not rate.shown:
            return (
                f"an error rate of {amount_text(rate)} is proved, "
                f"the plan claims {limit_text(rate.high or 0.0)}"
            )
    return ""


def _device_verdict(
    body: Soak, tally: SoakTally, counts: SoakCounts
) -> tuple[Outcome, str, str]:
    """Outcome, kind and message; what was lost is said whatever the outcome."""
    if not tally.readings:
        return _no_reading(body, tally)
    quantity, lost = body.quantity, lost_text(body, tally, counts)
    if tally.out_of_limits:
        kind = "limit"
        said = f"{tally.out_of_limits} of {tally.readings} readings of {quantity} out of limits"
    elif lost_too_many(body, tally, counts):
        return Outcome.FAILED, "lost", lost
    elif counts.stopped and StopRule(body.stop_at).is_bad_rate(tally):
        kind = "stopped"
        said = (
            f"{tally.failed} of {tally.asked} tries failed, by itself beyond the rate at "
            "which the plan stops"
        )
    elif said := "; ".join(_beyond(body, tally)):
        kind = "soak"
    else:
        return Outcome.PASSED, "", lost
    return Outcome.FAILED, kind, f"{said}; {lost}" if lost else said


def _no_reading(body: Soak, tally: SoakTally) -> tuple[Outcome, str, str]:
    if tally.lost:
        message = f"no {body.quantity} was read in {tally.tries} tries"
        return Outcome.FAILED, "lost", message
    return (
        Outcome.ERROR,
        AdapterError.kind,
        f"no {body.quantity} was read: the adapter failed or was away each time",
    )


def _beyond(body: Soak, tally: SoakTally) -> Iterator[str]:
    """Which of the plan's other limits the device exceeds alone, in words."""
    for name, what, most in (
        ("retries", "retries", body.tolerate.retries),
        ("check_values", "wrong check values", body.tolerate.check_values),
    ):
        if most is not None and own(tally, name) > most:
            yield f"{own(tally, name)} {what}, allowed {most}"


def _counts_of(body: Soak, tally: SoakTally) -> tuple[Measurement, ...]:
    tolerate = body.tolerate
    return (
        Measurement(name="readings", value=tally.readings, unit="readings", low=1),
        Measurement(name="tries", value=tally.tries, unit="tries"),
        Measurement(
            name="retries", value=tally.retries, unit="tries", high=tolerate.retries
        ),
        Measurement(
            name="lost_readings",
            value=tally.own_lost,
            unit="readings",
            high=tolerate.lost_readings,
        ),
        Measurement(name="lost_with_all", value=tally.lost_together, unit="readings"),
        Measurement(
            name="check_values",
            value=tally.errors[CheckValueWrong.kind],
            unit="errors",
            high=tolerate.check_values,
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


def _values_of(body: Soak, tally: SoakTally, unit: str) -> tuple[Measurement, ...]:
    """Worst values and mean; nothing if there was no reading."""
    if tally.lowest is None or tally.highest is None:
        return ()
    quantity, low, high = body.quantity, body.low, body.high
    lowest, highest = (
        Measurement(
            name=f"{quantity}_{which}", value=value, unit=unit, low=low, high=high
        )
        for which, value in (("lowest", tally.lowest), ("highest", tally.highest))
    )
    mean = round(tally.total / tally.readings, 4)
    return lowest, highest, Measurement(name=f"{quantity}_mean", value=mean, unit=unit)


def _drift_text(body: Soak, drift: OwnDrift, unit: str) -> str:
    """How the device moves unlike its neighbours, in words."""
    return (
        f"{body.quantity} drifts by {drift.change:+.2g} {unit} ({drift.per_h:+.2g} an "
        f"hour) against its {drift.others} neighbours: neither noise nor steps of the "
        f"readings explain it; allowed {limit_text(drift.allowed)} {unit}"
    )


def _drift_of(body: Soak, drift: OwnDrift | None, unit: str) -> tuple[Measurement, ...]:
    """The drift against the neighbours, with its limits; nothing where there is none."""
    if drift is None:
        return ()
    return (
        Measurement(
            name=f"{body.quantity}_drift",
            value=round(drift.change, 4),
            unit=unit,
            low=-drift.allowed,
            high=drift.allowed,
        ),
    )
