"""How long the vary steps of a plan take on a fixture, before anything is set.

Steps by their usual time, conditions by the time that the fixture gives an instrument to
settle: that is the longest, and a reading with ``settle`` has a longest wait too.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from harness.digits import duration_text
from harness.plans.schema.bodies import Read
from harness.plans.schema.fixture import Fixture
from harness.plans.schema.plan import Plan
from harness.plans.schema.steps import ForEach, Repeat, StepItem, Vary
from harness.plans.schema.varied.vary import Settings
from harness.plans.steps.table import KINDS


def vary_times(plan: Plan, fixture: Fixture) -> Iterator[str]:
    """One sentence for each vary step of the plan."""
    for item in plan.all_steps():
        if not isinstance(item.body, Vary):
            continue
        conditions = item.body.conditions()
        steps_s, wait_s = _steps_s(item.body.steps, fixture)
        settling_s = sum(_settling_s(conditions, fixture))
        count = len(conditions)
        least = count * steps_s
        yield (
            f"vary on line {item.line}: {count} condition{'s' if count > 1 else ''}, "
            f"about {duration_text(least)} for the steps and at most "
            f"{duration_text(settling_s + count * wait_s)} for settling, "
            f"{duration_text(least + settling_s + count * wait_s)} at most together"
        )


def _steps_s(
    steps: Iterable[StepItem], fixture: Fixture, devices: int | None = None
) -> tuple[float, float]:
    """Usual time of steps under one condition, and the longest they may wait beyond."""
    usual_s, wait_s = 0.0, 0.0
    everyone = max(1, len(fixture.unit_sockets))
    for item in steps:
        body = item.body
        if isinstance(body, ForEach | Repeat):
            times = body.times if isinstance(body, Repeat) else _meant(body, fixture)
            within = 1 if isinstance(body, ForEach) else devices
            inner_s, inner_wait_s = _steps_s(body.steps, fixture, within)
            usual_s, wait_s = usual_s + times * inner_s, wait_s + times * inner_wait_s
            continue
        own_s, own_wait_s = _one_step_s(item, devices or everyone)
        usual_s, wait_s = usual_s + own_s, wait_s + own_wait_s
    return usual_s, wait_s


def _one_step_s(item: StepItem, devices: int) -> tuple[float, float]:
    """The same of a step that has none inside, with so many devices."""
    body, kind = item.body, KINDS[item.kind]
    at_once = isinstance(body, Read) and body.against is not None
    usual_s = (devices if kind.by_device and not at_once else 1) * kind.expected_s(body)
    if not isinstance(body, Read) or body.settle is None:
        return usual_s, 0.0
    longer_s = body.settle.at_most_s - body.settle.for_s
    return usual_s + body.settle.for_s, longer_s


def _meant(body: ForEach, fixture: Fixture) -> int:
    """Sockets that a ``for_each`` may go through."""
    return sum(
        (body.sockets is None or socket.name in body.sockets)
        and (
            body.family is None
            or socket.expect.family_code is None
            or socket.expect.family_code in body.family
        )
        for socket in fixture.unit_sockets
    )


def _settling_s(conditions: Iterable[Settings], fixture: Fixture) -> Iterator[float]:
    """The longest wait for each setting that moves from one condition to the next."""
    rows = {each.name: each.row for each in fixture.instruments}
    before: Settings = {}
    for condition in conditions:
        for name, settings in condition.items():
            row = rows.get(name)
            for setting, value in settings.items() if row else ():
                moved = before.get(name, {}).get(setting) != value
                if row and moved and setting in row.tolerance:
                    yield row.settle_s
        before = condition
