"""Values of units: from the command line, or from a list with a line for each unit."""

from __future__ import annotations

import csv
import re
from collections.abc import Mapping
from datetime import date
from io import StringIO
from pathlib import Path

from harness.clock import SystemClock
from harness.errors import UsageError
from harness.plans.loading.content import decoded, read_file
from harness.plans.loading.problems import PlanError, Problem, nearest, one_of
from harness.plans.loading.unit_names import TODAY, UNIT, typed_value, unit_examples
from harness.plans.schema.plan import Plan
from harness.records import Scalar

SERIAL = "serial"
Values = dict[str, Scalar]


def names_of(plan: Plan) -> dict[str, Scalar]:
    """Values that somebody may give for a unit of a plan, each with an example."""
    rules = {"columns": dict(plan.unit.columns)}
    known = unit_examples({"unit": rules})  # type: ignore[dict-item]
    names = {n.removeprefix(UNIT): v for n, v in known.items() if n != TODAY}
    return {name: value for name, value in names.items() if name != "rom_code"}


def plan_of_unit(
    plan: Plan,
    given: Mapping[str, Scalar],
    *,
    option: str = "--unit",
    give: str = "--unit {}=...",
) -> Plan:
    """The plan of the unit that somebody describes, today.

    Args:
        plan: which takes its values.
        given: name -> value, or its text.
        option: by which they came, for messages.
        give: how one is given, for messages; ``{}`` stands for its name.

    Raises:
        UsageError: a value that is none, or one that the plan takes and nobody gave.
        PlanError: a value does not fit, with its place in the plan.
    """
    today = SystemClock().calendar().date()
    return plan.of_unit(values_given(plan, given, today, option=option), give=give)


def values_given(
    plan: Plan, given: Mapping[str, Scalar], today: date, *, option: str = "--unit"
) -> Values:
    """Values of a unit as somebody wrote them, each of the type of its example, and the date.

    Args:
        plan: which takes them.
        given: name -> value, or its text.
        today: for ``$today``.
        option: by which they came, for messages.

    Raises:
        UsageError: one that is none.
    """
    known = names_of(plan)
    values: Values = {TODAY: today.isoformat()}
    for name, value in given.items():
        if name not in known:
            near = nearest(name, known)
            guess = f"; did you mean {near!r}?" if near else ""
            raise UsageError(
                f"{option} does not know {name!r}{guess}",
                hint=f"use {one_of(list(known))}",
            )
        try:
            values[name] = typed_value(name, str(value), known[name])
        except ValueError as reason:
            raise UsageError(f"{option}: {reason}") from None
    serial = values.get(SERIAL)
    if serial is not None and not re.fullmatch(plan.unit.serial_pattern, str(serial)):
        raise UsageError(
            f"{option}: {serial!r} is no serial number of this plan",
            hint=f"its serial_pattern is {plan.unit.serial_pattern}",
        )
    return values


class UnitList:
    """A list of units: a line for each, its columns by name.

    Args:
        rows: serial number -> values.
        name: of the file, for messages.
    """

    def __init__(self, rows: Mapping[str, Values], name: str) -> None:
        self._rows = dict(rows)
        self._name = name

    def of(self, serial: str) -> Values:
        """The values of a unit.

        Raises:
            UsageError: it is not in the list.
        """
        if serial not in self._rows:
            raise UsageError(
                f"unit {serial!r} is not in the list of units",
                where=self._name,
                hint="look at its label; else add its line",
            )
        return dict(self._rows[serial])


def read_units(path: Path, plan: Plan) -> UnitList:
    """Read a list: CSV with a header; ``serial`` is one of its columns.

    Raises:
        PlanError: what is wrong, with its line.
    """
    content, source = read_file(path)
    try:
        rows = list(csv.reader(StringIO(decoded(content, source.name)), strict=True))
    except csv.Error as cause:
        problem = Problem(file=source.name, what=f"no CSV: {cause}")
        raise PlanError([problem]) from cause
    return _Rows(source.name, names_of(plan)).read(rows)


class _Rows:
    """The rows of a list, judged against the names that a plan takes."""

    def __init__(self, name: str, known: Mapping[str, Scalar]) -> None:
        self._name = name
        self._known = known
        self._problems: list[Problem] = []

    def read(self, rows: list[list[str]]) -> UnitList:
        """The units of all rows.

        Raises:
            PlanError: what is wrong, with its line.
        """
        header = [name.strip() for name in rows[0]] if rows else []
        self._judge_header(header)
        found: dict[str, Values] = {}
        for line, row in enumerate(rows[1:] if not self._problems else [], start=2):
            if any(cell.strip() for cell in row):
                values = self._values(line, header, row)
                serial = str(values.get(SERIAL, ""))
                if not serial or serial in found:
                    self._wrong(
                        (line, 1), f"serial {serial!r}", "a serial number, each once"
                    )
                found[serial] = values
        if self._problems:
            raise PlanError(self._problems)
        return UnitList(found, self._name)

    def _judge_header(self, header: list[str]) -> None:
        if SERIAL not in header:
            self._wrong((1, 1), "a list without the column serial", "a header with it")
        for number, name in enumerate(header):
            if name not in self._known or header.index(name) != number:
                self._wrong(
                    (1, number + 1),
                    f"column {name!r} is not one of the plan",
                    f"{one_of(list(self._known))}, each once",
                    nearest(name, self._known),
                )

    def _values(self, line: int, header: list[str], row: list[str]) -> Values:
        if len(row) != len(header):
            expected = f"{len(header)} as in the header"
            self._wrong((line, 1), f"{len(row)} cells", expected)
            return {}
        values: Values = {}
        for number, (name, cell) in enumerate(zip(header, row, strict=True)):
            try:
                values[name] = typed_value(name, cell.strip(), self._known[name])
            except ValueError as reason:
                at = (line, number + 1)
                self._wrong(at, str(reason), "a value of the column")
        return values

    def _wrong(
        self, at: tuple[int, int], what: str, expected: str, near: str = ""
    ) -> None:
        """A mistake; the column is the number of the cell."""
        self._problems.append(
            Problem(
                file=self._name,
                line=at[0],
                column=at[1],
                what=what,
                expected=expected,
                nearest=near,
            )
        )
