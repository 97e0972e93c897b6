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
from harness.results.summary.making import rank_of
from harness.results.summary.record import is_counted
from harness.results.summary.values import DeviceValue, Values, device_values
from harness.results.timing import timing_rows
from harness.results.wording import one_line, value_row

_MOST_COLUMNS = 6
_LONGEST_LINE = 20
"""Letters of a value that stay on one line."""

_DeviceValues = dict[str, DeviceValue]


@dataclass(frozen=True, slots=True, kw_only=True)
class MatrixCell:
    """One value of one device.

    Attributes:
        text: value with unit where the column has none.
        mark: word beside it that says what is wrong; empty if nothing is.
        anchor: of the step that measured it, within the page.
        position: where the value lies between its limits, 0 to 1; None without two limits
            or with a value far outside.
        limits: in words, where the column does not say them.
        condition: under which it was measured; may be empty.
    """

    text: str
    mark: str = ""
    anchor: str = ""
    position: float | None = None
    limits: str = ""
    condition: str = ""

    @property
    def is_wide(self) -> bool:
        """True of a text too long for one line of a table."""
        return len(self.text) > _LONGEST_LINE


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
        kind: its name in words; empty where the run has not named it.
        columns: quantity, unit, and limits where all devices share them.
        rows: each device.
    """

    family: str
    columns: tuple[tuple[str, str, str], ...]
    rows: tuple[MatrixRow, ...]
    kind: str = ""


def anchor_of(number: str) -> str:
    """Where a step of this number stands in the page."""
    return "step-" + "".join(c if c.isalnum() else "-" for c in number or "run")


def matrices(record: RunRecord) -> Iterator[Matrix]:
    """Each kind's matrix, in the order of its first device."""
    families = dict.fromkeys(device.family for device in record.devices)
    values = device_values(record, _is_shown)
    for family in families:
        devices = [device for device in record.devices if device.family == family]
        names = _ranked_names([values[device] for device in devices])
        if not names and (timing_rows(record) or record.soaks):
            continue  # all there is of them stands in those tables
        # tables of about equal width, none of a single column behind six
        tables = max(1, -(-len(names) // _MOST_COLUMNS))
        columns = max(1, -(-len(names) // tables))
        for start in range(0, max(1, len(names)), columns):
            part = names[start : start + columns]
            yield _matrix(record, family, devices, part, values)


def _ranked_names(of_devices: Sequence[_DeviceValues]) -> list[str]:
    """Names of the quantities; the one that is nearest to its limit anywhere is first."""
    ranks: dict[str, tuple[int, float]] = {}
    for values in of_devices:
        for name, value in values.items():
            rank = rank_of(value.measurement)
            ranks[name] = min(rank, ranks.get(name, rank))
    return sorted(ranks, key=ranks.__getitem__)


def _is_shown(step: StepRecord, m: Measurement) -> bool:
    """False of what a table of its own shows: measured times, and soaks that held."""
    if step.kind == "soak":
        return m.is_judged and not m.holds
    return step.kind != "measure" or isinstance(m.value, str | bool)


def _matrix(
    record: RunRecord,
    family: int,
    devices: list[DeviceRef],
    names: list[str],
    values: Values,
) -> Matrix:
    columns = tuple(_column(name, devices, values) for name in names)
    shared = {name for name in names if len(_limits_of(name, devices, values)) == 1}
    return Matrix(
        family=f"{family:02X}h",
        kind=_kind_of(record, devices),
        columns=columns,
        rows=tuple(
            MatrixRow(
                socket=one_line(device.socket),
                rom_code=one_line(device.rom_code),
                outcome=str(_outcome(record, device)),
                cells=tuple(
                    _cell(values[device].get(name), shared=name in shared)
                    for name in names
                ),
            )
            for device in devices
        ),
    )


def _kind_of(record: RunRecord, devices: list[DeviceRef]) -> str:
    """Name of the kind, which enumeration writes into the evidence of each device."""
    for _, result in record.results:
        named = result.shown.evidence.get("family")
        if result.device in devices and isinstance(named, str):
            return one_line(named)
    return ""


def _outcome(record: RunRecord, device: DeviceRef) -> Outcome:
    results: list[DeviceResult] = [r for _, r in record.results if r.device == device]
    return Outcome.worst([result.outcome for result in results])


def _column(
    name: str, devices: list[DeviceRef], values: Values
) -> tuple[str, str, str]:
    rows = [
        value_row(values[d][name].measurement) for d in devices if name in values[d]
    ]
    units = {row.unit for row in rows}
    limits = _limits_of(name, devices, values)
    unit = units.pop() if len(units) == 1 else ""
    return (
        one_line(name),
        "" if unit == "-" or is_counted(name, unit) else unit,
        _limits(limits.pop()) if len(limits) == 1 else "",
    )


def _limits_of(name: str, devices: list[DeviceRef], values: Values) -> set[str]:
    found = (values[device].get(name) for device in devices)
    return {value_row(value.measurement).limits for value in found if value}


def _limits(text: str) -> str:
    """Limits in words; a column without any says nothing."""
    return "" if text == "no limits" else text.removeprefix("limits ")


def _cell(found: DeviceValue | None, *, shared: bool) -> MatrixCell:
    if found is None:
        return MatrixCell(text="-")
    row = value_row(found.measurement)
    return MatrixCell(
        text=row.value,
        mark="OUTSIDE" if found.is_outside else "",
        anchor=anchor_of(found.step.step),
        position=position_between_limits(found.measurement),
        limits="" if shared else row.limits.removeprefix("limits "),
        condition=one_line(found.step.condition),
    )


def position_between_limits(m: Measurement) -> float | None:
    """Where a value lies between its limits, 0 to 1; None without two limits."""
    if m.low is None or m.high is None or m.high <= m.low or m.bound is not None:
        return None
    if isinstance(m.value, str | bool):
        return None
    position = (m.value - m.low) / (m.high - m.low)
    return min(1.25, max(-0.25, position))  # beyond that a bar would leave its cell
