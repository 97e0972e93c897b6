"""Mistakes of check steps: functions, options and hazards that the families lack."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from harness.errors import UsageError
from harness.families.check import Step
from harness.families.family import Check, Option, OptionKind
from harness.families.hazard import known_hazards
from harness.families.registry import Kinds
from harness.old_names import renamed
from harness.plans.loading.problems import Problem, family_print, nearest, one_of
from harness.plans.loading.yaml_text import Document, KeyPath, Plain

Codes = tuple[int, ...]


def check_function(
    kinds: Kinds,
    body: dict[str, Plain],
    document: Document,
    path: KeyPath,
    codes: Codes,
) -> Iterator[Problem]:
    """Mistakes of one check step that only the families know.

    Args:
        kinds: those that plan and fixture know.
        body: the step's plain data.
        document: where it came from.
        path: key path of the body.
        codes: families that all must have the function; if empty, one is enough.
    """
    function = body.get("function")
    if isinstance(function, str) and function:
        function = renamed(function)
        lacking, known = lacking_check(kinds, function, codes)
        if lacking:
            yield document.problem(
                document.place_of((*path, "function")),
                f"{lacking} check {function!r}",
                expected=one_of(known) if known else "no check step for it",
                nearest=nearest(function, known),
            )
        else:
            yield from _options(
                checks_named(kinds, function, codes),
                body.get("with"),
                function,
                document,
                path,
            )
    yield from check_hazard_names(body.get("hazard"), document, path)


def check_plug_in(
    kinds: Kinds, body: dict[str, Plain], document: Document, path: KeyPath
) -> Iterator[Problem]:
    """Mistakes of one step of a plug-in: its name, options and hazards."""
    name = body.get("step")
    if isinstance(name, str) and name:
        row = kinds.steps.get(name)
        if row is None:
            known = sorted(kinds.steps)
            yield document.problem(
                document.place_of((*path, "step")),
                f"no plug-in that is named here has a step {name!r}",
                expected=one_of(known) if known else "its plug-in under plug_ins",
                nearest=nearest(name, known),
            )
        else:
            yield from _options([row], body.get("with"), name, document, path)
    yield from check_hazard_names(body.get("hazard"), document, path)


def lacking_check(kinds: Kinds, function: str, codes: Codes) -> tuple[str, list[str]]:
    """Which family lacks a check, as the start of a sentence, and what it has."""
    for code in codes:
        names = list(kinds.check_names(code))
        if function not in names:
            return f"family {family_print(code)} has no", names
    every = sorted(
        {name for code in kinds.known_families() for name in kinds.check_names(code)}
    )
    if codes or function in every:
        return "", []
    return "no known family has a", every


def checks_named(kinds: Kinds, function: str, codes: Codes) -> list[Check]:
    """The checks of this name of these families; of all known ones if none is given."""
    found = (kinds.checks(c).get(function) for c in codes or kinds.known_families())
    return [check for check in found if check is not None]


def _options(
    checks: Sequence[Check | Step],
    given: Plain,
    function: str,
    document: Document,
    path: KeyPath,
) -> Iterator[Problem]:
    declared = {name: o for check in checks for name, o in check.options.items()}
    values = given if isinstance(given, dict) else {}
    for name, raw in values.items():
        at = (*path, "with", name)
        if name not in declared:
            yield document.problem(
                document.keys[at],
                f"{function} has no option {name!r}",
                expected=one_of(list(declared)) if declared else "no option at all",
                nearest=nearest(name, declared),
            )
        else:
            yield from _value(declared[name], raw, document, at)
    for name, option in declared.items():
        if option.required and name not in values:
            yield document.problem(
                document.place_of(path),
                f"{function} needs option {name!r}",
                expected=f"with: {{{name}: {option.expected}}}",
            )


def _value(
    option: Option, raw: Plain, document: Document, at: KeyPath
) -> Iterator[Problem]:
    """What is wrong with the value of an option, unless its key is at fault already."""
    if option.kind is OptionKind.RECORD and isinstance(raw, str):
        yield from _record(raw, document, at)
        return
    try:
        option.parse(raw)
    except UsageError as mistake:
        if not document.is_spoiled(at):
            yield document.problem(
                document.place_of(at), mistake.what, expected=option.expected
            )


def _record(name: str, document: Document, at: KeyPath) -> Iterator[Problem]:
    data = document.data.get("record") if isinstance(document.data, dict) else None
    known = list(data) if isinstance(data, dict) else []
    if name not in known:
        yield document.problem(
            document.place_of(at),
            f"the plan has no record {name!r}",
            expected=one_of(known) if known else "record: with its fields in the plan",
            nearest=nearest(name, known),
        )


def check_hazard_names(
    named: Plain, document: Document, path: KeyPath
) -> Iterator[Problem]:
    """Names under ``hazard`` that are no hazards."""
    many = isinstance(named, list)
    for index, name in enumerate(named if isinstance(named, list) else [named]):
        if isinstance(name, str) and name not in known_hazards():
            at = (*path, "hazard", index) if many else (*path, "hazard")
            yield document.problem(
                document.place_of(at),
                f"unknown hazard {name!r}",
                expected=one_of(known_hazards()),
                nearest=nearest(name, known_hazards()),
            )
