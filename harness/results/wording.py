"""How reports say things: numbers, limits, one measured value a line."""

from __future__ import annotations

from dataclasses import dataclass

from harness.digits import amount_text, limit_text, limits_text, number_text
from harness.records import Measurement, Scalar, Side
from harness.results.record.device_tally import DeviceResult
from harness.results.record.steps import StepRecord
from harness.safe_text import one_line, safe_text

__all__ = [
    "ValueRow",
    "limits_text",
    "number_text",
    "one_line",
    "retries_text",
    "safe_text",
    "scalar_text",
    "step_name",
    "tries_text",
    "value_row",
    "value_rows",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class ValueRow:
    """One measured value in words, each field safe on one line.

    Attributes:
        name: quantity.
        value: with its uncertainty where it has one; a bound says ``at most`` or
            ``at least``.
        unit: ``-`` if it has none.
        limits: ``limits 2 .. 6``, ``wanted external``, what else it was judged by, or
            ``no limits``.
        verdict: ``ok``, ``outside`` or ``not judged``; of a bound also ``high ok`` or
            ``low ok`` where it leaves the other limit open, and ``undecided`` where it
            leaves open all; ``uncertain`` of a value whose uncertainty reaches over a limit.
    """

    name: str
    value: str
    unit: str
    limits: str
    verdict: str

    @property
    def line(self) -> str:
        """The fixed form: ``temperature = 4.25 degC (limits 2 .. 6) ok``."""
        unit = "" if self.unit == "-" else f" {self.unit}"
        return f"{self.name} = {self.value}{unit} ({self.limits}) {self.verdict}"


def value_row(measurement: Measurement) -> ValueRow:
    """A measured value in words."""
    m = measurement
    return ValueRow(
        name=one_line(m.name),
        value=_value_text(m),
        unit=one_line(m.unit) or "-",
        limits=_limits_text(m),
        verdict=_verdict(m),
    )


def _verdict(m: Measurement) -> str:
    if not m.is_judged:
        return "not judged"
    if not m.holds:
        return "outside"
    if m.in_doubt:
        return "uncertain"
    if m.shown:
        return "ok"
    met = [
        word
        for word, side in (("low", m.low_side), ("high", m.high_side))
        if side is Side.MET
    ]
    return f"{met[0]} ok" if met else "undecided"


def value_rows(result: DeviceResult) -> tuple[ValueRow, ...]:
    """The values behind a verdict; after several rounds the extremes as well."""
    spreads = {spread.latest.name: spread for spread in result.spreads}
    rows: list[ValueRow] = []
    for measurement in result.shown.measurements:
        rows.append(value_row(measurement))
        if spread := spreads.pop(measurement.name, None):
            rows.extend(value_row(extreme) for extreme in spread.extremes)
    for spread in spreads.values():  # measured in other rounds than the one shown
        rows.extend(value_row(extreme) for extreme in spread.extremes)
    return tuple(rows)


def scalar_text(value: Scalar) -> str:
    """A number, text or truth value on one line; an empty text is shown as ''."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, str):
        return one_line(value) or "''"
    return number_text(value)


def step_name(step: StepRecord) -> str:
    """Number and title on one line."""
    return f"{one_line(step.step)} {one_line(step.title or step.kind)}".strip(" ")


def tries_text(result: DeviceResult) -> str:
    """How many attempts, and in how many rounds if more than one."""
    if result.rounds == 1:
        return str(result.tries)
    return f"{result.tries} in {result.rounds} rounds"


def retries_text(count: int) -> str:
    """``1 retry``, ``2 retries``."""
    return f"{count} {'retry' if count == 1 else 'retries'}"


def _value_text(m: Measurement) -> str:
    return scalar_text(m.value) if isinstance(m.value, str) else amount_text(m)


def _limits_text(m: Measurement) -> str:
    if m.wanted is not None:
        return f"wanted {scalar_text(m.wanted)}"
    if m.low is None and m.high is None:
        return one_line(m.criterion) or "no limits"
    beside = f", {one_line(m.criterion)}" if m.criterion else ""
    if m.low is not None and m.low == m.high:  # one value was wanted
        return f"wanted {limit_text(m.low)}{beside}"
    return f"limits {limits_text(m.low, m.high)}{beside}"
