"""Devices against quantities: each cell with its value, its margin drawn as a bar.

One matrix a kind of device, because kinds have other quantities; of very many quantities
several, one under the other, so that a page in print need not be wider than the paper.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from harness.records import DeviceRef, Measurement, Outcome
from harness.results.record.device_tally import DeviceResult
from harness.results.record.run import RunRecord
from harness.results.record.steps import StepRecord
from harness.results.reports.wording import one_line, value_row
from harness.results.summary.making import rank_of
from harness.results.summary.record import is_counted

_MOST_COLUMNS = 6
_SETTINGS_STEPS = frozenset({"configure"})
_NOT_QUANTITIES = frozenset({"rom_code"})


@dataclass(frozen=True, slots=True, kw_only=True)
class MatrixCell:
    """One value of one device.

    Attributes:
        text: value with unit where the column has none.
        verdict: ``ok``, ``outside``, ``not judged`` and the like; empty without a value.
        anchor: of the step that measured it, within the page.
        place: where the value lies between its limits, 0 to 1; None without two limits
            or with a value far outside.
        limits: in words, where the column does not say them.
    """

    text: str
    verdict: str = ""
    anchor: str = ""
    place: float | None = None
    limits: str = ""

    @property
    def is_outside(self) -> bool:
        """True if a limit is missed."""
        return self.verdict == "outside"


@dataclass(frozen=True, slots=True, kw_only=True)
class MatrixRow:
    """One device."""

    socket: str
    rom_code: str
    outcome: str
    cells: tuple[MatrixCell, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Matrix:
    """Devices of one kind.

    Attributes:
        family: family code, such as ``28h``.
        columns: quantity, unit, and limits where all devices share them.
        rows: each device.
    """

    family: str
    columns: tuple[tuple[str, str, str], ...]
    rows: tuple[MatrixRow, ...]


def anchor_of(step: StepRecord) -> str:
    """Name of a step's place in the page."""
    return "step-" + "".join(c if c.isalnum() else "-" for c in step.step or "run")


def matrices(record: RunRecord) -> Iterator[Matrix]:
    """Each kind's matrix, in the order of its first device."""
    families = dict.fromkeys(device.family for device in record.devices)
    values = _values(record)
    for family in families:
        devices = [device for device in record.devices if device.family == family]
        names = _ranked_names([values[device] for device in devices])
        # tables of about equal width, none of a single column behind six
        tables = max(1, -(-len(names) // _MOST_COLUMNS))
        columns = max(1, -(-len(names) // tables))
        for start in range(0, max(1, len(names)), columns):
            part = names[start : start + columns]
            yield _matrix(record, family, devices, part, values)


_DeviceValues = dict[str, tuple[StepRecord, Measurement]]
_Values = dict[DeviceRef, _DeviceValues]


def _ranked_names(of_devices: Sequence[_DeviceValues]) -> list[str]:
    """Names of the quantities; the one that is nearest to its limit anywhere is first."""
    ranks: dict[str, tuple[int, float]] = {}
    for values in of_devices:
        for name, (_, m) in values.items():
            ranks[name] = min(rank_of(m), ranks.get(name, rank_of(m)))
    return sorted(ranks, key=ranks.__getitem__)


def _values(record: RunRecord) -> _Values:
    """The last value of each quantity; one outside its limits is never replaced."""
    found: _Values = {device: {} for device in record.devices}
    for step, result in record.results:
        if result.device is None or step.kind in _SETTINGS_STEPS:
            continue
        of_device = found[result.device]
        for m in result.shown.measurements:
            before = of_device.get(m.name)
            if _is_shown(step, m) and (before is None or before[1].holds):
                of_device[m.name] = (step, m)
    return found


def _is_shown(step: StepRecord, m: Measurement) -> bool:
    if step.kind == "soak" and not m.is_judged:
        return False  # the soak has a section and a table of its own
    return m.name not in _NOT_QUANTITIES


def _matrix(
    record: RunRecord,
    family: int,
    devices: list[DeviceRef],
    names: list[str],
    values: _Values,
) -> Matrix:
    columns = tuple(_column(name, devices, values) for name in names)
    return Matrix(
        family=f"{family:02X}h",
        columns=columns,
        rows=tuple(
            MatrixRow(
                socket=one_line(device.socket),
                rom_code=one_line(device.rom_code),
                outcome=str(_outcome(record, device)),
                cells=tuple(
                    _cell(values[device].get(name), shared=bool(column[2]))
                    for name, column in zip(names, columns, strict=True)
                ),
            )
            for device in devices
        ),
    )


def _outcome(record: RunRecord, device: DeviceRef) -> Outcome:
    results: list[DeviceResult] = [r for _, r in record.results if r.device == device]
    return Outcome.worst([result.outcome for result in results])


def _column(
    name: str, devices: list[DeviceRef], values: _Values
) -> tuple[str, str, str]:
    rows = [value_row(values[d][name][1]) for d in devices if name in values[d]]
    units = {row.unit for row in rows}
    limits = {row.limits for row in rows}
    unit = units.pop() if len(units) == 1 else ""
    return (
        one_line(name),
        "" if unit == "-" or is_counted(name, unit) else unit,
        _limits(limits.pop()) if len(limits) == 1 else "",
    )


def _limits(text: str) -> str:
    """Limits in words; both the same are one value that was wanted."""
    low, _, high = text.removeprefix("limits ").partition(" .. ")
    return f"wanted {low}" if low == high else text.removeprefix("limits ")


def _cell(found: tuple[StepRecord, Measurement] | None, *, shared: bool) -> MatrixCell:
    if found is None:
        return MatrixCell(text="-")
    step, m = found
    row = value_row(m)
    return MatrixCell(
        text=row.value,
        verdict=row.verdict,
        anchor=anchor_of(step),
        place=place_between_limits(m),
        limits="" if shared else row.limits,
    )


def place_between_limits(m: Measurement) -> float | None:
    """Where a value lies between its limits, 0 to 1; None without two limits."""
    if m.low is None or m.high is None or m.high <= m.low or m.bound is not None:
        return None
    if isinstance(m.value, str | bool):
        return None
    place = (m.value - m.low) / (m.high - m.low)
    return min(1.25, max(-0.25, place))  # beyond that a bar would leave its cell
