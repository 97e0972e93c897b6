"""What a plan asks for beyond the reach of the fixture's adapter, before anything is sent.

The run uses the same arithmetic: what is reported here is shown there as not made or not
measured.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator
from typing import Any

from harness.driver.overdrive import overdrive_frames
from harness.errors import CannotOverdrive
from harness.plans.execution.fixture_circuit import grid_of
from harness.plans.schema.bodies import AtSpeed
from harness.plans.schema.fixture import Fixture
from harness.plans.schema.measure import Measure, Shmoo
from harness.plans.schema.plan import Plan
from harness.plans.schema.soak import Soak
from harness.plans.schema.steps import StepItem
from harness.plans.schema.trials import Stress
from harness.plans.steps.context import title_of
from harness.plans.steps.measure import asked_names, demands
from harness.plans.steps.shmoo import shmoo_coverage, strong_pull_up_ohm
from harness.plans.steps.slots.coverage import Coverage
from harness.plans.steps.soak.margins import OF_DEVICE, OF_LINE
from harness.plans.steps.stress import stress_coverage
from harness.records import Outcome
from harness.timing.reach import not_judged, not_measurable
from harness.timing.survey import Name
from harness.wire.clock_grid import ClockGrid


def beyond_adapter(plan: Plan, fixture: Fixture) -> list[str]:
    """One line for each step of which something cannot be made or measured.

    Args:
        plan: the plan.
        fixture: the fixture, for its adapter's clock grid and its strong pull-up.
    """
    grid = grid_of(fixture)
    lines = [
        f"line {item.line}: {title_of(item.kind, item.body)}: {text}"
        for item in plan.leaf_steps()
        for text in _of_step(item, fixture, grid)
    ]
    if lines and fixture.adapter.kind == "auto":
        lines.append(
            "adapter.kind is auto: assessed for an adapter of which nothing is known; "
            "name its kind to see what it can do"
        )
    return lines


def _of_step(item: StepItem, fixture: Fixture, grid: ClockGrid) -> Iterator[str]:
    body = item.body
    if isinstance(body, AtSpeed) and body.speed == "overdrive":
        try:
            overdrive_frames(grid)
        except CannotOverdrive as reason:
            yield reason.what
            return
    for kind, report in _REPORTS.items():
        if type(body) is kind:
            yield from report(body, fixture, grid)


def _measure(body: Measure, fixture: Fixture, grid: ClockGrid) -> Iterator[str]:
    overdrive = body.speed == "overdrive"
    asked = [name for name in Name if name in asked_names(body)]
    most = fixture.adapter.max_burst
    lacking = _lacking(asked, grid, overdrive=overdrive, max_burst=most)
    for name, why in lacking.items():
        yield f"{name} cannot be measured with this adapter: {why}"
    # a plan that demands a limit gets an error for a bound, and says so itself
    if not overdrive and not demands(body):
        yield from _unjudged(asked, lacking, grid)
    if lacking and (len(lacking) == len(asked) or demands(body)):
        yield _cannot_pass(is_error=demands(body))


def _unjudged(
    asked: Iterable[Name], lacking: Collection[Name], grid: ClockGrid
) -> Iterator[str]:
    for name in asked:
        if name not in lacking and (why := not_judged(name, grid)):
            yield f"{name} may come out as a bound that is not judged: {why}"


def _lacking(
    asked: list[Name], grid: ClockGrid, *, overdrive: bool, max_burst: int
) -> dict[Name, str]:
    """Quantities that the adapter cannot measure, and why."""
    reasons = {
        name: not_measurable(name, grid, overdrive=overdrive, max_burst=max_burst)
        for name in asked
    }
    return {name: why for name, why in reasons.items() if why}


def _cannot_pass(*, is_error: bool) -> str:
    end = "ends as an error" if is_error else "is skipped"
    return f"so it cannot pass and {end} where nothing fails"


def _coverage(coverage: Coverage) -> Iterator[str]:
    if coverage.made < coverage.asked:
        yield f"{coverage.text}; {coverage.why}"
    if coverage.gap:
        is_error = coverage.outcome_of_gap is Outcome.ERROR
        yield f"{_cannot_pass(is_error=is_error)}: {coverage.gap}"


def _stress(body: Stress, _fixture: Fixture, grid: ClockGrid) -> Iterator[str]:
    yield from _coverage(stress_coverage(body, grid))


def _shmoo(body: Shmoo, fixture: Fixture, grid: ClockGrid) -> Iterator[str]:
    strong_ohm = strong_pull_up_ohm(fixture)
    yield from _coverage(shmoo_coverage(body, grid, strong_ohm=strong_ohm))


def _soak(body: Soak, fixture: Fixture, grid: ClockGrid) -> Iterator[str]:
    if body.margins_every_s is None:
        return
    for name in (*OF_LINE, *OF_DEVICE):
        why = not_measurable(
            name, grid, overdrive=False, max_burst=fixture.adapter.max_burst
        )
        if why:
            yield f"margin {name} cannot be measured with this adapter: {why}"


_REPORTS: dict[type, Callable[[Any, Fixture, ClockGrid], Iterator[str]]] = {
    Measure: _measure,
    Stress: _stress,
    Shmoo: _shmoo,
    Soak: _soak,
}
