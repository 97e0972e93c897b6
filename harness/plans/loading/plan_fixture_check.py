"""Whether a plan can run on a fixture."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from typing import Any

from harness.families.registry import Kinds
from harness.instruments.row import InstrumentRow
from harness.plans.kinds.table import kinds_of
from harness.plans.loading.checks import who_lacks
from harness.plans.loading.functions import lacking_check
from harness.plans.loading.problems import Problem, family_print, nearest, one_of
from harness.plans.schema.files import (
    CheckBody,
    Enumerate,
    Fixture,
    ForEach,
    Plan,
    Read,
    Reset,
    Socket,
    StepItem,
    Switch,
    Verify,
)
from harness.plans.schema.measure import Shmoo
from harness.plans.schema.varied.instruments import Adjust, Meter
from harness.plans.schema.varied.vary import VariedCondition
from harness.quality.uncertainty import COVERAGE_FACTOR


def check_together(plan: Plan, fixture: Fixture) -> list[Problem]:
    """What the plan asks of the fixture that the fixture does not have.

    Each problem stands at the step of the plan.
    """
    kinds = kinds_of(plan, fixture)
    # what a vary step makes of one step has the same mistakes under each condition
    of_steps = dict.fromkeys(
        Problem(
            file=plan.source.name,
            line=item.line,
            column=item.column,
            what=what,
            expected=expected,
            nearest=near,
        )
        for item in plan.all_steps()
        for what, expected, near in _of_step(item, fixture, kinds)
    )
    return [*_described_otherwise(plan, fixture), *of_steps]


def _described_otherwise(plan: Plan, fixture: Fixture) -> Iterator[Problem]:
    """Codes that stand beside the plan and in the fixture, and not in the same words."""
    for beside in plan.described:
        for named in fixture.described:
            codes = {f.code for f in beside.families} & {f.code for f in named.families}
            if codes and beside.source.sha256 != named.source.sha256:
                listed = ", ".join(map(family_print, sorted(codes)))
                yield Problem(
                    file=beside.source.name,
                    what=f"family {listed} is described otherwise by the fixture, in "
                    f"{named.source.name}",
                    expected="one description of each code in a run",
                )


_Finding = tuple[str, str, str]


def _of_step(item: StepItem, fixture: Fixture, kinds: Kinds) -> Iterator[_Finding]:
    body = item.body
    check = _CHECKS.get(type(body))
    if check is not None:
        yield from check(body, fixture)
    if isinstance(body, ForEach) and body.family is None:
        yield from _for_each_reads(body, fixture, kinds)


def _unknown_sockets(names: tuple[str, ...], fixture: Fixture) -> Iterator[_Finding]:
    known = [socket.name for socket in fixture.sockets]
    units = [socket.name for socket in fixture.unit_sockets]
    for name in names:
        if name not in known:
            yield (
                f"the fixture has no socket {name!r}",
                one_of(known),
                nearest(name, known),
            )
        elif name not in units:
            yield (
                f"socket {name} holds a reference, which is no device to test",
                one_of(units),
                "",
            )


def _reset(body: Reset, fixture: Fixture) -> Iterator[_Finding]:
    if body.presence == "absent" and fixture.references:
        yield (
            "presence: absent on a bench whose reference answers every reset",
            "presence: required, or a fixture without a reference",
            "",
        )


def _read(body: Read, fixture: Fixture) -> Iterator[_Finding]:
    if body.against is None:
        return
    if body.against.instrument is not None:
        yield from _instrument_as_reference(body, body.against.instrument, fixture)
        return
    known = {s.name: s for s in fixture.sockets if s.reference}
    name = body.against.name
    socket = known.get(name)
    if socket is None or socket.calibration is None:
        expected = one_of(list(known)) if known else "reference: true at its socket"
        yield f"{name!r} is no reference of the fixture", expected, nearest(name, known)
        return
    if socket.calibration.quantity != body.quantity:
        yield (
            f"the reference in {name} is calibrated for {socket.calibration.quantity}, "
            f"not for {body.quantity}",
            f"quantity: {socket.calibration.quantity}",
            "",
        )
    if lacking := who_lacks(
        kinds_of(fixture=fixture), body.quantity, (socket.expect.family_code or 0,)
    )[0]:
        yield f"reference {name}: {lacking} quantity {body.quantity!r}", "another", ""
    guard = body.against.guard * COVERAGE_FACTOR * socket.calibration.uncertainty
    guard /= socket.calibration.coverage_factor
    bounded = body.low is not None and body.high is not None
    if bounded and 2 * guard >= (body.high or 0.0) - (body.low or 0.0):
        yield (
            f"the certificate of {name} alone makes a guard of {guard:.3g}, which leaves "
            "nothing of the limits",
            "wider limits, or a better reference",
            "",
        )


def _instrument_as_reference(
    body: Read, name: str, fixture: Fixture
) -> Iterator[_Finding]:
    found = next((i for i in fixture.instruments if i.name == name), None)
    if found is None:
        yield _no_instrument(name, fixture)
        return
    if found.calibration is None or found.calibration.quantity != body.quantity:
        yield (
            f"{name} has no calibration of {body.quantity}",
            "calibration at the instrument in the fixture",
            "",
        )
    readings = found.row.words.readings
    if not any(each.startswith(f"{body.quantity}_") for each in readings):
        yield f"{name} does not read {body.quantity}", "a thermometer", ""


def _instrument(name: str, fixture: Fixture) -> InstrumentRow | None:
    return next((i.row for i in fixture.instruments if i.name == name), None)


def _no_instrument(name: str, fixture: Fixture) -> _Finding:
    known = [i.name for i in fixture.instruments]
    expected = one_of(known) if known else "an entry under instruments in the fixture"
    return f"the fixture has no instrument {name!r}", expected, nearest(name, known)


def _adjust(body: Adjust, fixture: Fixture) -> Iterator[_Finding]:
    yield from _settings_of(body.instrument, body.to, fixture)


def _condition(body: VariedCondition, fixture: Fixture) -> Iterator[_Finding]:
    for name, settings in body.settings.items():
        yield from _settings_of(name, settings, fixture)


def _shmoo(body: Shmoo, fixture: Fixture) -> Iterator[_Finding]:
    for name, settings in body.axis_settings.items():
        for setting, values in settings.items():
            for value in values:
                found = list(_settings_of(name, {setting: value}, fixture))
                yield from found
                if found:
                    return


def _settings_of(
    instrument: str, settings: Mapping[str, float | bool], fixture: Fixture
) -> Iterator[_Finding]:
    row = _instrument(instrument, fixture)
    if row is None:
        yield _no_instrument(instrument, fixture)
        return
    for name, value in settings.items():
        known = list(row.words.settings)
        if name not in known:
            yield (
                f"{row.name} has no setting {name!r}",
                one_of(known) if known else "a meter step: it only reads",
                nearest(name, known),
            )
        elif name in row.limits:
            low, high = row.limits[name]
            if not low <= float(value) <= high:
                yield (
                    f"{name} {float(value):g} of {row.name} lies outside its limits",
                    f"{low:g} to {high:g}",
                    "",
                )


def _meter(body: Meter, fixture: Fixture) -> Iterator[_Finding]:
    row = _instrument(body.instrument, fixture)
    if row is None:
        yield _no_instrument(body.instrument, fixture)
        return
    known = list(row.words.readings)
    if body.quantity not in known:
        yield (
            f"{row.name} cannot read {body.quantity!r}",
            one_of(known) if known else "an adjust step: it reads nothing",
            nearest(body.quantity, known),
        )


def _verify(body: Verify, fixture: Fixture) -> Iterator[_Finding]:
    if isinstance(body.sockets, str):
        return
    yield from _unknown_sockets(body.sockets, fixture)
    for socket in fixture.unit_sockets:
        if socket.name in body.sockets and not socket.expect.rom_code:
            yield (
                f"verify of socket {socket.name!r}, whose ROM code is not known",
                "rom_code under expect in the fixture",
                "",
            )


def _for_each(body: ForEach, fixture: Fixture) -> Iterator[_Finding]:
    yield from _unknown_sockets(body.sockets or (), fixture)
    yield from _unexpected_families(body.family or (), fixture)


def _for_each_reads(
    body: ForEach, fixture: Fixture, kinds: Kinds
) -> Iterator[_Finding]:
    """Quantities and functions against sockets; families were held against already."""
    for socket in _chosen(body, fixture):
        code = socket.expect.family_code
        for item in body.steps if code is not None else ():
            yield from _socket_reads(item, socket, code or 0, kinds)


def _chosen(body: ForEach, fixture: Fixture) -> tuple[Socket, ...]:
    return tuple(
        s
        for s in fixture.unit_sockets
        if body.sockets is None or s.name in body.sockets
    )


def _socket_reads(
    item: StepItem, socket: Socket, code: int, kinds: Kinds
) -> Iterator[_Finding]:
    for inner in item.steps:
        yield from _socket_reads(inner, socket, code, kinds)
    name, (lacking, known) = "", ("", [""])
    if isinstance(item.body, Read):
        name = item.body.quantity
        lacking, known = who_lacks(kinds, name, (code,))
    elif isinstance(item.body, CheckBody):
        name = item.body.function
        lacking, known = lacking_check(kinds, name, (code,))
    if lacking:
        yield (
            f"line {item.line}: socket {socket.name} expects family "
            f"{family_print(code)}, which has no {name!r}",
            one_of(known) if known else "another step",
            nearest(name, known),
        )


def _unexpected_families(
    codes: tuple[int, ...], fixture: Fixture
) -> Iterator[_Finding]:
    expected = [socket.expect.family_code for socket in fixture.unit_sockets]
    stated = sorted({code for code in expected if code is not None})
    if None in expected:
        return  # an open socket may hold any family
    for code in codes:
        if code not in stated:
            yield (
                f"no socket of the fixture expects family {family_print(code)}",
                one_of([family_print(c) for c in stated]),
                "",
            )


def _enumerate(body: Enumerate, fixture: Fixture) -> Iterator[_Finding]:
    if body.match_sockets and not any(
        socket.expect.family_code is not None for socket in fixture.sockets
    ):
        yield (
            "match_sockets, and no socket of the fixture says what to expect",
            "family or rom_code under expect in the fixture",
            "",
        )


def _switch(body: Switch, fixture: Fixture) -> Iterator[_Finding]:
    power = fixture.power
    if body.supply is not None and (power is None or power.supply_on is None):
        yield (
            "the fixture cannot switch the supply",
            "power.supply_on in the fixture",
            "",
        )
    if body.strong_pull_up is not None and (
        power is None or power.strong_pull_up_on is None
    ):
        yield (
            "the fixture cannot switch a strong pull-up",
            "power.strong_pull_up_on in the fixture",
            "",
        )


_CHECKS: dict[type, Callable[[Any, Fixture], Iterator[_Finding]]] = {
    Enumerate: _enumerate,
    ForEach: _for_each,
    Switch: _switch,
    Adjust: _adjust,
    VariedCondition: _condition,
    Shmoo: _shmoo,
    Meter: _meter,
    Read: _read,
    Reset: _reset,
    Verify: _verify,
}
