"""The worst device at its worst condition, of steps that run under several conditions.

A corner is one condition of a ``vary`` step. Failures come before margins: a device
without a value at a corner is worse off there than one with a value near its limit.
"""

from __future__ import annotations

from dataclasses import dataclass

from harness.digits import number_text
from harness.records import Measurement
from harness.results.reasons import reason_words
from harness.results.record.device_tally import DeviceResult
from harness.results.record.run import RunRecord
from harness.results.record.steps import BAD_OUTCOMES, StepRecord
from harness.results.wording import one_line


@dataclass(frozen=True, slots=True, kw_only=True)
class CornerResult:
    """One device at one condition.

    Attributes:
        step: the step under that condition.
        result: what it found on the device.
        value: the first value with limits; None where there is none.
    """

    step: StepRecord
    result: DeviceResult
    value: Measurement | None

    @property
    def rank(self) -> tuple[int, float]:
        """Errors and failures without a value first, then by share of room."""
        if self.result.outcome in BAD_OUTCOMES and self.value is None:
            return 0, 0.0
        return 1, _share(self.value)


def _share(m: Measurement | None) -> float:
    """Margin over half the width of its limits, negative beyond them."""
    if m is None or m.margin is None:
        return 1.0
    low, high = m.low, m.high
    room = (high - low) / 2 if low is not None and high is not None else 0.0
    return m.margin / (room or abs(low or high or 0.0) or 1.0)


def worst_corner(record: RunRecord) -> str:
    """The worst device at its worst condition, in a sentence; empty without any."""
    found = [each for of in by_step(record).values() for each in of]
    if not found:
        return ""
    worst = min(found, key=lambda each: each.rank)
    device = worst.result.device
    who = one_line(device.label) if device else "bus"
    text = f"worst corner: {who} at {one_line(worst.step.condition)}"
    m = worst.value
    if m is None or m.margin is None:
        kind = reason_words(one_line(worst.result.shown.kind))
        return f"{text}, {worst.result.outcome}{f': {kind}' if kind else ''}"
    return (
        f"{text}, margin of {one_line(m.name)} "
        f"{number_text(m.margin, m.uncertainty)} {m.unit}".rstrip()
    )


def by_step(record: RunRecord) -> dict[str, list[CornerResult]]:
    """Results of devices under conditions, by the title that the step has in the plan."""
    found: dict[str, list[CornerResult]] = {}
    for step, result in record.results:
        if not step.condition or result.device is None:
            continue
        found.setdefault(base_title(step), []).append(corner_result(step, result))
    return found


def base_title(step: StepRecord) -> str:
    """The title that a step has in the plan, without its condition."""
    return step.title.removesuffix(f" at {step.condition}")


def corner_result(step: StepRecord, result: DeviceResult) -> CornerResult:
    """A result with its first value that has limits."""
    limited = (m for m in result.shown.measurements if m.margin is not None)
    return CornerResult(step=step, result=result, value=next(limited, None))
