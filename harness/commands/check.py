"""`slotproof check`: files, without touching a port."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path

from harness.commands.base import print_json, print_texts
from harness.commands.declared.style import OutputStyle
from harness.commands.outputs.others import CheckAnswer, CheckedFile
from harness.families.hazard import ALWAYS
from harness.plans.execution import seating
from harness.plans.execution.adapter_reach import beyond_adapter
from harness.plans.execution.hazard_gate import HazardUse, require_named
from harness.plans.loading.files import (
    check_together,
    load_fixture,
    load_kind,
    load_plan,
    which,
)
from harness.plans.loading.problems import PlanError, Problem
from harness.plans.schema.base import Described
from harness.plans.schema.files import Fixture, Plan
from harness.plans.schema.soak import Soak
from harness.plans.steps.instruments.vary_estimate import vary_times
from harness.plans.steps.soak.estimate import outlook

EXIT_MISTAKES = 2


def check(*, files: tuple[Path, ...], style: OutputStyle) -> int:
    """Check plan and fixture files without any hardware."""
    plans, fixtures, described, problems = _load(files)
    fixture = fixtures[0] if len(fixtures) == 1 else None
    if fixture is not None:
        problems += (p for plan in plans for p in check_together(plan, fixture))
    if problems and not style.json:
        raise PlanError(problems)
    uses = {plan.source.name: require_named(plan, fixture) for plan in plans}
    remarks = [*_seating(fixtures), *_plan_remarks(plans, fixture)]
    items: list[Plan | Fixture] = [*plans, *fixtures]
    if style.json:
        print_json(_answer(items, uses, problems, remarks, described))
        return EXIT_MISTAKES if problems else 0
    print_texts(map(_in_order, described))
    _show(items, uses, remarks, is_quiet=style.quiet)
    return 0


def _show(
    items: list[Plan | Fixture],
    uses: dict[str, list[HazardUse]],
    remarks: list[str],
    *,
    is_quiet: bool,
) -> None:
    for item in items:
        print_texts([f"{item.source.name}: {_kind(item)} {item.title!r} is in order"])
        if not is_quiet:
            _show_hazards(uses.get(item.source.name, []))
    print_texts(() if is_quiet else remarks)


def _in_order(kind: Described) -> str:
    codes = ", ".join(f"{family.code:02X}h" for family in kind.families)
    return f"{kind.source.name}: kind {kind.title!r} ({codes}) is in order"


def _kind(item: Plan | Fixture) -> str:
    return "plan" if isinstance(item, Plan) else "fixture"


def _load(
    files: Iterable[Path],
) -> tuple[list[Plan], list[Fixture], list[Described], list[Problem]]:
    """Files without a mistake, and the mistakes of others; plans last: they need kinds."""
    problems: list[Problem] = []
    plans: list[Plan] = []
    fixtures: list[Fixture] = []
    described: list[Described] = []
    of_plans: list[Path] = []
    for path in files:
        try:
            match which(path):
                case "plan":
                    of_plans.append(path)
                case "fixture":
                    fixtures.append(load_fixture(path))
                case "kind":
                    described.append(load_kind(path))
        except PlanError as error:
            problems += error.problems
    for path in of_plans:
        try:
            plans.append(load_plan(path, fixtures=fixtures))
        except PlanError as error:
            problems += error.problems
    return plans, fixtures, described, problems


def _answer(
    items: list[Plan | Fixture],
    uses: dict[str, list[HazardUse]],
    problems: list[Problem],
    remarks: list[str],
    described: list[Described],
) -> CheckAnswer:
    return CheckAnswer(
        command="check",
        exit_code=EXIT_MISTAKES if problems else 0,
        files=tuple(
            CheckedFile(
                file=item.source.name,
                kind=_kind(item),
                title=item.title,
                hazards=tuple(
                    sorted(
                        {
                            str(h)
                            for u in uses.get(item.source.name, ())
                            for h in u.hazards
                        }
                    )
                ),
            )
            for item in items
        )
        + tuple(
            CheckedFile(
                file=kind.source.name, kind="kind", title=kind.title, hazards=()
            )
            for kind in described
        ),
        mistakes=tuple(map(str, problems)),
        remarks=tuple(line.strip() for line in remarks),
    )


def _plan_remarks(plans: list[Plan], fixture: Fixture | None) -> Iterator[str]:
    for plan in plans:
        yield from _soaks(plan, fixture)
        if fixture is not None:
            yield from (f"{plan.source.name}: {t}" for t in vary_times(plan, fixture))
        yield from _beyond_adapter(plan, fixture)


def _beyond_adapter(plan: Plan, fixture: Fixture | None) -> Iterator[str]:
    """What the adapter cannot make or measure of a plan."""
    if fixture is None:
        return

    lines = beyond_adapter(plan, fixture)
    if lines:
        yield f"{plan.source.name}: what the adapter of {fixture.source.name} cannot make"
    for line in lines:
        yield f"    {line}"


def _seating(fixtures: list[Fixture]) -> Iterator[str]:
    """What a run will not know about sockets without a ROM code."""
    for fixture in fixtures:
        for text in seating.outlook(fixture):
            yield f"{fixture.source.name}: {text}"


def _soaks(plan: Plan, fixture: Fixture | None) -> Iterator[str]:
    """What each soak of a plan can prove, and what it writes."""
    for item in plan.leaf_steps():
        if isinstance(item.body, Soak):
            families = item.body.family
            sockets = fixture.unit_sockets if fixture else ()
            count = sum(
                families is None or socket.expect.family_code in families
                for socket in sockets
            )
            yield f"{plan.source.name}: soak on line {item.line}"
            for text in outlook(item.body, count or None).sentences():
                yield f"    {text}"


def _show_hazards(uses: list[HazardUse]) -> None:
    for use in uses:
        print_texts([f"    line {use.item.line}: {use.what} can hurt"])
        for hazard in sorted(use.hazards):
            print_texts([f"        {hazard}: {hazard.caution}"])
    if uses:
        names = sorted({hazard for use in uses for hazard in use.hazards})
        print_texts([f"    to run: {' '.join(f'--allow {name}' for name in names)}"])
        for caution in ALWAYS:
            print_texts([f"    {caution}"])
