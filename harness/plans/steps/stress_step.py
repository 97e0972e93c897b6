"""The stress step: one kind of slot at a row of low times, pass or fail for each."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial

from harness.families.registry import family_of
from harness.plans.schema_trials import Stress
from harness.plans.steps.attempts import attempt
from harness.plans.steps.context import Context
from harness.plans.steps.slot_probe import Point, SlotProbe, points_of, published_limit
from harness.records import CheckResult, DeviceRef, Measurement, Outcome
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
        register=family_of(device.family).register,
        slot=body.slot,
    )


def _stress(context: Context, body: Stress, device: DeviceRef) -> CheckResult:
    points = points_of(body.slot, body.points_us, context.bus.adapter.grid)
    with slot_probe(context, body, device) as probe:
        probe.sweep(points, body.slots)
    return _judge(body, points)


def must_hold_us(body: Stress) -> tuple[float, float]:
    """Low times at which every slot must pass: the plan's, else the published ones."""
    if body.must_hold is not None:
        return body.must_hold.from_us, body.must_hold.to_us
    limit = published_limit(body.slot)
    assert limit.low_us is not None
    assert limit.high_us is not None
    return limit.low_us, limit.high_us


def _judge(body: Stress, points: list[Point]) -> CheckResult:
    from_us, to_us = must_hold_us(body)
    held = [point.low_us for point in points if not point.wrong]
    bound = [point for point in points if from_us <= point.low_us <= to_us]
    broken = [point for point in bound if point.wrong]
    values = [
        Measurement(
            name="points_held",
            value=len(bound) - len(broken),
            unit="points",
            low=len(bound),
            high=len(bound),
        )
    ]
    if held:
        values += [
            Measurement(name="shortest_low", value=round(min(held), 3), unit="us"),
            Measurement(name="longest_low", value=round(max(held), 3), unit="us"),
        ]
    evidence: dict[str, object] = {
        "must_hold_us": [from_us, to_us],
        "points": [point.as_dict() for point in points],
    }
    if not broken:
        return CheckResult(
            outcome=Outcome.PASSED, measurements=tuple(values), evidence=evidence
        )
    worst = broken[0]
    return CheckResult(
        outcome=Outcome.FAILED,
        kind="slot-timing",
        message=f"{body.slot} slots fail at {worst.low_us:.2f} us low "
        f"({worst.wrong} of {worst.tried}), inside {from_us:g} to {to_us:g} us",
        hint="look at the edges first (pull-up, cable), then at this device's own timing",
        measurements=tuple(values),
        evidence=evidence,
    )
