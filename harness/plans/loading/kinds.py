"""Files that describe kinds of device: named in a fixture, or found beside a plan."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path

from harness.families.family import Family
from harness.families.registry import built_in
from harness.plans.kinds.family import families_of
from harness.plans.loading.content import (
    decoded,
    mapping_of,
    read_file,
    sound,
    text_source,
)
from harness.plans.loading.models import validate
from harness.plans.loading.problems import PlanError, Problem, family_print
from harness.plans.loading.yaml_text import Document, parse
from harness.plans.schema.base import Described, Source
from harness.plans.schema.kind.file import Kind

PATTERN = "*.kind.yaml"
"""Names of descriptions that are found beside a plan."""


def load_kind(path: str | Path) -> Described:
    """Read a description.

    Raises:
        PlanError: everything that is wrong, with file, line and column.
    """
    content, source = read_file(path)
    return _described(decoded(content, source.name), source)


def parse_kind(text: str, name: str) -> Described:
    """Read a description from text; ``name`` stands for the file in messages.

    Raises:
        PlanError: everything that is wrong, with line and column.
    """
    return _described(text, text_source(text, name))


def _described(text: str, source: Source) -> Described:
    document = parse(text, source.name)
    data = mapping_of(document, "kind")
    kind, problems = validate(Kind, data, document, {})
    kind = sound(kind, [*document.problems, *problems]).come_from(source)
    families = families_of(kind)
    sound(kind, list(_against_built_in(kind, families, document)))
    return Described(source=source, title=kind.title, families=families, plain=data)


def _against_built_in(
    kind: Kind, families: Iterable[Family], document: Document
) -> Iterator[Problem]:
    """A code that is built in is taken only on purpose, and no hazard is lost by it."""
    replaced = [
        (theirs, family)
        for family in families
        if (theirs := _driver_of(family.code)) is not None
    ]
    if not replaced and kind.replaces_built_in:
        yield document.problem(
            document.place_of(("replaces_built_in",)),
            "none of the codes is built in",
            expected="replaces_built_in: false, or leave it out",
        )
    place = document.place_of(("codes",))
    for theirs, own in replaced:
        code = family_print(theirs.code)
        if not kind.replaces_built_in:
            yield document.problem(
                place,
                f"family {code} is built in: {theirs.name}",
                expected="another code, or replaces_built_in: true",
            )
            continue
        for what, name, lost in _lost_hazards(theirs, own):
            yield document.problem(
                place,
                f"{what} {name} of family {code} loses the hazard {', '.join(lost)}",
                expected="the hazards of the kind that is replaced, at the least",
            )


def _driver_of(code: int) -> Family | None:
    """The built-in family with a driver for this code."""
    known = built_in()
    if code not in known.known_families():
        return None
    family = known.family_of(code)
    return None if family.recognised_only else family


def _lost_hazards(built: Family, own: Family) -> Iterator[tuple[str, str, list[str]]]:
    for name in built.settings.keys() & own.settings.keys():
        lost = built.settings[name].hazards - own.settings[name].hazards
        if lost:
            yield "setting", name, sorted(map(str, lost))
    for name in built.checks.keys() & own.checks.keys():
        lost = built.checks[name].hazards - own.checks[name].hazards
        if lost:
            yield "check", name, sorted(map(str, lost))


def kinds_named(
    names: Iterable[str], source: Source, document: Document
) -> tuple[Described, ...]:
    """The descriptions that a fixture names.

    Raises:
        PlanError: the mistakes of all of them, and codes that two of them claim.
    """
    folder = Path(source.path).parent if source.path else Path()
    found: list[Described] = []
    problems: list[Problem] = []
    for number, name in enumerate(names):
        place = document.place_of(("kinds", number))
        path = folder / name
        if not path.is_file():
            problems.append(
                document.problem(
                    place,
                    f"there is no file {name!r}",
                    expected="a description, from the folder of the fixture",
                )
            )
            continue
        try:
            found.append(load_kind(path))
        except PlanError as error:
            problems += error.problems
            continue
        problems += [
            document.problem(place, what, expected="each family code once")
            for what in _claimed_twice(found)
        ]
    if problems:
        raise PlanError(problems)
    return tuple(found)


def kinds_beside(source: Source) -> tuple[Described, ...]:
    """The descriptions in the folder of a plan.

    Raises:
        PlanError: the mistakes of all of them, and codes that two of them claim.
    """
    if not source.path:
        return ()
    shown = Path(source.name).parent
    found: list[Described] = []
    problems: list[Problem] = []
    for path in sorted(Path(source.path).parent.glob(PATTERN)):
        name = shown / path.name
        try:
            found.append(load_kind(name if name.is_file() else path))
        except PlanError as error:
            problems += error.problems
            continue
        problems += [
            Problem(file=found[-1].source.name, what=what, expected="each code once")
            for what in _claimed_twice(found)
        ]
    if problems:
        raise PlanError(problems)
    return tuple(found)


def _claimed_twice(found: list[Described]) -> Iterator[str]:
    """What the last of some descriptions claims and another does too."""
    last = found[-1]
    for other in found[:-1]:
        codes = {f.code for f in other.families} & {f.code for f in last.families}
        for code in sorted(codes) if other.source.sha256 != last.source.sha256 else ():
            yield f"{other.source.name} describes family {family_print(code)} too"
