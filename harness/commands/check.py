"""`slotproof check`: files, without touching a port."""

from __future__ import annotations

from pathlib import Path

from harness.families.hazard import ALWAYS
from harness.output import say
from harness.plans.execution import seating
from harness.plans.execution.foretold import foretold
from harness.plans.execution.hazard_gate import HazardUse, require_named
from harness.plans.execution.soak_estimate import outlook
from harness.plans.loading.files import check_together, load_fixture, load_plan, which
from harness.plans.loading.problems import PlanError, Problem
from harness.plans.schema.files import Fixture, Plan
from harness.plans.schema.soak import Soak


def check(*, files: tuple[Path, ...]) -> None:
    """Check plan and fixture files without any hardware."""
    problems: list[Problem] = []
    plans, fixtures = [], []
    for path in files:
        try:
            if which(path) == "plan":
                plans.append(load_plan(path))
            else:
                fixtures.append(load_fixture(path))
        except PlanError as error:
            problems += error.problems
    if len(fixtures) == 1:
        for plan in plans:
            problems += check_together(plan, fixtures[0])
    if problems:
        raise PlanError(problems)
    fixture = fixtures[0] if len(fixtures) == 1 else None
    uses = {plan.source.name: require_named(plan, fixture) for plan in plans}
    for kind, items in (("plan", plans), ("fixture", fixtures)):
        for item in items:
            say(f"{item.source.name}: {kind} {item.title!r} is in order")
            _show_hazards(uses.get(item.source.name, []))
    _show_seating(fixtures)
    for plan in plans:
        _show_soaks(plan, fixture)
        _show_foretold(plan, fixture)


def _show_foretold(plan: Plan, fixture: Fixture | None) -> None:
    """What the adapter cannot make or measure of a plan."""
    if fixture is None:
        return

    lines = foretold(plan, fixture)
    if lines:
        say(
            f"{plan.source.name}: what the adapter of {fixture.source.name} cannot make"
        )
    for line in lines:
        say(f"    {line}")


def _show_seating(fixtures: list[Fixture]) -> None:
    """What a run will not know about sockets without a ROM code."""
    for fixture in fixtures:
        for text in seating.outlook(fixture):
            say(f"{fixture.source.name}: {text}")


def _show_soaks(plan: Plan, fixture: Fixture | None) -> None:
    """What each soak of a plan can prove, and what it writes."""
    for item in plan.leaf_steps():
        if isinstance(item.body, Soak):
            families = item.body.family
            sockets = fixture.sockets if fixture else ()
            count = sum(
                families is None or socket.expect.family_code in families
                for socket in sockets
            )
            say(f"{plan.source.name}: soak on line {item.line}")
            for text in outlook(item.body, count or None).sentences():
                say(f"    {text}")


def _show_hazards(uses: list[HazardUse]) -> None:
    for use in uses:
        say(f"    line {use.item.line}: {use.what} can hurt")
        for hazard in sorted(use.hazards):
            say(f"        {hazard}: {hazard.caution}")
    if uses:
        names = sorted({hazard for use in uses for hazard in use.hazards})
        say(f"    to run: {' '.join(f'--allow {name}' for name in names)}")
        for caution in ALWAYS:
            say(f"    {caution}")
