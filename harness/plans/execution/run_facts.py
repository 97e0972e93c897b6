"""What a journal is told of a run as it begins: plan, fixture, adapter, versions."""

from __future__ import annotations

import platform
import uuid
from collections.abc import Iterable
from importlib.metadata import version
from typing import Any

from harness.clock import Clock
from harness.driver.bus import Bus
from harness.driver.self_check import AdapterReport
from harness.families.hazard import Hazard
from harness.plans.execution.resume import Resumption
from harness.plans.schema.fixture import Fixture
from harness.plans.schema.plan import Plan
from harness.plans.steps.context import title_of
from harness.results.journal.writer import FORMAT
from harness.results.record.slot_evidence import FRAMES, FramesInUse


def facts_of_start(
    plan: Plan, fixture: Fixture, allowed: Iterable[Hazard]
) -> dict[str, Any]:
    """Of a run that is new; gives it its name."""
    return facts_of_any_start(
        plan={
            "title": plan.title,
            "path": plan.source.name,
            "sha256": plan.source.sha256,
            "parameters": dict(plan.parameters),
        },
        fixture={
            "title": fixture.title,
            "path": fixture.source.name,
            "sha256": fixture.source.sha256,
            "sockets": [socket.name for socket in fixture.sockets],
        },
        allowed_hazards=sorted(map(str, allowed)),
        steps=_leaf_facts(plan),
    )


def facts_of_any_start(
    *,
    plan: dict[str, Any],
    fixture: dict[str, Any],
    steps: list[dict[str, str]],
    **more: object,
) -> dict[str, Any]:
    """Of whatever leaves a journal: a run, or a recording that is judged.

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
        **more,
        "steps": steps,
    }


def facts_of_resumption(
    resumed: Resumption, plan: Plan, fixture: Fixture, clock: Clock
) -> dict[str, Any]:
    """Of a run that is taken up again."""
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
    """Of an adapter that was proved, and of the frames that are used on it."""
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
