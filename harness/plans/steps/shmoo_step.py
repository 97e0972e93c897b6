"""The shmoo step: slots at a row of low times against another axis."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import partial

from harness.families.registry import quantities
from harness.plans.schema_measure import Shmoo
from harness.plans.steps.attempts import attempt
from harness.plans.steps.context import Context
from harness.plans.steps.slot_probe import Point, points_of
from harness.plans.steps.stress_step import must_hold_us, slot_probe
from harness.records import CheckResult, DeviceRef, Measurement, Outcome
from harness.wire.clockgrid import ClockGrid
from harness.wire.frames import PULSE_BYTES, Frame
from harness.wire.synthesis import Made, Time

_AXES = {
    "baud": ("rate", "baud"),
    "pull-up": ("pull-up", "ohm"),
    "temperature": ("temperature", "degC"),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class _Row:
    """One value of the other axis, and the points tried at it."""

    value: float
    points: list[Point]


def run_shmoo(context: Context, body: Shmoo) -> Iterator[CheckResult]:
    """One grid for each device meant."""
    for device in context.targets():
        yield attempt(context, body, partial(_shmoo, context, body, device), device)


def _shmoo(context: Context, body: Shmoo, device: DeviceRef) -> CheckResult:
    rows = []
    for value in _values(context, body, device):
        points = _points(context, body, value)
        with slot_probe(context, body, device) as probe:
            probe.sweep(points, body.slots)
        rows.append(_Row(value=value, points=points))
    return _judge(body, rows)


def _points(context: Context, body: Shmoo, value: float) -> list[Point]:
    grid = context.bus.adapter.grid
    if body.against.axis != "baud":
        return points_of(body.slot, body.points_us, grid)
    return _points_at_rate(body, int(value), grid)


def _points_at_rate(body: Shmoo, request_baud: int, grid: ClockGrid) -> list[Point]:
    """At one rate the low time goes in whole bits: the nearest to each wanted one."""
    choices = PULSE_BYTES[1:] if body.slot == "write-0" else PULSE_BYTES[:1]
    frames = [Frame(byte=byte, baud=grid.achieved(request_baud)) for byte in choices]
    nearest = {
        min(frames, key=lambda f, low=low: abs(f.low_us - low)): low  # type: ignore[misc]
        for low in body.points_us
    }
    return [
        Point(
            asked_us=low_us,
            made=Made(
                frame=frame,
                request_baud=request_baud,
                wanted_us=low_us,
                low=Time(
                    value_us=frame.low_us,
                    clock_us=frame.low_us * grid.tolerance_ppm * 1e-6,
                ),
                bit=None,
                since="edge",
                idle_us=max(0.0, 65.0 - frame.length_us),
                tolerance_ppm=grid.tolerance_ppm,
            ),
        )
        for frame, low_us in nearest.items()
    ]


def _values(context: Context, body: Shmoo, device: DeviceRef) -> Iterator[float]:
    """Each value of the other axis, set before it is yielded; undone at the end."""
    against = body.against
    if against.axis == "temperature":
        yield from _temperatures(context, body, device)
    elif against.axis == "pull-up":
        yield from _pull_ups(context)
    elif against.axis == "baud":
        yield from against.values or ()
    else:
        for value in against.values or ():
            unit = f" {against.unit}" if against.unit else ""
            context.operator.ask(
                f"set {against.label} to {value:g}{unit}", yes_no=False
            )
            yield value


def _temperatures(context: Context, body: Shmoo, device: DeviceRef) -> Iterator[float]:
    quantity = quantities(device.family).get("temperature")
    if quantity is None:
        return
    for row in range(body.against.rows):
        if row:
            context.clock.sleep(body.against.every_s)
        yield float(quantity.read(context.session(device)).value)


def _pull_ups(context: Context) -> Iterator[float]:
    line, power = context.fixture.line, context.fixture.power
    yield line.pull_up_ohm
    if power is None or power.strong_pull_up_ohm is None:
        return
    adapter = context.bus.adapter
    adapter.switch(strong_pull_up=True)
    try:
        # both resistors feed the line now
        strong_ohm = power.strong_pull_up_ohm
        yield 1 / (1 / line.pull_up_ohm + 1 / strong_ohm)
    finally:
        adapter.switch(strong_pull_up=False)


def _judge(body: Shmoo, rows: list[_Row]) -> CheckResult:
    if not rows:
        return CheckResult(
            outcome=Outcome.SKIPPED,
            message=f"this device has no {body.against.axis} to plot against",
        )
    from_us, to_us = must_hold_us(body)
    label, unit = _AXES.get(
        body.against.axis, (body.against.label or "", body.against.unit or "")
    )
    bound = [
        (row, point)
        for row in rows
        for point in row.points
        if from_us <= point.low_us <= to_us
    ]
    broken = [(row, point) for row, point in bound if point.wrong]
    result = CheckResult(
        outcome=Outcome.FAILED if broken else Outcome.PASSED,
        measurements=(
            Measurement(
                name="cells_held",
                value=len(bound) - len(broken),
                unit="cells",
                low=len(bound),
                high=len(bound),
            ),
        ),
        evidence={
            "shmoo": {
                "slot": body.slot,
                "label": label,
                "unit": unit,
                "must_hold_us": [from_us, to_us],
                "rows": [
                    {"value": row.value, "points": [p.as_dict() for p in row.points]}
                    for row in rows
                ],
            }
        },
    )
    if not broken:
        return result
    row, point = broken[0]
    return replace(
        result,
        kind="slot-timing",
        message=f"{body.slot} slots of {point.low_us:.2f} us fail at {label} "
        f"{row.value:g} {unit} ({point.wrong} of {point.tried})",
        hint="the picture shows where the window closes: look at edges first, then at the part",
    )
