"""Plug-ins that a plan or fixture names, found among the installed packages' entry points.

Nothing of a package is imported before a file names its plug-in. What is wrong with one
is one sentence with its name, its package and the place in the file.
"""

from __future__ import annotations

import hashlib
import sys
from collections.abc import Iterable, Iterator, Mapping
from importlib.metadata import EntryPoint, entry_points
from pathlib import Path
from typing import Any

from harness.families.check import Check, Step
from harness.families.family import Family
from harness.families.registry import Kinds
from harness.plans.loading.problems import (
    PlanError,
    Problem,
    family_print,
    nearest,
    one_of,
)
from harness.plans.loading.yaml_text import Document
from harness.plans.plug_ins.guard import guarded_check, guarded_family, guarded_step
from harness.plans.plug_ins.plug_in import API_VERSION, OLDEST_API, PlugIn
from harness.plans.schema.base import Described, Source

GROUPS = ("families", "checks", "steps")
"""Entry points ``slotproof.NAME`` of each."""


class _UnfitError(Exception):
    """Why a plug-in cannot be used: what, and what would be right."""

    def __init__(self, what: str, expected: str, near: str = "") -> None:
        super().__init__(what)
        self.what, self.expected, self.near = what, expected, near


def plug_ins_named(
    names: Iterable[str], document: Document, kinds: Kinds
) -> tuple[Described, ...]:
    """Load the plug-ins that a file names under ``plug_ins``.

    Args:
        names: of their entry points.
        document: the file, for places in messages.
        kinds: what is known without them.

    Raises:
        PlanError: one is not installed, raises, is too old or claims a taken name.
    """
    found: list[Described] = []
    problems = []
    for name in names:
        try:
            described = _loaded(name, kinds)
        except _UnfitError as fault:
            problems.append(
                document.problem(
                    document.place_of(("plug_ins", _row_of(document, name))),
                    fault.what,
                    expected=fault.expected,
                    nearest=fault.near,
                )
            )
            continue
        kinds = known_with(kinds, [described])
        found.append(described)
    if problems:
        raise PlanError(problems)
    return tuple(found)


def plug_in_named(name: str, kinds: Kinds) -> Described:
    """Load one plug-in that the command line names.

    Raises:
        PlanError: it is not installed, raises, is too old or claims a taken name.
    """
    try:
        return _loaded(name, kinds)
    except _UnfitError as fault:
        problem = Problem(
            file="--plug-in",
            what=fault.what,
            expected=fault.expected,
            nearest=fault.near,
        )
        raise PlanError([problem]) from fault


def installed() -> dict[str, str]:
    """Name of each installed plug-in, and in words its package and what it brings.

    Nothing of a package is imported.
    """
    parts: dict[tuple[str, str], list[str]] = {}
    for group in GROUPS:
        for point in entry_points(group=f"slotproof.{group}"):
            parts.setdefault((point.name, _package(point)), []).append(group)
    found: dict[str, str] = {}
    for (name, package), groups in sorted(parts.items()):
        told = f"{package}: {', '.join(dict.fromkeys(groups))}"
        found[name] = f"{found[name]}; {told}" if name in found else told
    return found


def _row_of(document: Document, name: str) -> int:
    """Which entry of the file's list names a plug-in."""
    data = document.data
    listed = data.get("plug_ins") if isinstance(data, dict) else None
    return listed.index(name) if isinstance(listed, list) and name in listed else 0


def known_with(kinds: Kinds, described: Iterable[Described]) -> Kinds:
    """Kinds, and with them what files describe and plug-ins add."""
    listed = list(described)
    for each in listed:
        kinds = kinds.with_described(each.families)
    for each in listed:
        kinds = kinds.with_added(each.checks, each.steps)
    return kinds


def _loaded(name: str, kinds: Kinds) -> Described:
    points = list(_points(name))
    owner = f"plug-in {name} ({_package(points[0])})"
    offered = [(p.group.rpartition(".")[2], _plug_in(owner, p)) for p in points]
    try:
        whole = _described(name, owner, points, offered)
        _require_free(owner, whole, kinds)
    except (AttributeError, TypeError, ValueError) as fault:
        raise _UnfitError(
            f"{owner} has rows of another shape: {fault}",
            "harness.Family, harness.Check and harness.Step",
        ) from fault
    return whole


def _described(
    name: str,
    owner: str,
    points: list[EntryPoint],
    offered: Iterable[tuple[str, PlugIn]],
) -> Described:
    families: list[Family] = []
    checks: dict[int, tuple[Check, ...]] = {}
    steps: list[Step] = []
    for part, plug_in in offered:
        if part == "families":
            families += plug_in.families
        elif part == "checks":
            checks |= plug_in.checks
        else:
            steps += plug_in.steps
    return Described(
        source=Source(name=owner, sha256=_digest(points)),
        title=name,
        families=tuple(guarded_family(owner, row) for row in families),
        checks={
            code: tuple(guarded_check(owner, row) for row in rows)
            for code, rows in checks.items()
        },
        steps=tuple(guarded_step(owner, row) for row in steps),
        plain=_facts(name, points, families, checks, steps),
    )


def _points(name: str) -> Iterator[EntryPoint]:
    installed: set[str] = set()
    found: dict[str, EntryPoint] = {}
    for group in (f"slotproof.{each}" for each in GROUPS):
        for point in entry_points(group=group):
            installed.add(point.name)
            if point.name != name:
                continue
            _require_one_package(name, [found.setdefault(group, point), point])
    if not found:
        raise _UnfitError(
            f"no plug-in {name!r} is installed",
            one_of(sorted(installed)) if installed else "its package, by pip install",
            nearest(name, installed),
        )
    _require_one_package(name, found.values())
    yield from found.values()


def _require_one_package(name: str, points: Iterable[EntryPoint]) -> None:
    packages = sorted({_package(point) for point in points})
    if len(packages) > 1:
        raise _UnfitError(
            f"plug-in {name} is claimed by {' and '.join(packages)}",
            "one of the packages installed",
        )


def _package(point: EntryPoint) -> str:
    dist = point.dist
    return f"{dist.name} {dist.version}" if dist else "a package without a name"


def _plug_in(owner: str, point: EntryPoint) -> PlugIn:
    try:
        plug_in = point.load()
    except (Exception, SystemExit) as fault:
        raise _UnfitError(
            f"{owner} raised {type(fault).__name__} while it was loaded: {fault}",
            "a mistake of the plug-in: report it to its author",
        ) from fault
    if not isinstance(plug_in, PlugIn):
        raise _UnfitError(
            f"{owner} offers {type(plug_in).__name__} as {point.value}",
            "a harness.PlugIn",
        )
    if not isinstance(plug_in.api, int):
        raise _UnfitError(
            f"{owner} is written for version {plug_in.api!r} of the API",
            f"a whole number such as {API_VERSION}",
        )
    if not OLDEST_API <= plug_in.api <= API_VERSION:
        age = "old" if plug_in.api < OLDEST_API else "new"
        raise _UnfitError(
            f"{owner} is too {age}: written for version {plug_in.api} of the API, this "
            f"slotproof has {API_VERSION}",
            "another version of the plug-in" if age == "old" else "a newer slotproof",
        )
    return plug_in


def _require_free(owner: str, whole: Described, kinds: Kinds) -> None:
    """No family, check or step has a name that another has."""
    codes = [family.code for family in whole.families]
    for family in whole.families:
        known = family.code in kinds.known_families()
        taken = kinds.family_of(family.code) if known else None
        if codes.count(family.code) > 1 or (taken and not taken.recognised_only):
            other = taken.name if taken else "itself"
            raise _UnfitError(
                f"{owner} claims family {family_print(family.code)}, which is taken: "
                f"{other}",
                "each family code once",
            )
    own = kinds.with_described(whole.families)
    for code, rows in whole.checks.items():
        if code not in own.known_families():
            raise _UnfitError(
                f"{owner} has checks for family {family_print(code)}, which nobody knows",
                "a family with this code in the same plug-in, or another code",
            )
        _require_new(
            owner,
            f"check {{}} of family {family_print(code)}",
            own.check_names(code),
            rows,
        )
    _require_new(owner, "step {}", kinds.steps, whole.steps)


def _require_new(
    owner: str, what: str, known: Iterable[str], rows: Iterable[Check | Step]
) -> None:
    taken = set(known)
    for row in rows:
        if row.name in taken:
            raise _UnfitError(
                f"{owner} claims the {what.format(repr(row.name))}, which is taken",
                "a name of its own",
            )
        taken.add(row.name)


def _digest(points: Iterable[EntryPoint]) -> str:
    """SHA-256 of the modules that the entry points name, as far as they are files."""
    total = hashlib.sha256()
    for point in points:
        total.update(f"{_package(point)} {point.value}".encode())
        file = getattr(sys.modules.get(point.module), "__file__", None)
        if file and Path(file).is_file():
            total.update(Path(file).read_bytes())
    return total.hexdigest()


def _facts(
    name: str,
    points: list[EntryPoint],
    families: Iterable[Family],
    checks: Mapping[int, Iterable[Check]],
    steps: Iterable[Step],
) -> dict[str, Any]:
    """What the journal keeps of a plug-in."""
    return {
        "plug_in": name,
        "package": _package(points[0]),
        "entry_points": [f"{point.group}: {point.value}" for point in points],
        "families": [f"{family.code:02X}" for family in families],
        "checks": {
            f"{c:02X}": [row.name for row in rows] for c, rows in checks.items()
        },
        "steps": [row.name for row in steps],
    }
