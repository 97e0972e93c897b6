"""Plan and fixture files: read, judged, and every mistake reported with its place.

In layers: ``load_*`` take a path, ``parse_*`` take text and touch no disk. Both
raise ``PlanError`` with all problems at once, in the order of the file.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from functools import partial
from pathlib import Path

from harness.families.registry import built_in
from harness.plans.loading.checks import check_steps
from harness.plans.loading.content import (
    LARGEST_FILE_BYTES,
    decoded,
    mapping_of,
    read_file,
    sound,
    text_source,
)
from harness.plans.loading.guarded import check_guarded
from harness.plans.loading.kinds import kinds_beside, kinds_named, load_kind
from harness.plans.loading.models import validate
from harness.plans.loading.parameters import Parameters
from harness.plans.loading.plan_fixture_check import check_together
from harness.plans.loading.problems import PlanError, Problem, nearest
from harness.plans.loading.unit_names import check_lengths
from harness.plans.loading.yaml_text import Document, KeyPath, Plain, parse
from harness.plans.plug_ins.loading import known_with, plug_ins_named
from harness.plans.schema.base import Described
from harness.plans.schema.files import (
    MODELS,
    FileKind,
    Fixture,
    Plan,
    Source,
    StepItem,
    Vary,
)
from harness.records import Scalar


def load_plan(
    path: str | Path,
    parameters: Mapping[str, str] | None = None,
    *,
    fixtures: Iterable[Fixture] = (),
) -> Plan:
    """Read a plan file, and the descriptions of kinds (``*.kind.yaml``) beside it.

    Args:
        path: the file.
        parameters: name -> text from the command line, in place of defaults.
        fixtures: those that it shall run on, for the kinds that they describe.

    Raises:
        PlanError: everything that is wrong, with file, line and column.

    Example:
        >>> import harness
        >>> low = {"at_least": "8"}
        >>> harness.load_plan("test_plans/serial_numbers.yaml", low).parameters
        {'at_least': 8}
    """
    content, source = read_file(path)
    return _plan(decoded(content, source.name), source, parameters or {}, fixtures)


def load_fixture(path: str | Path) -> Fixture:
    """Read a fixture file; ``Fixture.path`` is its absolute path.

    Raises:
        PlanError: everything that is wrong, with file, line and column.

    Example:
        >>> import harness
        >>> harness.load_fixture("fixtures/demo_bench.yaml").title
        'cold-store probe bench'
    """
    content, source = read_file(path)
    return _fixture(decoded(content, source.name), source)


def parse_plan(
    text: str,
    name: str,
    parameters: Mapping[str, str] | None = None,
    *,
    fixtures: Iterable[Fixture] = (),
) -> Plan:
    """Read a plan from text; ``name`` stands for the file in messages.

    Raises:
        PlanError: everything that is wrong, with line and column.
    """
    return _plan(text, text_source(text, name), parameters or {}, fixtures)


def parse_fixture(text: str, name: str) -> Fixture:
    """Read a fixture from text; ``name`` stands for the file in messages.

    Raises:
        PlanError: everything that is wrong, with line and column.
    """
    return _fixture(text, text_source(text, name))


def load_both(
    plan: str | Path,
    fixture: str | Path,
    parameters: Mapping[str, str] | None = None,
) -> tuple[Plan, Fixture]:
    """Read a plan and its fixture; whether they fit is ``check_together``.

    Args:
        plan: the plan file.
        fixture: the fixture file.
        parameters: name -> text from the command line, in place of defaults.

    Raises:
        PlanError: the mistakes of both files at once.
    """
    problems: list[Problem] = []
    loaded_plan: Plan | None = None
    loaded_fixture: Fixture | None = None
    try:
        loaded_fixture = load_fixture(fixture)
    except PlanError as error:
        problems += error.problems
    try:
        on = [loaded_fixture] if loaded_fixture is not None else []
        loaded_plan = load_plan(plan, parameters, fixtures=on)
    except PlanError as error:
        problems += error.problems
    if loaded_plan is None or loaded_fixture is None:
        raise PlanError(problems)
    return loaded_plan, loaded_fixture


def which(path: str | Path) -> FileKind:
    """Whether a file is a plan, a fixture or a description, by its top-level key.

    Raises:
        PlanError: unreadable, or none of these, or several of them.
    """
    content, source = read_file(path)
    document = parse(decoded(content, source.name), source.name)
    keys = list(document.data) if isinstance(document.data, dict) else []
    found = [word for word in MODELS if word in keys]
    if len(found) == 1:
        return found[0]
    raise PlanError([_of_no_kind(document, keys)])


def _of_no_kind(document: Document, keys: list[str]) -> Problem:
    first = document.keys.get((keys[0],)) if keys else None
    near = (nearest(key, MODELS) for key in keys)
    found = [word for word in MODELS if word in keys]
    return document.problem(
        first or document.place_of(()),
        f"{' and '.join(found)} in one file"
        if found
        else "neither plan nor fixture nor kind",
        expected="one top-level key `plan:`, `fixture:` or `kind:` with the title",
        nearest=next(filter(None, near), ""),
    )


def _fixture(text: str, source: Source) -> Fixture:
    document = parse(text, source.name)
    data = mapping_of(document, "fixture")
    fixture, problems = validate(Fixture, data, document, {})
    fixture = sound(fixture, [*document.problems, *problems]).come_from(source)
    named = kinds_named(fixture.kinds, source, document)
    known = known_with(built_in(), named)
    return fixture.know((*named, *plug_ins_named(fixture.plug_ins, document, known)))


def _plan(
    text: str,
    source: Source,
    overrides: Mapping[str, str],
    fixtures: Iterable[Fixture],
    unit: Mapping[str, Scalar] | None = None,
) -> Plan:
    fixtures = tuple(fixtures)
    document = parse(text, source.name)
    data = dict(mapping_of(document, "plan"))
    parameters = Parameters(document, overrides, unit)
    for key in ("steps", "record"):
        if key in data:
            data[key] = parameters.put_into(data[key], (key,))
    if isinstance(declared := data.get("parameters"), dict):
        data["parameters"] = {**declared, **parameters.values}
    plan, problems = validate(Plan, data, document, parameters.notes)
    problems += [*document.problems, *parameters.problems]
    beside = kinds_beside(source)
    of_fixtures = [d for f in fixtures for d in f.described]
    kinds = known_with(built_in(), [*beside, *of_fixtures])
    missing = _not_there(data.get("plug_ins"), of_fixtures)
    plugged = plug_ins_named(missing, document, kinds)
    kinds = known_with(kinds, plugged)
    problems += check_steps(data, document, kinds)
    problems += check_guarded(data, document)
    problems += check_lengths(data, document, parameters.notes)
    plan = sound(plan, problems).come_from(source).know((*beside, *plugged))
    plan.can_be_of_units(
        parameters.mentions,
        partial(_plan, text, source, overrides, fixtures),
    )
    _number(plan.steps, document, ("steps",), "")
    return plan


def _not_there(wanted: Plain, of_fixtures: Iterable[Described]) -> list[str]:
    """The plug-ins that a plan names and no fixture of it has loaded."""
    there = {described.title for described in of_fixtures}
    names = wanted if isinstance(wanted, list) else ()
    return [name for name in names if isinstance(name, str) and name not in there]


def _number(
    steps: tuple[StepItem, ...], document: Document, path: KeyPath, outer: str
) -> None:
    """Give each step its number and place."""
    for index, item in enumerate(steps):
        at = (*path, index)
        step_id = f"{outer}{index + 1}"
        place = document.place_of(at)
        item.put(step_id=step_id, line=place.line, column=place.column)
        _number(item.steps, document, (*at, item.kind, "steps"), f"{step_id}.")
        if isinstance(item.body, Vary):
            item.expand()


__all__ = [
    "LARGEST_FILE_BYTES",
    "PlanError",
    "Problem",
    "check_together",
    "load_fixture",
    "load_kind",
    "load_plan",
    "parse",
    "parse_fixture",
    "parse_plan",
    "which",
]
