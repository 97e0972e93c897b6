"""The difference of two readings: correction, uncertainty budget, guard band, verdict."""

from __future__ import annotations

from dataclasses import dataclass, replace

from harness.digits import number_text, quantity_text
from harness.errors import UsageError
from harness.families.family import Answer
from harness.plans.schema.bodies import Read
from harness.plans.schema.references import (
    AgainstReference,
    Calibration,
    difference_unit,
)
from harness.plans.steps.attempts import sentence
from harness.plans.steps.context import Context
from harness.quality.corrections import between_points, fit_line, require_within
from harness.quality.guard import GuardedLimits, Proof, guarded_limits
from harness.quality.uncertainty import (
    Contribution,
    expanded_uncertainty,
    from_expanded,
    from_half_width,
)
from harness.records import Attempt, CheckResult, DeviceRef, Measurement, Outcome

_DIFFERS_HINT = (
    "repeat it with the device in another position of the bath: what comes again there is its "
    "own error, what stays with the position is not"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadPair:
    """Readings of a device and of the reference.

    Attributes:
        device: answer of the device.
        reference: answer of the reference.
        how: in words, what makes them comparable.
        held: readings that were held back before.
    """

    device: Answer
    reference: Answer
    how: str
    held: tuple[Attempt, ...] = ()


def number_of(answer: Answer) -> float:
    """An answer as a number.

    Raises:
        UsageError: it is a text or a truth value.
    """
    if isinstance(answer.value, str | bool):
        raise UsageError(f"{answer.value!r} is no number to take a difference of")
    return float(answer.value)


@dataclass(frozen=True, slots=True, kw_only=True)
class CorrectedReading:
    """A reading of the reference with its correction, and what is not known of it."""

    reading: float
    correction: float
    budget: tuple[Contribution, ...]

    @property
    def value(self) -> float:
        """The true value, as far as it is known."""
        return self.reading + self.correction


def corrected_reading(calibration: Calibration, reading: float) -> CorrectedReading:
    """The reference's reading with its correction, and what is not known of it.

    Raises:
        UsageError: the reading lies outside the table.
    """
    rows = calibration.corrections
    require_within(rows, reading)
    if calibration.curve == "line":
        found = fit_line(rows, origin=rows[0][0]).at(reading)
    else:
        found = between_points(rows, reading)
    step = calibration.resolution / 2
    budget = (
        from_expanded(
            "certificate", calibration.uncertainty, calibration.coverage_factor
        ),
        Contribution(name="fitted line", standard=found.standard),
        from_half_width("drift", calibration.drift),
        # the correction changes with the reading, and adds to the sensitivity
        from_half_width("step of the reference", step * abs(1 + found.slope)),
        from_half_width("uniformity", calibration.uniformity),
    )
    return CorrectedReading(
        reading=reading,
        correction=found.value,
        budget=tuple(each for each in budget if each.standard),
    )


def step_of_device(
    context: Context, body: Read, device: DeviceRef
) -> list[Contribution]:
    """The step of the device's own readings, where its kind can be asked for it.

    Nine bits are steps of 0.5 K, each bit more halves them (data sheet family 28h, p. 3).
    """
    known = context.kinds.quantities(device.family)
    if body.quantity != "temperature" or "resolution" not in known:
        return []
    bits = number_of(known["resolution"].read(context.session(device)))
    return [from_half_width("step of the device", 0.5 / 2 ** (bits - 9) / 2)]


def judged_pair(
    body: Read,
    device: DeviceRef,
    pair: ReadPair,
    corrected: CorrectedReading,
    *,
    unit: str,
    budget: list[Contribution],
    calibration: Calibration,
) -> CheckResult:
    """Passed or failed where the difference is proved inside or outside, else an error."""
    against = body.against
    assert against is not None
    value = number_of(pair.device)
    expanded = expanded_uncertainty(budget)
    limits = guarded_limits(
        low=body.low, high=body.high, expanded=expanded, multiple=against.guard
    )
    difference = Measurement(
        name=f"{body.quantity}_difference",
        value=value - corrected.value,
        unit=difference_unit(unit),
        low=body.low,
        high=body.high,
        uncertainty=expanded,
        criterion=_criterion(limits, against, difference_unit(unit)),
    )
    result = CheckResult(
        outcome=Outcome.PASSED,
        measurements=(
            difference,
            Measurement(name=body.quantity, value=value, unit=unit),
            Measurement(
                name=f"reference_{body.quantity}",
                value=corrected.value,
                unit=unit,
                uncertainty=expanded_uncertainty(corrected.budget),
            ),
        ),
        evidence={
            **pair.device.evidence,
            "quality": "valid",
            "conversion": pair.how,
            "reference": {
                "name": against.name,
                "reading": corrected.reading,
                "correction": round(corrected.correction, 6),
                "certificate": calibration.certificate,
                "due": calibration.due,
                "standard_uncertainties": {
                    each.name: round(each.standard, 6) for each in budget
                },
                "expanded_uncertainty": round(expanded, 6),
                "guard": round(limits.guard, 6),
                "accept_low": limits.accept_low,
                "accept_high": limits.accept_high,
            },
        },
    )
    return _by_proof(result, difference, limits)


def _by_proof(
    result: CheckResult, difference: Measurement, limits: GuardedLimits
) -> CheckResult:
    if limits.low is None and limits.high is None:
        return result
    assert isinstance(difference.value, int | float)
    proof = limits.judge(difference.value)
    if proof is Proof.GOOD:
        return result
    if proof is Proof.BAD:
        return replace(
            result,
            outcome=Outcome.FAILED,
            kind="limit",
            message=f"{sentence(difference)}; {difference.criterion}",
            hint=_DIFFERS_HINT,
        )
    return replace(
        result,
        outcome=Outcome.ERROR,
        kind="too-near",
        message=f"{difference.name} is {quantity_text(difference)}, too near a limit to "
        f"tell: {difference.criterion}",
        hint="measure with a smaller uncertainty, or agree on wider limits; guard: 0 "
        "under against judges by the limits alone",
    )


def _criterion(limits: GuardedLimits, against: AgainstReference, unit: str) -> str:
    """The guard band in words, with the acceptance limits that it leaves."""
    if limits.low is None and limits.high is None:
        return f"against the reference {against.name}"
    ends = [
        f"{word} {number_text(end, limits.guard / 10)}"
        for word, end in (("from", limits.accept_low), ("to", limits.accept_high))
        if end is not None
    ]
    return (
        f"accepted {' '.join(ends)} {unit}: guard {number_text(limits.guard)} {unit} = "
        f"{against.guard:g} x U"
    )
