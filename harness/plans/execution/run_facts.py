"""What a journal records of a run as it begins: plan, fixture, adapter, versions."""

from __future__ import annotations

import platform
import uuid
from collections.abc import Iterable, Iterator
from importlib.metadata import version
from typing import Any

from harness.clock import Clock, zone_offset_s
from harness.driver.bus import Bus
from harness.driver.self_check import AdapterReport
from harness.driver.usb.latency import SLOW_MS, cure
from harness.families.hazard import Hazard
from harness.plans.execution.resume import Resumption
from harness.plans.execution.simulated import is_simulated
from harness.plans.schema.base import Described
from harness.plans.schema.bodies import Enumerate, Reset
from harness.plans.schema.fixture import Fixture
from harness.plans.schema.plan import Plan
from harness.plans.schema.steps import ForEach, Repeat, StepItem
from harness.plans.steps.context import title_of
from harness.results.journal.writer import FORMAT
from harness.results.record.slot_evidence import FRAMES, FramesInUse
from harness.wire.clock_grid import GRIDS
from harness.wire.slots.frames import choose_slots


def facts_of_start(
    plan: Plan, fixture: Fixture, allowed: Iterable[Hazard]
) -> dict[str, Any]:
    """Facts of a new run; gives the run its name."""
    kinds = {kind.source.sha256: kind for kind in (*plan.described, *fixture.described)}
    return facts_of_any_start(
        plan={
            "title": plan.title,
            "path": plan.source.name,
            "sha256": plan.source.sha256,
            "parameters": dict(plan.parameters),
            **({"unit": dict(plan.unit_values)} if plan.unit_values else {}),
        },
        fixture={
            "title": fixture.title,
            "path": fixture.source.name,
            "sha256": fixture.source.sha256,
            "sockets": [socket.name for socket in fixture.unit_sockets],
            **({"simulated": True} if is_simulated(fixture) else {}),
            **({"scripted": scripted} if (scripted := _scripted(fixture)) else {}),
            **({"kinds": list(map(_named, kinds.values()))} if kinds else {}),
        },
        **({"kinds": list(map(_whole, kinds.values()))} if kinds else {}),
        allowed_hazards=sorted(map(str, allowed)),
        steps=_leaf_facts(plan),
    )


def _scripted(fixture: Fixture) -> list[str]:
    """Simulated devices that follow a script of the fixture instead of a model."""
    simulation = fixture.simulation
    if simulation is None or not is_simulated(fixture):
        return []
    told = [
        f"{device.socket or 'no socket'} (family {device.family:02X}h)"
        for device in simulation.devices
        if getattr(device, "script", None)
    ]
    lot = simulation.lot
    if lot is not None and getattr(lot.typical, "script", None):
        told.append(f"lot of {lot.units} units (family {lot.typical.family:02X}h)")
    return told


def _named(kind: Described) -> str:
    """A described kind on one line of a report."""
    codes = ", ".join(f"{family.code:02X}h" for family in kind.families)
    source = kind.source
    return f"{kind.title} ({codes}), described in {source.name}, {source.sha256[:12]}"


def _whole(kind: Described) -> dict[str, Any]:
    """A described kind with all that its file says, so that the journal needs no file."""
    return {
        "title": kind.title,
        "path": kind.source.name,
        "sha256": kind.source.sha256,
        "description": kind.plain,
    }


def facts_of_any_start(
    *,
    plan: dict[str, Any],
    fixture: dict[str, Any],
    steps: list[dict[str, str]],
    **more: object,
) -> dict[str, Any]:
    """Facts of anything that leaves a journal: a run, or a recording that is judged.

    Args:
        plan: title, path, digest and parameters of what is gone through.
        fixture: title, path, digest and sockets of what it is about.
        steps: step, kind and title of each, in order.
        more: further facts.
    """
    return {
        "format": FORMAT,
        "run_id": uuid.uuid4().hex[:12],
        "plan": plan,
        "fixture": fixture,
        "versions": _versions(),
        "host": _host(),
        "utc_offset_s": zone_offset_s(),
        **more,
        "steps": steps,
    }


def facts_of_resumption(
    resumed: Resumption, plan: Plan, fixture: Fixture, clock: Clock
) -> dict[str, Any]:
    """Facts of a run that is resumed."""
    return {
        "run_id": resumed.run_id,
        "gap_s": resumed.gap_s(clock),
        "again": list(resumed.again),
        "fixture_sha256": fixture.source.sha256,
        "versions": _versions(),
        "host": _host(),
        "steps": _leaf_facts(plan),
    }


def facts_of_adapter(report: AdapterReport, bus: Bus) -> dict[str, Any]:
    """Facts of an adapter that was proved, and of the frames in use."""
    return {
        **report.as_dict(),
        "slots": bus.slots.reason,
        "reset": bus.reset_frame.reason,
        FRAMES.name: FRAMES.written(
            FramesInUse(
                write_1_low_us=bus.slots.one.low_us,
                write_0_low_us=bus.slots.zero.low_us,
                read_sample_us=bus.slots.one.sample_us(0)[0],
                slot_us=bus.slots.slot_us,
                reset_low_us=bus.reset_frame.frame.low_us,
            )
        ),
    }


def notes_on_adapter(
    report: AdapterReport, bus: Bus, plan: Plan, fixture: Fixture
) -> Iterator[str]:
    """Avoidable costs of the adapter in this run: an unknown chip, slow replies."""
    if bus.adapter.is_unknown:
        port = fixture.adapter.port
        if port == "sim://":  # means the bench in the fixture itself
            port = bus.adapter.url.partition("?")[0]
        known = choose_slots(GRIDS["fractional-divider"])
        slower = 100 * (bus.slots.slot_us / known.slot_us - 1)
        yield (
            f"the adapter's chip is not known, so only customary rates are used, slots are "
            f"{slower:.0f} % longer than they need be and limits are coarse -> "
            f"`slotproof adapter --port {port}` measures it and prints the "
            "lines for the fixture"
        )
    if (median_ms := report.round_trip_median_ms) > SLOW_MS:
        trips = least_round_trips(plan, fixture)
        cost_s = trips * (median_ms - _FAST_MS) * 1e-3
        yield (
            f"the adapter holds replies back: {median_ms:.1f} ms a round trip, which costs "
            f"this plan at least {cost_s:.1f} s ({trips} round trips) -> "
            f"{cure(bus.adapter.url, bus.adapter.latency)}"
        )


_FAST_MS = 1.0
"""Round trip of an adapter with low latency: one frame of full-speed USB."""

_AT_LEAST = {"wait": 0, "prompt": 0, "switch": 0, "convert": 2}
"""Round trips of a step as a whole; of all others, two for each device it is about."""


def least_round_trips(plan: Plan, fixture: Fixture) -> int:
    """Round trips that a plan needs at least, if each socket holds its device.

    A reset and one burst for each thing done to a device; retries, what takes several
    bursts, and the rounds of a soak come on top.
    """
    return sum(
        _trips_of(item, fixture, {socket.name for socket in fixture.unit_sockets})
        for item in plan.steps
    )


def _trips_of(item: StepItem, fixture: Fixture, sockets: set[str]) -> int:
    body = item.body
    if isinstance(body, Repeat):
        return body.times * sum(_trips_of(i, fixture, sockets) for i in body.steps)
    if isinstance(body, ForEach):
        meant = _meant_by(body, fixture) & sockets
        return sum(_trips_of(i, fixture, {name}) for name in meant for i in body.steps)
    if isinstance(body, Reset):
        return body.times
    rounds = body.scans if isinstance(body, Enumerate) else 1
    return rounds * _AT_LEAST.get(item.kind, 2 * len(sockets))


def _meant_by(body: ForEach, fixture: Fixture) -> set[str]:
    """Names of the sockets whose devices it goes through."""
    names = set()
    for socket in fixture.unit_sockets:
        of_socket = body.sockets is None or socket.name in body.sockets
        if of_socket and (
            body.family is None or socket.expect.family_code in body.family
        ):
            names.add(socket.name)
    return names


def _leaf_facts(plan: Plan) -> list[dict[str, str]]:
    return [
        {"step": s.id, "kind": s.kind, "title": title_of(s.kind, s.body)}
        for s in plan.leaf_steps()
    ]


def _host() -> str:
    return platform.node() or "localhost"


def _versions() -> dict[str, str]:
    return {
        "slotproof": version("slotproof"),
        "python": platform.python_version(),
        "pyserial": version("pyserial"),
    }
