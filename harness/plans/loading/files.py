"""Plan and fixture files: read, judged, and every mistake reported with its place.

In layers: ``load_*`` take a path, ``parse_*`` take text and touch no disk. Both
raise ``PlanError`` with all problems at once, in the order of the file.
"""

from __future__ import annotations

import hashlib
import stat
from collections.abc import Mapping
from pathlib import Path

from harness.plans.loading.checks import check_steps
from harness.plans.loading.models import Model, shown, validate
from harness.plans.loading.parameters import Parameters
from harness.plans.loading.plan_fixture_check import check_together
from harness.plans.loading.problems import PlanError, Problem, nearest
from harness.plans.loading.yaml_text import Document, KeyPath, Plain, parse
from harness.plans.schema.files import FileKind, Fixture, Plan, Source, StepItem

LARGEST_FILE_BYTES = 1_000_000
"""A plan of a thousand steps is a twentieth of that."""


def load_plan(path: str | Path, parameters: Mapping[str, str] | None = None) -> Plan:
    """Read a plan file.

    Args:
        path: the file.
        parameters: name -> text from the command line, in place of defaults.

    Raises:
        PlanError: everything that is wrong, with file, line and column.

    Example:
        >>> import harness
        >>> low = {"at_least": "8"}
        >>> harness.load_plan("test_plans/serial_numbers.yaml", low).parameters
        {'at_least': 8}
    """
    content, source = _read(path)
    return _plan(_decode(content, source.name), source, parameters or {})


def load_fixture(path: str | Path) -> Fixture:
    """Read a fixture file; ``Fixture.path`` is its absolute path.

    Raises:
        PlanError: everything that is wrong, with file, line and column.

    Example:
        >>> import harness
        >>> harness.load_fixture("fixtures/demo_bench.yaml").title
        'cold-store probe bench'
    """
    content, source = _read(path)
    return _fixture(_decode(content, source.name), source)


def parse_plan(
    text: str, name: str, parameters: Mapping[str, str] | None = None
) -> Plan:
    """Read a plan from text; ``name`` stands for the file in messages.

    Raises:
        PlanError: everything that is wrong, with line and column.
    """
    return _plan(text, _source_of_text(text, name), parameters or {})


def parse_fixture(text: str, name: str) -> Fixture:
    """Read a fixture from text; ``name`` stands for the file in messages.

    Raises:
        PlanError: everything that is wrong, with line and column.
    """
    return _fixture(text, _source_of_text(text, name))


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
        loaded_plan = load_plan(plan, parameters)
    except PlanError as error:
        problems += error.problems
    try:
        loaded_fixture = load_fixture(fixture)
    except PlanError as error:
        problems += error.problems
    if loaded_plan is None or loaded_fixture is None:
        raise PlanError(problems)
    return loaded_plan, loaded_fixture


def which(path: str | Path) -> FileKind:
    """Whether a file is a plan or a fixture, by its top-level key.

    Raises:
        PlanError: unreadable, or neither of the two, or both.
    """
    content, source = _read(path)
    document = parse(_decode(content, source.name), source.name)
    keys = list(document.data) if isinstance(document.data, dict) else []
    if "plan" in keys and "fixture" not in keys:
        return "plan"
    if "fixture" in keys and "plan" not in keys:
        return "fixture"
    raise PlanError([_of_no_kind(document, keys)])


def _of_no_kind(document: Document, keys: list[str]) -> Problem:
    first = document.keys.get((keys[0],)) if keys else None
    near = (nearest(key, ("plan", "fixture")) for key in keys)
    both = "plan" in keys
    return document.problem(
        first or document.place_of(()),
        "plan and fixture in one file" if both else "neither plan nor fixture",
        expected="one top-level key `plan:` or `fixture:` with the title",
        nearest=next(filter(None, near), ""),
    )


def _read(path: str | Path) -> tuple[bytes, Source]:
    name = str(path)
    try:
        content = _content(Path(path))
        absolute = str(Path(path).resolve())
    except _Unfit as error:
        raise PlanError([Problem(file=name, what=str(error))]) from None
    except (OSError, ValueError) as error:
        raise PlanError([Problem(file=name, what=_reason(error))]) from error
    digest = hashlib.sha256(content).hexdigest()
    return content, Source(name=name, path=absolute, sha256=digest)


class _Unfit(Exception):
    """The file is there and is none of ours."""


def _content(path: Path) -> bytes:
    mode = path.stat().st_mode
    if stat.S_ISDIR(mode):
        raise _Unfit("this is a folder; expected a YAML file")
    if not stat.S_ISREG(mode):
        raise _Unfit("this is no regular file; expected a YAML file")
    with path.open("rb") as file:
        # one byte more than allowed tells a large file without reading it whole
        content = file.read(LARGEST_FILE_BYTES + 1)
    if len(content) > LARGEST_FILE_BYTES:
        raise _Unfit("larger than 1 MB; expected a YAML file written by hand")
    return content


def _reason(error: OSError | ValueError) -> str:
    if isinstance(error, FileNotFoundError):
        return "no such file"
    if isinstance(error, PermissionError):
        return "no permission to read this file"
    detail = getattr(error, "strerror", None) or str(error)
    return f"cannot be read: {detail}"


def _decode(content: bytes, name: str) -> str:
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        before = content[: error.start]
        raise PlanError(
            [
                Problem(
                    file=name,
                    line=before.count(b"\n") + 1,
                    column=len(before) - before.rfind(b"\n"),
                    what=f"byte {content[error.start]:02X}h is no UTF-8 text",
                    expected="a YAML file, saved as UTF-8",
                )
            ]
        ) from error
    if "\0" in text:
        raise PlanError(
            [Problem(file=name, what="a binary file", expected="a YAML file")]
        )
    return text


def _source_of_text(text: str, name: str) -> Source:
    digest = hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()
    return Source(name=name, sha256=digest)


def _fixture(text: str, source: Source) -> Fixture:
    document = parse(text, source.name)
    data = _mapping(document, "fixture")
    fixture, problems = validate(Fixture, data, document, {})
    return _sound(fixture, [*document.problems, *problems]).come_from(source)


def _plan(text: str, source: Source, overrides: Mapping[str, str]) -> Plan:
    document = parse(text, source.name)
    data = dict(_mapping(document, "plan"))
    parameters = Parameters(document, overrides)
    if "steps" in data:
        data["steps"] = parameters.put_into(data["steps"], ("steps",))
    if isinstance(declared := data.get("parameters"), dict):
        data["parameters"] = {**declared, **parameters.values}
    plan, problems = validate(Plan, data, document, parameters.notes)
    problems += [*document.problems, *parameters.problems]
    problems += check_steps(data, document)
    plan = _sound(plan, problems).come_from(source)
    _number(plan.steps, document, ("steps",), "")
    return plan


def _mapping(document: Document, kind: FileKind) -> dict[str, Plain]:
    """The file's data, if it can be of that kind at all."""
    data = document.data
    other = "fixture" if kind == "plan" else "plan"
    if isinstance(data, dict) and (kind in data or other not in data):
        return data  # the schema says what is missing or misspelt
    what = f"the file is {shown(data)}"
    if isinstance(data, dict):
        what = f"this is a {other}, not a {kind}"
    expected = f"a {kind}, with the top-level key `{kind}:`"
    place = document.place_of(())
    raise PlanError(
        [*document.problems, document.problem(place, what, expected=expected)]
    )


def _sound(model: Model | None, problems: list[Problem]) -> Model:
    if model is None or problems:
        raise PlanError(problems)
    return model


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


__all__ = [
    "LARGEST_FILE_BYTES",
    "PlanError",
    "Problem",
    "check_together",
    "load_fixture",
    "load_plan",
    "parse",
    "parse_fixture",
    "parse_plan",
    "which",
]
