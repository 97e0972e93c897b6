"""What the ledger holds, in lines for people and rows for spreadsheets."""

from __future__ import annotations

import csv
import re
from collections.abc import Iterable, Iterator
from typing import TextIO

from harness.digits import limits_text
from harness.results.ledger.entry import LedgerReading, UnitTest
from harness.results.ledger.ledger import Conflict
from harness.results.ledger.numbers import NumberHolder
from harness.results.wording import one_line

TEST_COLUMNS = (
    "started_at", "unit_serial", "lot", "station", "position", "outcome", "reason_step",
    "reason_kind", "reason_message", "rom_codes", "duration_s", "plan_title",
    "plan_sha256", "fixture_title", "fixture_sha256", "version", "host", "run_id",
    "journal", "simulated",
)  # fmt: skip

VALUE_COLUMNS = (
    "started_at", "unit_serial", "lot", "device", "step", "quantity", "value", "unit",
    "low", "high", "outcome", "run_id", "condition",
)  # fmt: skip
"""The names that `slotproof lot` reads, so that an export is a lot."""


def line_of_test(test: UnitTest) -> str:
    """One test on one line."""
    unit = one_line(test.unit.serial) or "-"
    codes = " ".join(code for code, _ in test.rom_codes) or "-"
    reason = f"  {one_line(test.reason.message)}" if test.reason.message else ""
    lot = f"  lot {one_line(test.unit.lot)}" if test.unit.lot else ""
    mark = "SIMULATED  " if test.simulated else ""
    return f"{test.started_at}  {mark}{test.outcome:<7} {unit}  {codes}{lot}{reason}"


def conflict_line(conflict: Conflict) -> str:
    """Two units with one ROM code."""
    lot = f"lot {one_line(conflict.owner_lot)}, " if conflict.owner_lot else ""
    return (
        f"{conflict.rom_code} is in {one_line(conflict.serial)} and was first seen in "
        f"{one_line(conflict.owner)} ({lot}station "
        f"{one_line(conflict.owner_station) or '-'}, {conflict.since})"
    )


def number_line(holder: NumberHolder) -> str:
    """A number of a range that a unit was given."""
    return (
        f"{one_line(holder.unit)} has number {holder.number} of range "
        f"{one_line(holder.name)} (station {one_line(holder.station) or '-'}, {holder.at})"
    )


def history_lines(
    tests: Iterable[UnitTest],
    conflicts: Iterable[Conflict],
    numbers: Iterable[NumberHolder] = (),
) -> Iterator[str]:
    """A unit's tests one after the other, with all that they rest on."""
    for conflict in conflicts:
        yield f"TWO UNITS, ONE ROM CODE: {conflict_line(conflict)}"
    yield from map(number_line, numbers)
    for test in tests:
        yield line_of_test(test)
        if test.reason.hint:
            yield f"    look first: {one_line(test.reason.hint)}"
        yield (
            f"    station {one_line(test.unit.station) or '-'}, position "
            f"{one_line(test.unit.place) or '-'}, host {one_line(test.host)}, "
            f"slotproof {test.version}, {test.duration_s:.2f} s"
        )
        yield f"    plan {one_line(test.plan_title)} (sha256 {test.plan_sha256})"
        yield f"    fixture {one_line(test.fixture_title)} (sha256 {test.fixture_sha256})"
        yield f"    journal {one_line(test.journal)}"
        for value in test.readings:
            yield f"    {_value_line(value)}"


def _value_line(value: LedgerReading) -> str:
    limits = ""
    if value.low is not None or value.high is not None:
        limits = f" (limits {limits_text(value.low, value.high)})"
    unit = f" {one_line(value.unit)}" if value.unit else ""
    return f"{one_line(value.step)}: {one_line(value.name)} {value.text}{unit}{limits}"


def write_csv(tests: Iterable[UnitTest], out: TextIO, *, values: bool) -> None:
    """Write tests, or their measured values, as CSV with a head line.

    A text that a spreadsheet would take for a formula gets an apostrophe in front; numbers
    with units, such as a condition that begins with a minus sign, are none.

    Args:
        tests: in the order wanted; with readings where ``values`` is set.
        out: where to.
        values: one row a measured value instead of one a test.
    """
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(VALUE_COLUMNS if values else TEST_COLUMNS)
    for test in tests:
        rows = _value_rows(test) if values else (_test_row(test),)
        writer.writerows([[_cell(cell) for cell in row] for row in rows])


def _test_row(test: UnitTest) -> tuple[object, ...]:
    unit, reason = test.unit, test.reason
    return (
        test.started_at, unit.serial, unit.lot, unit.station, unit.place, test.outcome,
        reason.step, reason.kind, reason.message,
        " ".join(code for code, _ in test.rom_codes), test.duration_s, test.plan_title,
        test.plan_sha256, test.fixture_title, test.fixture_sha256, test.version,
        test.host, test.run_id, test.journal, "yes" if test.simulated else "no",
    )  # fmt: skip


def _value_rows(test: UnitTest) -> Iterator[tuple[object, ...]]:
    for value in test.readings:
        shown = value.text if value.value is None else value.value
        yield (
            test.started_at, test.unit.serial, test.unit.lot,
            value.rom_code or f"bus of run {test.run_id}", value.step, value.name, shown, value.unit, value.low, value.high, value.outcome,
            test.run_id, value.condition,
        )  # fmt: skip


_VALUE = r"[-+]?\d+(\.\d+)?(e[-+]?\d+)?( [A-Za-z]+)?"
_VALUES = re.compile(f"{_VALUE}(, {_VALUE})*")
"""Numbers with units, such as the condition ``-40 degC, 3 V``: nothing that computes."""


def _cell(value: object) -> object:
    if isinstance(value, str):
        text = one_line(value)
        is_formula = text[:1] in {"=", "+", "-", "@"} and not _VALUES.fullmatch(text)
        return f"'{text}" if is_formula else text
    return "" if value is None else value
