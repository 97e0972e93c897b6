"""The page of a shift for those who were not there: one file, from its journals alone."""

from __future__ import annotations

import statistics
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

from harness.digits import limit_text, number_text
from harness.quality.rates import proportion_bounds
from harness.records import Outcome
from harness.results.ledger.entry import LedgerReading, UnitTest
from harness.results.reports.page import fill, write_page
from harness.station.shift.record import ShiftRecord, TestedUnit
from harness.station.shift.tally import reason_text

FILE_NAME = "shift.html"


@dataclass(frozen=True, slots=True, kw_only=True)
class Failures:
    """Units that failed last for one reason; ``share`` is in percent of the most common."""

    reason: str
    units: int
    tests: int
    share: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PlaceRow:
    """One place of the station."""

    name: str
    units: int
    failed: int
    tests: int
    void: int
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


def write_shift_page(record: ShiftRecord, folder: Path) -> Path:
    """Write the page into a folder; the file is whole or not there.

    Raises:
        OSError: the folder does not take it.
    """
    path = folder / FILE_NAME
    write_page(render(record), path)
    return path


def render(record: ShiftRecord) -> str:
    """The page as text; the same record gives the same text."""
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
        began=min((t.started_at for t in record.tests), default="-"),
        ended=max((t.finished_at for t in record.tests), default="-"),
        claim=_claim(units),
        failures=list(_failures(units)),
        failed=_of_outcome(units, Outcome.FAILED),
        undecided=_of_outcome(units, Outcome.ERROR),
        values_of=_values,
        void=_of_outcome(record.tests, Outcome.ERROR),
        places=list(_places(record)),
        measured=list(_measured(units)),
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
    bounds = proportion_bounds(errors=bad, trials=len(judged))
    return (
        f"{100 * bad / len(judged):.2f} % bad; 95 % sure, units made and tested in the "
        f"same way are bad in {100 * bounds.low:.2f} % to {100 * bounds.high:.2f} %"
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


def _places(record: ShiftRecord) -> Iterator[PlaceRow]:
    for name in dict.fromkeys(test.unit.place for test in record.tests):
        tests = [test for test in record.tests if test.unit.place == name]
        here = [unit for unit in record.units if unit.last.unit.place == name]
        yield PlaceRow(
            name=name or "-",
            units=len(here),
            failed=len(_of_outcome(here, Outcome.FAILED)),
            tests=len(tests),
            void=len(_of_outcome(tests, Outcome.ERROR)),
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
    if reading.low is None and reading.high is None:
        return "-"
    ends = (reading.low, reading.high)
    return " .. ".join("none" if end is None else limit_text(end) for end in ends)


def _clock(at: str) -> str:
    """Date and time to the second, as people read it."""
    return at[:19].replace("T", " ")
