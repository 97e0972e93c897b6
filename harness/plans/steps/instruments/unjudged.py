"""Values outside of a kind's operating range are shown, not judged.

What a data sheet does not promise is no fault of a device. It counts only what the plan
itself has set: the supply of the line and the temperature of a chamber.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Protocol

from harness.plans.schema.measure import Shmoo
from harness.plans.schema.steps import StepItem
from harness.plans.schema.varied.instruments import feeding_line
from harness.plans.steps.context import Context
from harness.plans.steps.instruments.in_force import (
    TEMPERATURE,
    VOLTAGE,
    supply_in_force_v,
    temperature_in_force,
)
from harness.records import CheckResult, DeviceRef, Measurement, Outcome
from harness.wire.ratings import outside_range, range_not_known

OUTSIDE = "outside-range"
"""Kind of a result that is shown and not judged."""

JUDGE_HINT = "`outside_range: judge` at the step that sets it judges it all the same"

_OF_DEVICES = frozenset(
    {
        "reset", "enumerate", "verify", "convert", "read", "configure", "check",
        "transact", "stress", "measure", "shmoo", "soak",
    }
)  # fmt: skip
"""Steps whose verdicts are about devices; those of instruments are the bench's."""

_JUDGED = frozenset({Outcome.PASSED, Outcome.FAILED})


def shown_outside(
    context: Context, item: StepItem, results: Iterator[CheckResult]
) -> Iterator[CheckResult]:
    """Results; of devices that are outside of their range without a verdict.

    Where the range of a kind is not known the verdict stands, with a note that says so.
    """
    for result in results:
        if item.kind not in _OF_DEVICES or result.outcome not in _JUDGED:
            yield result
        elif why := _outside(context, result):
            yield _shown(result, why)
        else:
            notes = (*result.notes, *_of_range(range_not_known, context, result))
            yield replace(result, notes=notes)


def _outside(context: Context, result: CheckResult) -> str:
    """Why what the result is about is outside of its range; empty if it is not."""
    if context.judges_outside:
        return ""
    return next(_of_range(outside_range, context, result), "")


class _SaysOfRange(Protocol):
    """Says in words what it has to say of a kind's range, or nothing."""

    def __call__(
        self, family: int, *, supply_v: float | None, temperature_degc: float | None
    ) -> str: ...


def _of_range(
    says: _SaysOfRange, context: Context, result: CheckResult
) -> Iterator[str]:
    """The same of the kinds that a result is about, at what the plan has set."""
    if not context.set_by_plan:
        return
    feeds = feeding_line(context.fixture.instruments)
    volts = None
    if (feeds, VOLTAGE) in context.set_by_plan:
        volts = supply_in_force_v(context.fixture, context.instruments)
    degc = temperature_in_force(context.instruments, context.set_by_plan)
    for family in _families(context, result):
        if said := says(family, supply_v=volts, temperature_degc=degc):
            yield said


def row_outside(body: Shmoo, device: DeviceRef, value: float, feeds: str) -> str:
    """Why a row of a grid is outside of its device's range; empty if it is not.

    Args:
        body: the step.
        device: the one that is tried.
        value: of the instrument's setting.
        feeds: name of the supply of the bus.
    """
    if body.against.axis != "instrument" or body.outside_range == "judge":
        return ""
    setting = (body.against.instrument, body.against.setting)
    return outside_range(
        device.family,
        supply_v=value if setting == (feeds, VOLTAGE) else None,
        temperature_degc=value if setting[1] == TEMPERATURE else None,
    )


def _families(context: Context, result: CheckResult) -> list[int]:
    """Kinds that a result is about: that of its device, or all expected and found."""
    if result.device is not None:
        return [result.device.family]
    expected = {s.expect.family_code for s in context.fixture.unit_sockets}
    found = {d.family for d in context.devices or ()}
    return sorted(found | {code for code in expected if code is not None})


def _shown(result: CheckResult, why: str) -> CheckResult:
    said = f"; it would have failed: {result.message}"
    return replace(
        result,
        outcome=Outcome.SKIPPED,
        kind=OUTSIDE,
        message=f"shown, not judged: {why}"
        + (said if result.outcome is Outcome.FAILED else ""),
        hint=JUDGE_HINT,
        measurements=tuple(map(_without_limits, result.measurements)),
    )


def _without_limits(m: Measurement) -> Measurement:
    return replace(
        m, low=None, high=None, wanted=None, criterion="shown, not judged",
        beyond_doubt=False,
    )  # fmt: skip
