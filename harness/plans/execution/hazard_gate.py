"""Hazard gate: a step with a hazard runs only if the plan names it and the command line allows it.

All is decided before anything is sent. Where the plan does not say which families a
step meets, the fixture's sockets do; where they do not, every family counts.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from harness.errors import UsageError
from harness.families.harmless import only_asks, only_asks_all
from harness.families.hazard import Hazard, known_hazards
from harness.families.registry import Kinds
from harness.plans.kinds.table import kinds_of
from harness.plans.loading.functions import checks_named
from harness.plans.loading.problems import PlanError, Problem, nearest, one_of
from harness.plans.schema.bodies import Configure
from harness.plans.schema.checks import CheckBody, PlugInStep
from harness.plans.schema.fixture import Fixture
from harness.plans.schema.plan import Plan
from harness.plans.schema.steps import ForEach, StepItem, Vary
from harness.plans.schema.transact import Transact, bytes_of
from harness.plans.steps.instruments.hazards import (
    InstrumentStep,
    hazards_of,
    settings_in,
)

Codes = tuple[int, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class HazardUse:
    """A step that carries hazards.

    Attributes:
        item: the step.
        what: the function or settings that carry them.
        hazards: what it carries.
        named: what the plan names at the step.
    """

    item: StepItem
    what: str
    hazards: frozenset[Hazard]
    named: frozenset[str]

    @property
    def unnamed(self) -> list[str]:
        """Hazards that the step does not name."""
        return sorted(set(map(str, self.hazards)) - self.named)


def hazards_in(plan: Plan, fixture: Fixture | None = None) -> list[HazardUse]:
    """The steps of a plan that carry hazards, in the order of the file."""
    codes = _codes_of_sockets(fixture, None)
    return list(_uses(plan.steps, fixture, codes, kinds_of(plan, fixture)))


def require_named(plan: Plan, fixture: Fixture | None = None) -> list[HazardUse]:
    """As ``hazards_in``, insisting that each step names what it carries.

    Raises:
        PlanError: with the place of each step that does not.
    """
    uses = hazards_in(plan, fixture)
    _raise([_unnamed(plan, use) for use in uses if use.unnamed])
    return uses


def require_allowed(
    plan: Plan, fixture: Fixture, allowed: Iterable[Hazard]
) -> list[HazardUse]:
    """Insist that all hazards are named, allowed, and that the fixture can bear them.

    Raises:
        PlanError: with the place of each step that must not run, and why.
    """
    uses = hazards_in(plan, fixture)
    permitted = set(map(str, allowed))
    problems = [_unnamed(plan, use) for use in uses if use.unnamed]
    for use in uses:
        missing = sorted(set(map(str, use.hazards)) - permitted)
        if missing:
            problems.append(_not_allowed(plan, use, missing))
        if Hazard.PROGRAMMING_12_V in use.hazards and not _can_program(fixture):
            problems.append(_no_programming_supply(plan, use))
    _raise(problems)
    return uses


def require_on_device(
    hazards: frozenset[Hazard],
    *,
    named: Iterable[str],
    allowed: Iterable[Hazard],
    what: str,
) -> None:
    """The last check, on the device at hand, before the first slot of a step.

    Raises:
        UsageError: a hazard is not both named and allowed.
    """
    missing = sorted(
        set(map(str, hazards)) - (set(named) & {str(hazard) for hazard in allowed})
    )
    if missing:
        raise UsageError(
            f"{what} on this device has hazards that are not named and allowed: "
            f"{', '.join(missing)}; nothing was sent",
            hint="name them under `hazard` at the step and allow them by --allow",
        )


def parse_allowed(
    names: Iterable[str], *, option: str = "--allow"
) -> frozenset[Hazard]:
    """Hazards by name, as the command line gives them.

    Args:
        names: of the hazards.
        option: by which they came, for messages.

    Raises:
        UsageError: a name that is none.
    """
    allowed = set()
    for name in names:
        if name not in known_hazards():
            near = nearest(name, known_hazards())
            guess = f"; did you mean {near!r}?" if near else ""
            raise UsageError(
                f"{option} does not know the hazard {name!r}{guess}",
                hint=f"use {one_of(known_hazards())}",
            )
        allowed.add(Hazard(name))
    return frozenset(allowed)


def _uses(
    steps: tuple[StepItem, ...], fixture: Fixture | None, codes: Codes, kinds: Kinds
) -> Iterator[HazardUse]:
    for item in steps:
        inner = codes
        if isinstance(item.body, ForEach):
            inner = item.body.family or _codes_of_sockets(fixture, item.body.sockets)
        # as written: under each condition of a vary step they are the same
        inside = item.body.steps if isinstance(item.body, Vary) else item.steps
        yield from _uses(inside, fixture, inner, kinds)
        everybody = _codes_of_sockets(fixture, None)
        use = (
            _use(item, codes, kinds)
            or _of_transact(item, codes, everybody, kinds)
            or _of_instruments(item, fixture, everybody, kinds)
        )
        if use is not None and use.hazards:
            yield use


def _use(item: StepItem, codes: Codes, kinds: Kinds) -> HazardUse | None:
    body = item.body
    if isinstance(body, CheckBody):
        found = checks_named(kinds, body.function, codes)
        hazards = frozenset(h for check in found for h in check.hazards)
        return HazardUse(
            item=item,
            what=f"check {body.function}",
            hazards=hazards,
            named=frozenset(body.hazard),
        )
    if isinstance(body, PlugInStep):
        row = kinds.steps.get(body.step)
        return HazardUse(
            item=item,
            what=f"step {body.step}",
            hazards=row.hazards if row else frozenset(),
            named=frozenset(body.hazard),
        )
    if isinstance(body, Configure):
        return HazardUse(
            item=item,
            what=f"configure {', '.join(body.settings)}",
            hazards=frozenset(_of_settings(kinds, body.settings, codes)),
            named=frozenset(body.hazard),
        )
    return None


def _of_transact(
    item: StepItem, codes: Codes, everybody: Codes, kinds: Kinds
) -> HazardUse | None:
    """Hazards of a transaction in raw bytes: any, unless a row says that it only reads."""
    body = item.body
    if not isinstance(body, Transact):
        return None
    write = bytes_of(body.write)
    if body.select == "match":
        meant = body.family or codes
        asks = bool(meant) and all(only_asks(kinds, c, write, body.read) for c in meant)
    else:
        opening = b"\xcc" if body.select == "skip" else b""
        asks = only_asks_all(
            kinds, everybody or kinds.known_families(), opening + write, body.read
        )
    return HazardUse(
        item=item,
        what=f"transact {body.write}".rstrip(),
        hazards=frozenset() if asks else frozenset({Hazard.RAW_WRITE}),
        named=frozenset(body.hazard),
    )


def _of_instruments(
    item: StepItem, fixture: Fixture | None, everybody: Codes, kinds: Kinds
) -> HazardUse | None:
    body = item.body
    names = dict.fromkeys(name for name, _ in settings_in(body))
    if not names or not isinstance(body, InstrumentStep):
        return None
    return HazardUse(
        item=item,
        what=f"{item.kind} {', '.join(names)}",
        hazards=frozenset(hazards_of(body, fixture, everybody, kinds)),
        named=frozenset(body.hazard),
    )


def _of_settings(kinds: Kinds, names: Iterable[str], codes: Codes) -> Iterator[Hazard]:
    for code in codes or kinds.known_families():
        rows = kinds.family_of(code).settings
        for name in rows.keys() & set(names):
            yield from rows[name].hazards


def _codes_of_sockets(fixture: Fixture | None, names: tuple[str, ...] | None) -> Codes:
    """Families that the sockets meant expect; none if one of them is open."""
    sockets = fixture.unit_sockets if fixture else ()
    expected = [
        socket.expect.family_code
        for socket in sockets
        if names is None or socket.name in names
    ]
    stated = sorted({code for code in expected if code is not None})
    return () if None in expected else tuple(stated)


def _can_program(fixture: Fixture) -> bool:
    return fixture.power is not None and fixture.power.programming_on is not None


def _problem(plan: Plan, use: HazardUse, what: str, expected: str) -> Problem:
    return Problem(
        file=plan.source.name,
        line=use.item.line,
        column=use.item.column,
        what=what,
        expected=expected,
    )


def _unnamed(plan: Plan, use: HazardUse) -> Problem:
    names = ", ".join(use.unnamed)
    return _problem(
        plan,
        use,
        f"{use.what} can hurt, and the step does not say so",
        f"hazard: [{names}] at the step, once you have read: "
        + "; ".join(Hazard(name).caution for name in use.unnamed),
    )


def _not_allowed(plan: Plan, use: HazardUse, missing: list[str]) -> Problem:
    options = " ".join(f"--allow {name}" for name in missing)
    return _problem(
        plan,
        use,
        f"{use.what} is refused: the command line does not allow {', '.join(missing)}",
        f"{options}, once you have read: "
        + "; ".join(Hazard(name).caution for name in missing),
    )


def _no_programming_supply(plan: Plan, use: HazardUse) -> Problem:
    return _problem(
        plan,
        use,
        f"{use.what} is refused: the fixture declares no programming supply",
        "power.programming_v and power.programming_on in the fixture, on an isolated "
        "line with one write-once device",
    )


def _raise(problems: list[Problem]) -> None:
    if problems:
        raise PlanError(problems)
