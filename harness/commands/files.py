"""`slotproof check`, `schema` and `families`: nothing here touches a port."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from harness.commands.base import app, example
from harness.errors import UsageError
from harness.output import say

if TYPE_CHECKING:
    from harness.plans.execution.hazard_gate import HazardUse
    from harness.plans.schema.files import Fixture, Plan


@app.command(
    epilog=example("slotproof check test_plans/*.yaml fixtures/demo_bench.yaml")
)
def check(
    files: Annotated[
        list[Path], typer.Argument(metavar="FILE", help="plan and fixture files")
    ],
) -> None:
    """Check plan and fixture files without any hardware.

    With one fixture among the files, plans are also checked against it. What a plan
    does that can hurt is listed with its cautions, of a soak what it can prove, and
    what the fixture's adapter cannot make or measure of what the plan asks for.
    """
    from harness.plans.execution.hazard_gate import require_named  # noqa: PLC0415
    from harness.plans.loading.files import (  # noqa: PLC0415
        check_together,
        load_fixture,
        load_plan,
        which,
    )
    from harness.plans.loading.problems import PlanError, Problem  # noqa: PLC0415

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
    from harness.plans.execution.foretold import foretold  # noqa: PLC0415

    lines = foretold(plan, fixture)
    if lines:
        typer.echo(
            f"{plan.source.name}: what the adapter of {fixture.source.name} cannot make"
        )
    for line in lines:
        typer.echo(f"    {line}")


def _show_seating(fixtures: list[Fixture]) -> None:
    """What a run will not know about sockets without a ROM code."""
    from harness.plans.execution.seating import outlook  # noqa: PLC0415

    for fixture in fixtures:
        for text in outlook(fixture):
            say(f"{fixture.source.name}: {text}")


def _show_soaks(plan: Plan, fixture: Fixture | None) -> None:
    """What each soak of a plan can prove, and what it writes."""
    from harness.plans.execution.soak_estimate import outlook  # noqa: PLC0415
    from harness.plans.schema.soak import Soak  # noqa: PLC0415

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
        from harness.families.hazard import ALWAYS  # noqa: PLC0415

        names = sorted({hazard for use in uses for hazard in use.hazards})
        say(f"    to run: {' '.join(f'--allow {name}' for name in names)}")
        for caution in ALWAYS:
            say(f"    {caution}")


@app.command(epilog=example("slotproof schema plan > plan.schema.json"))
def schema(
    kind: Annotated[str, typer.Argument(metavar="KIND", help="plan or fixture")],
) -> None:
    """Print the JSON Schema of a file kind, for completion in an editor."""
    import json  # noqa: PLC0415

    from harness.plans.schema.files import MODELS, json_schema  # noqa: PLC0415

    for known in MODELS:
        if kind == known:
            say(json.dumps(json_schema(known), indent=2))
            return
    raise UsageError(f"{kind!r} is no file kind", hint="use plan or fixture")


@app.command(epilog=example("slotproof families 2D"))
def families(
    code: Annotated[
        str | None,
        typer.Argument(
            metavar="CODE", help="family code in hex, for all about one kind"
        ),
    ] = None,
    *,
    class_: Annotated[
        str | None,
        typer.Option("--class", metavar="CLASS", help="only kinds of this class"),
    ] = None,
    markdown: Annotated[
        bool, typer.Option("--markdown", help="print the README's table")
    ] = False,
) -> None:
    """List the kinds of device: what to read, set and check, what is destructive."""
    from harness.families import overview, registry  # noqa: PLC0415

    if markdown:
        lines = [overview.markdown()]
    elif code is not None:
        family = registry.family_of(overview.parse_code(code))
        lines = list(overview.details_of(family))
    else:
        lines = list(overview.lines_of(overview.families_of(class_)))
    for line in lines:
        say(line)
