"""The shmoo step: slots at a row of low times against another axis."""

from __future__ import annotations

from collections.abc import Generator, Iterator
from contextlib import closing
from dataclasses import replace
from functools import partial

from harness.families.family import Quantity
from harness.plans.schema.fixture import Fixture
from harness.plans.schema.measure import Against, Shmoo
from harness.plans.schema.varied.instruments import feeding_line, unit_of_name
from harness.plans.steps.attempts import attempt
from harness.plans.steps.context import Context
from harness.plans.steps.instruments.setting import swept
from harness.plans.steps.instruments.unjudged import JUDGE_HINT, OUTSIDE, row_outside
from harness.plans.steps.slots.coverage import Coverage, Row, judge
from harness.plans.steps.slots.points import (
    must_hold_us,
    not_made,
    points_at_rate,
    points_of,
)
from harness.plans.steps.stress import cannot_try, slot_probe
from harness.records import CheckResult, DeviceRef, Outcome
from harness.results.record.slot_evidence import SHMOO, ShmooGrid
from harness.wire.clock_grid import ClockGrid

NO_STRONG_PULL_UP = "the fixture has no strong pull-up to switch (power in the fixture)"

_AXES = {
    "baud": ("rate", "baud"),
    "pull-up": ("pull-up", "ohm"),
    "temperature": ("temperature", "degC"),
}


def run_shmoo(context: Context, body: Shmoo) -> Iterator[CheckResult]:
    """One grid for each device meant."""
    for device in context.targets():
        yield attempt(context, body, partial(_shmoo, context, body, device), device)


def shmoo_coverage(
    body: Shmoo, grid: ClockGrid, *, strong_ohm: float | None
) -> Coverage:
    """What an adapter makes of a step, all its rows, before any is tried.

    Args:
        body: the step.
        grid: the adapter's clock.
        strong_ohm: the fixture's strong pull-up; None if it has none to switch.
    """
    against = body.against
    rows: list[Row]
    if against.axis == "baud":
        rows = [
            Row(value=value, points=points_at_rate(body, int(value), grid))
            for value in against.values or ()
        ]
    elif against.axis == "pull-up":
        strong = not_made(body, NO_STRONG_PULL_UP)
        if strong_ohm is not None:
            strong = points_of(body, grid)
        rows = [Row(points=points_of(body, grid)), Row(points=strong)]
    else:
        set_values = against.values or (None,) * against.rows
        rows = [Row(value=value, points=points_of(body, grid)) for value in set_values]
    return Coverage(body=body, rows=tuple(rows), what="cells")


def strong_pull_up_ohm(fixture: Fixture) -> float | None:
    """The strong pull-up that a fixture switches, or None."""
    power = fixture.power
    if power is None or power.strong_pull_up_on is None:
        return None
    return power.strong_pull_up_ohm


def _shmoo(context: Context, body: Shmoo, device: DeviceRef) -> CheckResult:
    prober = slot_probe(context, body, device)
    if prober.cannot:
        return cannot_try(prober.cannot)
    if body.against.axis == "temperature" and _thermometer(context, device) is None:
        return CheckResult(
            outcome=Outcome.SKIPPED,
            message=f"this device has no {body.against.axis} to plot against",
        )
    strong_ohm = strong_pull_up_ohm(context.fixture)
    coverage = shmoo_coverage(body, context.bus.adapter.grid, strong_ohm=strong_ohm)
    rows: list[Row] = []
    feeds = feeding_line(context.fixture.instruments)
    if coverage.made:
        # closed whatever happens: it undoes what it set
        with closing(_values(context, body, device)) as values:
            for value, row in zip(values, coverage.rows, strict=False):
                if row.points.made:
                    with slot_probe(context, body, device) as probe:
                        probe.sweep(row.points.made, body.slots)
                why = row_outside(body, device, value, feeds)
                rows.append(replace(row, value=value, not_judged=why))
    rows += coverage.rows[len(rows) :]  # what could not even be set
    tried = Coverage(body=body, rows=tuple(rows), what="cells")
    for row in rows:
        if row.not_judged and tried.judged_rows:
            context.remark(f"row {row.value:g} shown, not judged: {row.not_judged}")
    return _judge(body, tried)


def _values(
    context: Context, body: Shmoo, device: DeviceRef
) -> Generator[float, None, None]:
    """Each value of the other axis, set before it is yielded; undone at the end."""
    against = body.against
    if against.axis == "temperature":
        yield from _temperatures(context, body, device)
    elif against.axis == "pull-up":
        yield from _pull_ups(context)
    elif against.axis == "baud":
        yield from against.values or ()
    elif against.axis == "instrument":
        yield from swept(
            context,
            against.instrument or "",
            against.setting or "",
            against.values or (),
        )
    else:
        yield from _set_by_hand(context, against)


def _set_by_hand(context: Context, against: Against) -> Iterator[float]:
    """Each value of an axis that the operator sets and confirms."""
    unit = f" {against.unit}" if against.unit else ""
    for value in against.values or ():
        context.operator.ask(f"set {against.label} to {value:g}{unit}", yes_no=False)
        yield value


def _thermometer(context: Context, device: DeviceRef) -> Quantity | None:
    return context.kinds.quantities(device.family).get("temperature")


def _temperatures(context: Context, body: Shmoo, device: DeviceRef) -> Iterator[float]:
    quantity = _thermometer(context, device)
    assert quantity is not None
    for row in range(body.against.rows):
        if row:
            context.clock.sleep(body.against.every_s)
        yield float(quantity.read(context.session(device)).value)


def _pull_ups(context: Context) -> Iterator[float]:
    line = context.fixture.line
    strong_ohm = strong_pull_up_ohm(context.fixture)
    yield line.pull_up_ohm
    if strong_ohm is None:
        return
    adapter = context.bus.adapter
    adapter.switch(strong_pull_up=True)
    try:
        # both resistors feed the line now
        yield 1 / (1 / line.pull_up_ohm + 1 / strong_ohm)
    finally:
        adapter.switch(strong_pull_up=False)


def _judge(body: Shmoo, coverage: Coverage) -> CheckResult:
    against = body.against
    label, unit = _AXES.get(against.axis, (against.label or "", against.unit or ""))
    if against.setting is not None:
        label = f"{against.instrument} {against.setting}"
        unit = unit_of_name(against.setting)
    text = (
        f"{body.slot} slots of {{low}} us fail at {label} {{row}} {unit}".rstrip()
        + " ({wrong} of {tried})"
    )
    shmoo = ShmooGrid(
        slot=body.slot,
        label=label,
        unit=unit,
        must_hold_us=must_hold_us(body),
        rows=tuple(row.record for row in coverage.rows),
    )
    evidence = {SHMOO.name: SHMOO.written(shmoo)}
    if not coverage.judged_rows:
        return CheckResult(
            outcome=Outcome.SKIPPED,
            kind=OUTSIDE,
            message=f"shown, not judged: {coverage.rows[0].not_judged}",
            hint=JUDGE_HINT,
            evidence=evidence,
        )
    result = judge(coverage, text, evidence)
    if result.outcome is not Outcome.FAILED:
        return result
    return replace(
        result,
        hint="the picture shows where the window closes: look at edges first, then at the device",
    )
