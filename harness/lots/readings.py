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
import statistics
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from harness.errors import UsageError
from harness.lots.csv_rows import number_of, read_rows
from harness.results.journal import FILE_NAME, read_events

_Limits = tuple[float | None, float | None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One measured value.

    Attributes:
        device: ROM code, or the name in a CSV file.
        value: in ``unit``.
        unit: as it stands in the source.
        low: limit that the value was judged by, or None.
        high: limit that the value was judged by, or None.
        step: title of the plan's step; empty from a CSV file.
        at: calendar, UTC; empty from a CSV file.
    """

    device: str
    value: float
    unit: str = ""
    low: float | None = None
    high: float | None = None
    step: str = ""
    at: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Lot:
    """The values of one lot.

    Attributes:
        name: as tables and pictures call it.
        quantity: what was measured.
        unit: of all values.
        values: one a device, the mean of its readings, in the order of first reading.
        readings: every reading in the order of time.
        limits: each pair of limits that readings were judged by.
        void: readings left out because they are no values.
    """

    name: str
    quantity: str
    unit: str
    values: Mapping[str, float]
    readings: tuple[Reading, ...]
    limits: frozenset[_Limits] = frozenset()
    void: int = 0

    @property
    def numbers(self) -> tuple[float, ...]:
        """One value a device."""
        return tuple(self.values.values())

    @property
    def only_device(self) -> str:
        """The one device that was read.

        Raises:
            UsageError: there are more.
        """
        if len(self.values) > 1:
            raise UsageError(
                f"{self.name} has readings of {len(self.values)} devices, not of one"
            )
        return next(iter(self.values))

    def readings_of(self, device: str) -> tuple[float, ...]:
        """Readings in the order of time; of one device, or of all with an empty name.

        Raises:
            UsageError: the lot has no such device.
        """
        if device and device not in self.values:
            raise UsageError(f"{self.name} has no device {device!r}")
        return tuple(r.value for r in self.readings if not device or r.device == device)

    def without(self, devices: Iterable[str]) -> Lot:
        """The lot without some devices.

        Raises:
            UsageError: one of them is not in the lot.
        """
        gone = set(devices)
        if missing := sorted(gone - set(self.values)):
            raise UsageError(f"{self.name} has no device {missing[0]} to leave out")
        return replace(
            self,
            values={d: v for d, v in self.values.items() if d not in gone},
            readings=tuple(r for r in self.readings if r.device not in gone),
        )

    def chosen_limits(self, low: float | None, high: float | None) -> _Limits:
        """The limits asked for, else those of the readings, if they agree.

        Raises:
            UsageError: readings were judged by different limits.
        """
        if low is not None or high is not None:
            return low, high
        if len(self.limits) > 1:
            raise UsageError(
                f"the readings of {self.name} were judged by different limits",
                hint="give --low and --high",
            )
        return next(iter(self.limits), (None, None))


@dataclass(slots=True)
class _Found:
    """What the files hold while they are read."""

    readings: list[Reading] = field(default_factory=list)
    names: set[str] = field(default_factory=set)
    void: int = 0


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
    files = [file for path in paths for file in _files(path)]
    for file in files:
        take = _take_csv if file.suffix.lower() == ".csv" else _take_journal
        take(file, quantity, step, found)
    if not found.readings:
        raise _nothing_found(quantity, step, name, found)
    _require_one(
        {r.unit for r in found.readings},
        f"{quantity} of {name} comes in different units",
        "convert one of the files",
    )
    _require_one(
        {r.step for r in found.readings},
        f"{quantity} of {name} was measured by different steps",
        "name one with --step",
    )
    readings = tuple(sorted(found.readings, key=lambda reading: reading.at))
    by_device: dict[str, list[float]] = {}
    for reading in readings:
        by_device.setdefault(reading.device, []).append(reading.value)
    return Lot(
        name=name,
        quantity=quantity,
        unit=readings[0].unit,
        values={d: statistics.fmean(values) for d, values in by_device.items()},
        readings=readings,
        limits=frozenset(
            (r.low, r.high) for r in readings if r.low is not None or r.high is not None
        ),
        void=found.void,
    )


def require_comparable(first: Lot, second: Lot) -> None:
    """Two lots of one quantity and unit that share no device.

    Raises:
        UsageError: they are not such.
    """
    _require_one(
        {first.unit, second.unit},
        f"{first.name} and {second.name} come in different units",
        "convert one of the files",
    )
    if shared := [device for device in second.values if device in first.values]:
        raise UsageError(
            f"both lots hold the same units: {len(shared)}, {shared[0]} among them",
            hint="a unit belongs to one lot; check which files you named",
        )


def _files(path: Path) -> list[Path]:
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
    if found.void:
        return UsageError(
            f"no reading of {quantity} in {name} is a value: {found.void} were void"
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


def _require_one(found: set[str], what: str, hint: str) -> None:
    if len(found) > 1:
        names = ", ".join(repr(name) for name in sorted(found))
        raise UsageError(f"{what}: {names}", hint=hint)


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
        if event["event"] == "run_started":
            run = str(event.get("run_id", ""))
        titles |= _titles(event)
        if event["event"] != "check_done":
            continue
        number = str(event.get("step", ""))
        title = titles.get(number, number)
        result = event["result"]
        device = (result.get("device") or {}).get("rom_code") or f"bus of run {run}"
        for measured in result.get("measurements", ()):
            found.names.add(str(measured.get("name")))
            if measured.get("name") != quantity or step not in {"", number, title}:
                continue
            if _is_void(result, quantity):
                found.void += 1
                continue
            value = measured.get("value")
            found.readings.append(
                Reading(
                    device=device,
                    value=_number(
                        value, device=device, quantity=quantity, where=str(path)
                    ),
                    unit=str(measured.get("unit", "")),
                    low=measured.get("low"),
                    high=measured.get("high"),
                    step=title,
                    at=str(event.get("at", "")),
                )
            )


def _titles(event: dict[str, Any]) -> dict[str, str]:
    named = event.get("steps", [event] if event["event"] == "step_started" else [])
    return {
        str(item["step"]): str(item.get("title") or item.get("kind") or item["step"])
        for item in named
        if "step" in item
    }


def _is_void(result: dict[str, Any], quantity: str) -> bool:
    timing = (result.get("evidence") or {}).get("timing") or {}
    bound = (timing.get(quantity) or {}).get("bound", "")
    return result.get("outcome") == "error" or bool(bound)


# -- CSV -----------------------------------------------------------------------------


def _take_csv(path: Path, quantity: str, step: str, found: _Found) -> None:
    for where, row in read_rows(path, columns=("device", "value")):
        named = row.get("quantity") or quantity
        whole = row.get("step", "")
        number, _, title = whole.partition(" ")
        found.names.add(named)
        if named != quantity or (whole and step not in {"", whole, number, title}):
            continue
        if row.get("outcome") == "error":
            found.void += 1
            continue
        found.readings.append(
            Reading(
                device=row["device"],
                value=number_of(row["value"], where=where),
                unit=row.get("unit", ""),
                low=_limit(row.get("low"), where=where),
                high=_limit(row.get("high"), where=where),
                step=title,
                at=row.get("started_at", ""),
            )
        )


def _limit(text: str | None, *, where: str) -> float | None:
    return number_of(text, where=where) if text else None
