"""Measured values of a lot, from journals and CSV files.

A CSV file has a line of column names: ``device`` and ``value``, and if it holds more
than one quantity ``quantity``; ``unit``, ``low``, ``high``, ``step``, ``outcome`` and
``started_at`` are optional, which makes an export of the ledger's values a lot; lines at
the top that begin with # are for people. A device that was read more than
once counts once, with the mean of its readings: repeats of one unit are no more units.
What the harness could not measure (outcome ``error``) and what it could only bound
("at most 0.7 us") is no value of a lot; such readings are counted and left out.
"""

from __future__ import annotations

import difflib
import math
from array import array
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from enum import Enum, auto
from operator import itemgetter
from pathlib import Path
from typing import Any

from harness.errors import UsageError
from harness.lots.csv_rows import CsvTable, open_table
from harness.lots.lot import Limits, Lot, Series, lot_of, require_one
from harness.old_names import current_name, current_title
from harness.records import Bound
from harness.results.journal.lines import require_whole
from harness.results.journal.writer import FILE_NAME, read_events
from harness.results.record.run import not_as_written


@dataclass(slots=True)
class _Found:
    """What the files hold while they are read, column by column."""

    indices: dict[str, int] = field(default_factory=dict)
    devices: array[int] = field(default_factory=lambda: array("q"))
    values: array[float] = field(default_factory=lambda: array("d"))
    times: list[str] = field(default_factory=list)
    units: set[str] = field(default_factory=set)
    steps: set[str] = field(default_factory=set)
    limits: set[Limits] = field(default_factory=set)
    names: set[str] = field(default_factory=set)
    invalid: int = 0
    invalid_devices: dict[str, None] = field(default_factory=dict)
    simulated: bool = False

    def take(self, device: str, value: float, at: str) -> None:
        """One reading: device, value, calendar (UTC; empty if it is not known)."""
        self.devices.append(self.indices.setdefault(device, len(self.indices)))
        self.values.append(value)
        self.times.append(at)

    def take_invalid(self, device: str) -> None:
        """One reading that is no value."""
        self.invalid += 1
        self.invalid_devices[device] = None


def read_lot(paths: Sequence[Path], *, quantity: str, name: str, step: str = "") -> Lot:
    """Collect one quantity from journals, results folders and CSV files.

    Args:
        paths: files, or folders in which every journal counts.
        quantity: name of the measured value, such as ``temperature``.
        name: how to call the lot.
        step: title or number of the plan's step, where more than one measured it.

    Raises:
        UsageError: no such quantity, different units, a text instead of a number, a
            value that is not finite, or a file that cannot be read.
    """
    found = _Found()
    quantity, step = current_name(quantity), current_title(step)
    files = [file for path in paths for file in files_of(path)]
    for file in files:
        take = _take_csv if file.suffix.lower() == ".csv" else _take_journal
        take(file, quantity, step, found)
    if not found.values:
        raise _nothing_found(quantity, step, name, found)
    require_one(
        found.units,
        f"{quantity} of {name} comes in different units",
        "convert one of the files",
    )
    require_one(
        found.steps,
        f"{quantity} of {name} was measured by different steps",
        "name one with --step",
    )
    lot = lot_of(
        Series(
            names=list(found.indices),
            devices=found.devices,
            values=found.values,
            times=found.times,
        ),
        name=name,
        quantity=quantity,
        unit=next(iter(found.units)),
    )
    return replace(
        lot,
        limits=frozenset(found.limits),
        invalid=found.invalid,
        simulated=found.simulated,
        without_value=tuple(d for d in found.invalid_devices if d not in found.indices),
    )


def files_of(path: Path) -> list[Path]:
    """A file itself, or every journal of a folder.

    Raises:
        UsageError: the folder holds none.
    """
    if not path.is_dir():
        return [path]
    files = sorted(path.rglob(FILE_NAME))
    if not files:
        raise UsageError(
            "there is no journal in this folder",
            where=str(path),
            hint=f"name a folder that holds {FILE_NAME}, or a CSV file",
        )
    return files


def _nothing_found(quantity: str, step: str, name: str, found: _Found) -> UsageError:
    if found.invalid:
        return UsageError(
            f"no reading of {quantity} in {name} is a value: {found.invalid} are invalid"
        )
    if quantity in found.names:
        return UsageError(
            f"step {step!r} of {name} did not measure {quantity}",
            hint="give the step's number or its title as the report shows it",
        )
    near = difflib.get_close_matches(quantity, found.names, n=1)
    known = ", ".join(sorted(found.names)) or "nothing"
    hint = f"did you mean {near[0]}?" if near else f"measured were: {known}"
    return UsageError(f"{name} has no quantity {quantity!r}", hint=hint)


def _number(value: object, *, device: str, quantity: str, where: str) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float | None):
        raise UsageError(
            f"{quantity} of {device} is {value!r}, not a number",
            where=where,
            hint="choose a quantity that is measured in numbers",
        )
    if value is None or not math.isfinite(value):
        raise UsageError(
            f"{quantity} of {device} is not a finite number",
            where=where,
            hint="find out why that unit gave no reading, and leave its file out",
        )
    return float(value)


# -- journals ------------------------------------------------------------------------


def _take_journal(path: Path, quantity: str, step: str, found: _Found) -> None:
    titles: dict[str, str] = {}
    run = ""
    for event in read_events(path):
        require_whole(event)
        try:
            if event["event"] == "run_started":
                run = str(event.get("run_id", ""))
                fixture = event.get("fixture") or {}
                found.simulated |= bool(fixture.get("simulated"))
            titles |= _titles(event)
            if event["event"] == "check_done":
                number = str(event.get("step", ""))
                title = titles.get(number, number)
                if step in {"", number, title}:
                    _take_result(event, quantity, title, run, found)
                else:
                    found.names |= _names(event)
        except UsageError:
            raise
        except Exception as exc:
            raise not_as_written(exc, event, where=str(path)) from exc


def _names(event: dict[str, Any]) -> set[str]:
    return {str(m.get("name")) for m in event["result"].get("measurements", ())}


def _take_result(
    event: dict[str, Any], quantity: str, title: str, run: str, found: _Found
) -> None:
    found.names |= _names(event)
    result = event["result"]
    who = result.get("device") or {}
    device = str(who.get("rom_code") or f"bus of run {run}")
    for measured in result.get("measurements", ()):
        if measured.get("name") != quantity:
            continue
        if measured.get("bound") or _is_invalid(result, quantity):
            found.take_invalid(device)
            continue
        where = getattr(event, "where", "")
        value = _number(
            measured.get("value"), device=device, quantity=quantity, where=where
        )
        found.take(device, value, str(event.get("at", "")))
        found.units.add(str(measured.get("unit", "")))
        found.steps.add(title)
        _add_limits(found, measured.get("low"), measured.get("high"))


def _add_limits(found: _Found, low: Any, high: Any) -> None:  # noqa: ANN401 - any JSON
    for limit in (low, high):
        if isinstance(limit, bool) or not isinstance(limit, int | float | None):
            raise TypeError(f"limit {limit!r} is no number")
    if low is not None or high is not None:
        found.limits.add((low, high))


def _titles(event: dict[str, Any]) -> dict[str, str]:
    named = event.get("steps", [event] if event["event"] == "step_started" else [])
    return {
        str(item["step"]): str(item.get("title") or item.get("kind") or item["step"])
        for item in named
        if "step" in item
    }


def _is_invalid(result: dict[str, Any], quantity: str) -> bool:
    timing = (result.get("evidence") or {}).get("timing") or {}
    bound = (timing.get(quantity) or {}).get("bound", "")
    return result.get("outcome") == "error" or bool(bound)


# -- CSV -----------------------------------------------------------------------------


_COLUMNS = ("device", "value", "started_at")


_BOUNDS = tuple(f"{bound} " for bound in Bound)
"""``at most 33.4`` is how an export writes a bound."""


class _Use(Enum):
    """What a row is to the quantity that is collected."""

    VALUE = auto()
    INVALID = auto()
    OTHER = auto()


class _Uses(dict[tuple[str, ...], _Use]):
    """What all fields but device, value and time make of a row, worked out once.

    Most rows of a file differ in those three alone. Keys are the fields ``REST``.
    """

    REST = ("quantity", "step", "outcome", "unit", "low", "high")

    def __init__(self, quantity: str, step: str, found: _Found) -> None:
        super().__init__()
        self._quantity, self._step, self._found = quantity, step, found

    def __missing__(self, rest: tuple[str, ...]) -> _Use:
        self[rest] = use = self._judge(*rest[:3])
        return use

    def _judge(self, name: str, title: str, outcome: str) -> _Use:
        named, whole = current_name(name) or self._quantity, current_title(title)
        number, _, title = whole.partition(" ")
        self._found.names.add(named)
        if named != self._quantity:
            return _Use.OTHER
        if whole and self._step not in {"", whole, number, title}:
            return _Use.OTHER
        return _Use.INVALID if outcome == "error" else _Use.VALUE


def _take_csv(path: Path, quantity: str, step: str, found: _Found) -> None:
    with open_table(path, columns=("device", "value")) as table:
        # a column that the file lacks reads the empty field behind each row
        device, value, at = (table.columns.get(c, -1) for c in _COLUMNS)
        rest = itemgetter(*(table.columns.get(c, -1) for c in _Uses.REST))
        uses = _Uses(quantity, step, found)
        seen: set[tuple[str, ...]] = set()
        take, number = found.take, table.number
        for row in table.rows(invalid="error"):
            row.append("")
            key = rest(row)
            use = uses[key]
            if use is _Use.OTHER:
                continue
            text = row[value]
            if use is _Use.INVALID or text.startswith(_BOUNDS):
                found.take_invalid(row[device])
                continue
            take(row[device], number(text, "value"), row[at])
            if key not in seen:
                seen.add(key)
                _take_rest(table, key, found)


def _take_rest(table: CsvTable, rest: tuple[str, ...], found: _Found) -> None:
    """What the fields besides device, value and time say of a value."""
    _, title, _, unit, low, high = rest
    found.units.add(unit)
    found.steps.add(current_title(title).partition(" ")[2])
    _take_limits(table, (low, high), found)


def _take_limits(table: CsvTable, pair: tuple[str, str], found: _Found) -> None:
    lower, upper = (
        table.number(text, column) if text else None
        for text, column in zip(pair, ("low", "high"), strict=True)
    )
    _add_limits(found, lower, upper)
