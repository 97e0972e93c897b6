"""The stress step: one kind of slot at a row of low times, pass or fail for each."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial

from harness.plans.schema.trials import Stress
from harness.plans.steps.attempts import attempt
from harness.plans.steps.context import Context
from harness.plans.steps.slots.coverage import Coverage, Row, judge
from harness.plans.steps.slots.points import must_hold_us, points_of
from harness.plans.steps.slots.probe import SlotProbe
from harness.records import CheckResult, DeviceRef, Outcome
from harness.results.record.slot_evidence import STRESS, StressRow
from harness.wire.clock_grid import ClockGrid
from harness.wire.romcode import RomCode


def run_stress(context: Context, body: Stress) -> Iterator[CheckResult]:
    """Sweep the low time on each device meant."""
    for device in context.targets():
        yield attempt(context, body, partial(_stress, context, body, device), device)


def slot_probe(context: Context, body: Stress, device: DeviceRef) -> SlotProbe:
    """The probe for a device, with every other device known to it."""
    return SlotProbe(
        context.bus,
        RomCode.parse(device.rom_code),
        [RomCode.parse(other.rom_code) for other in context.known_devices()],
        register=context.kinds.family_of(device.family).register,
        slot=body.slot,
    )


def cannot_try(reason: str) -> CheckResult:
    """A device on which such slots cannot be tried at all."""
    return CheckResult(outcome=Outcome.SKIPPED, kind="not-demonstrated", message=reason)


def stress_coverage(body: Stress, grid: ClockGrid) -> Coverage:
    """What an adapter makes of a step."""
    return Coverage(body=body, rows=(Row(points=points_of(body, grid)),))


def _stress(context: Context, body: Stress, device: DeviceRef) -> CheckResult:
    coverage = stress_coverage(body, context.bus.adapter.grid)
    points = coverage.rows[0].points
    prober = slot_probe(context, body, device)
    if prober.cannot:
        return cannot_try(prober.cannot)
    if points.made:
        with prober as probe:
            probe.sweep(points.made, body.slots)
    from_us, to_us = must_hold_us(body)
    row = coverage.rows[0].record
    stress = StressRow(
        must_hold_us=(from_us, to_us), points=row.points, not_made=row.not_made
    )
    return judge(
        coverage,
        f"{body.slot} slots fail at {{low}} us low ({{wrong}} of {{tried}}), inside "
        f"{from_us:g} to {to_us:g} us",
        STRESS.written(stress),
    )
