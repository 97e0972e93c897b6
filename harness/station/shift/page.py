"""The page of a shift for those who were not there: one file, from its journals alone."""

from __future__ import annotations

import os
import statistics
from collections.abc import Iterable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TypeVar
from urllib.parse import quote

from harness.digits import limits_text, number_text
from harness.lazy import PICTURES, STATISTICS, is_installed, missing
from harness.quality.rates import proportion_bounds
from harness.records import Outcome
from harness.results.ledger.entry import LedgerReading, UnitTest
from harness.results.plots.shift import QuantityTrend, trend_figure, yield_figure
from harness.results.reports.calendar import moment_text
from harness.results.reports.page import Picture, fill, picture, write_page
from harness.station.shift.record import ShiftRecord, TestedUnit
from harness.station.shift.tally import reason_text

FILE_NAME = "shift.html"

_FEWEST_DRAWN = 2
_MOST_DRAWN = 12
"""Quantities drawn, the nearest to a limit first; the table has all."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Failures:
    """Units that failed last for one reason; ``share`` is in percent of the most common."""

    reason: str
    units: int
    tests: int
    share: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PositionRow:
    """One position of the station."""

    name: str
    units: int
    failed: int
    tests: int
    invalid: int
    median_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuredQuantity:
    """One judged quantity over the units that passed."""

    name: str
    unit: str
    count: int
    least: str
    mean: str
    most: str
    limits: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Value:
    """One value of a failed step."""

    name: str
    value: str
    unit: str
    limits: str
    is_number: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class TrendPicture:
    """One quantity, unit by unit."""

    picture: Picture
    caption: str


def write_shift_page(
    record: ShiftRecord, folder: Path, *, of: Path | None = None
) -> Path:
    """Write the page into a folder; the file is whole or not there.

    Args:
        record: the shift.
        folder: where to.
        of: the shift's folder, if it is another one: links lead there.

    Raises:
        OSError: the folder does not take it.
    """
    path = folder / FILE_NAME
    write_page(render(record, base=_way(folder, of or folder)), path)
    return path


def _way(page: Path, shift: Path) -> str:
    """Address of the shift's folder as seen from its page, ending in a slash or empty."""
    if page.resolve() == shift.resolve():
        return ""
    try:
        way = os.path.relpath(shift.resolve(), page.resolve())
    except ValueError:  # another drive
        return f"{shift.resolve().as_uri()}/"
    return f"{quote(Path(way).as_posix())}/"


def render(record: ShiftRecord, *, base: str = "") -> str:
    """The page as text; the same record gives the same text.

    Args:
        record: the shift.
        base: address of its folder, put in front of each link.
    """
    units, counts = record.units, record.counts
    return fill(
        "shift.html.j2",
        record=record,
        counts=counts,
        outcome=str(_outcome(record)),
        plan=_one([t.plan_title for t in record.tests]) or "no test yet",
        lots=_each([t.unit.lot for t in record.tests]),
        stations=_each([t.unit.station for t in record.tests]),
        fixtures=_one([t.fixture_title for t in record.tests]),
        base=base,
        began=min((t.started_at for t in record.tests), default="-"),
        ended=max((t.finished_at for t in record.tests), default="-"),
        moment=lambda at: moment_text(at, record.utc_offset_s),
        claim=_claim(units),
        failures=list(_failures(units)),
        failed=_of_outcome(units, Outcome.FAILED),
        undecided=_of_outcome(units, Outcome.ERROR),
        values_of=_values,
        invalid=_of_outcome(record.tests, Outcome.ERROR),
        positions=list(_positions(record)),
        measured=list(_measured(units)),
        yields=_yield_picture(record),
        trends=list(_trend_pictures(units)),
        left_out="" if is_installed(PICTURES) else missing(PICTURES).hint,
        units=sorted(units, key=lambda unit: unit.key),
        name_of=lambda test: Path(test.journal).parent.name,
        clock=_clock,
    )


_Judged = TypeVar("_Judged", TestedUnit, UnitTest)


def _of_outcome(judged: Iterable[_Judged], outcome: Outcome) -> list[_Judged]:
    return [one for one in judged if one.outcome is outcome]


def _outcome(record: ShiftRecord) -> Outcome:
    outcomes = [unit.outcome for unit in record.units]
    if Outcome.FAILED in outcomes:
        return Outcome.FAILED
    return Outcome.worst(outcomes) if outcomes else Outcome.SKIPPED


def _each(texts: list[str]) -> str:
    return ", ".join(dict.fromkeys(text for text in texts if text))


def _one(texts: list[str]) -> str:
    return " and ".join(dict.fromkeys(text for text in texts if text))


def _claim(units: tuple[TestedUnit, ...]) -> str:
    """What these units say of those that the same process still makes."""
    judged = [u.outcome for u in units if u.outcome is not Outcome.ERROR]
    if not judged:
        return ""
    bad = judged.count(Outcome.FAILED)
    share = f"{100 * bad / len(judged):.2f} %"
    if not is_installed(STATISTICS):
        return f"{share}; what that says of other units: {missing(STATISTICS).hint}"
    bounds = proportion_bounds(errors=bad, trials=len(judged))
    return (
        f"{share}; of units made and tested in the same way "
        f"{100 * bounds.low:.2f} % to {100 * bounds.high:.2f} % at 95 % confidence"
    )


def _failures(units: tuple[TestedUnit, ...]) -> Iterator[Failures]:
    found: dict[str, list[TestedUnit]] = {}
    for unit in units:
        if unit.outcome is Outcome.FAILED:
            found.setdefault(reason_text(unit.last), []).append(unit)
    most = max(map(len, found.values()), default=1)
    for reason, failed in sorted(found.items(), key=lambda item: -len(item[1])):
        yield Failures(
            reason=reason,
            units=len(failed),
            tests=sum(t.outcome is Outcome.FAILED for u in failed for t in u.tests),
            share=100 * len(failed) / most,
        )


def _positions(record: ShiftRecord) -> Iterator[PositionRow]:
    for name in dict.fromkeys(test.unit.place for test in record.tests):
        tests = [test for test in record.tests if test.unit.place == name]
        here = [unit for unit in record.units if unit.last.unit.place == name]
        yield PositionRow(
            name=name or "-",
            units=len(here),
            failed=len(_of_outcome(here, Outcome.FAILED)),
            tests=len(tests),
            invalid=len(_of_outcome(tests, Outcome.ERROR)),
            median_s=statistics.median(test.duration_s for test in tests),
        )


def _measured(units: tuple[TestedUnit, ...]) -> Iterator[MeasuredQuantity]:
    found: dict[tuple[str, str, str, str], list[float]] = {}
    for unit in units:
        if unit.outcome is not Outcome.PASSED:
            continue
        for reading in unit.last.readings:
            if reading.value is not None and _limits(reading) != "-":
                key = (reading.step, reading.name, reading.unit, _limits(reading))
                found.setdefault(key, []).append(reading.value)
    for (step, name, of, limits), values in found.items():
        yield MeasuredQuantity(
            name=f"{step}: {name}",
            unit=of or "-",
            count=len(values),
            least=number_text(min(values)),
            mean=number_text(statistics.fmean(values)),
            most=number_text(max(values)),
            limits=limits,
        )


def _yield_picture(record: ShiftRecord) -> Picture | None:
    """First-pass yield over time; None of fewer than two units with a known time."""
    firsts: dict[str, tuple[datetime, bool]] = {}
    for test in record.tests:
        if test.outcome in {Outcome.PASSED, Outcome.FAILED}:
            with suppress(ValueError):  # a journal of another make
                at = datetime.fromisoformat(test.started_at)
                firsts.setdefault(test.key, (at, test.outcome is Outcome.PASSED))
    if len(firsts) < _FEWEST_DRAWN or not is_installed(PICTURES):
        return None
    began = min(at for at, _ in firsts.values())
    rows = [
        ((at - began).total_seconds() / 3600, is_passed)
        for at, is_passed in firsts.values()
    ]
    return picture("first-pass yield over time", yield_figure(rows))


def _trend_pictures(units: tuple[TestedUnit, ...]) -> Iterator[TrendPicture]:
    """Each judged quantity over the units, the one nearest to a limit first."""
    if not is_installed(PICTURES):
        return
    found: dict[tuple[str, str, str], list[LedgerReading]] = {}
    for unit in units:
        last = {(r.step, r.name, r.unit): r for r in unit.last.readings if _is_drawn(r)}
        for key, reading in last.items():
            found.setdefault(key, []).append(reading)
    trends = [
        (step, _trend(readings))
        for (step, _, _), readings in found.items()
        if len(readings) >= _FEWEST_DRAWN
    ]
    trends.sort(key=lambda row: row[1].room)
    for step, trend in trends[:_MOST_DRAWN]:
        label = f"{step}: {trend.name}"
        yield TrendPicture(
            picture=picture(label, trend_figure(trend)),
            caption=f"{label}, {len(trend.values)} units"
            + (
                f", limits {limits}"
                if (limits := limits_text(trend.low, trend.high))
                else ""
            ),
        )


def _is_drawn(reading: LedgerReading) -> bool:
    """A number with a limit; where one value alone is wanted there is nothing to see."""
    has_limit = reading.low is not None or reading.high is not None
    return reading.value is not None and has_limit and reading.low != reading.high


def _trend(readings: list[LedgerReading]) -> QuantityTrend:
    first = readings[0]
    return QuantityTrend(
        name=first.name,
        unit=first.unit,
        low=first.low,
        high=first.high,
        values=tuple(r.value for r in readings if r.value is not None),
    )


def _values(test: UnitTest) -> Iterator[Value]:
    """The values of the results that failed a test; what the message holds is said."""
    for reading in test.readings:
        is_number = reading.value is not None
        said = test.reason.message.startswith(f"{reading.name} is {reading.text}, ")
        if reading.outcome == Outcome.FAILED and (is_number or not said):
            yield Value(
                name=reading.name,
                value=reading.text,
                unit=reading.unit or "-",
                limits=_limits(reading),
                is_number=is_number,
            )


def _limits(reading: LedgerReading) -> str:
    return limits_text(reading.low, reading.high) or "-"


def _clock(at: str) -> str:
    """Date and time to the second, as people read it."""
    return at[:19].replace("T", " ")
