"""Rows of restarts are true: the simulated model, restarted, shows what they say."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import pytest

from harness.driver.session import DeviceSession
from harness.errors import ReadingImplausible
from harness.families.family import ALARM_SEARCH
from harness.families.registry import family_of, known_families
from harness.families.restart import AfterRestart, RestartSign
from harness.records import Scalar
from tests.families.cases import CASES, Case, open_case

Make = Callable[..., Any]
"""A fixture that makes something; conftest has the signatures."""


def _signs() -> Iterator[Any]:
    for case in CASES:
        for sign in family_of(case.family).restarts:
            if sign.shown_by in case.leave:
                yield pytest.param(case, sign, id=f"{case} {sign.shown_by}")


def restart(session: DeviceSession) -> None:
    """Power of the device goes and comes, for a moment that nobody on the line sees."""
    station = session._bus.adapter.port.bench.stations[0]
    station.power_off()
    session.clock.sleep(0.01)
    station.power_on()
    session.clock.sleep(0.01)
    session.settle()  # a device that wakes up says so


def shown(session: DeviceSession, sign: RestartSign) -> Scalar:
    """What the sign reads, without a new measurement."""
    if sign.read is not None:
        return sign.read(session)
    quantity = family_of(session.rom.family).quantities[sign.shown_by]
    return (quantity.reread or quantity.read)(session).value


@pytest.mark.parametrize(("case", "sign"), list(_signs()))
def test_a_restart_shows(live: Make, case: Case, sign: RestartSign) -> None:
    """The reading was another one before the restart, and is as the row says after it."""
    session = open_case(live, case)
    stored = None if sign.after is AfterRestart.REFUSED else shown(session, sign)
    case.leave[sign.shown_by](session)
    left = shown(session, sign)
    restart(session)
    if sign.after is AfterRestart.REFUSED:
        with pytest.raises(ReadingImplausible):
            shown(session, sign)
        return
    after = shown(session, sign)
    if sign.after is AfterRestart.STORED:
        assert after == stored != left
    elif sign.after is not AfterRestart.RANDOM:
        assert after == sign.after != left


@pytest.mark.parametrize("code", [c for c in known_families() if family_of(c).restarts])
def test_what_rows_name_exists(code: int) -> None:
    """Quantities, settings and checks by the names that the family has."""
    family = family_of(code)
    names = {*family.quantities, *family.settings, *family.checks, ALARM_SEARCH}
    for sign in family.restarts:
        assert sign.governs <= names, sign.shown_by
        assert sign.read is not None or sign.shown_by in family.quantities
        assert sign.source


def test_every_sign_is_tried() -> None:
    """Each row of a family is shown by a case."""
    tried = {(p.values[0].family, p.values[1].shown_by) for p in _signs()}
    for code in known_families():
        for sign in family_of(code).restarts:
            assert (code, sign.shown_by) in tried
