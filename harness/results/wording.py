r"""How reports say things: safe text, numbers, limits, one measured value a line.

Safe text. A character that XML 1.0 does not know (production 2 of its fifth edition)
or that would act on a terminal is written visibly: ``\x1b`` for U+001B, ``\ud800``
for U+D800, always with two or four lower-case hex digits. A backslash that itself
begins such a form is written ``\x5c``; every other backslash stands for itself. So
the original can be read back (``unescaped``). Escaped are U+0000 to U+001F (line feed
and tab stay where a text may have several lines), U+007F to U+009F, the line and
paragraph separators U+2028 and U+2029, the marks that turn the direction of writing,
surrogates, U+FFFE and U+FFFF.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from harness.records import Measurement, Scalar
from harness.results.progress import StepRecord
from harness.results.tally import DeviceResult

_FORM = r"x[0-9a-f]{2}|u[0-9a-f]{4}"
_TURNING = "\u200e\u200f\u2028-\u202e\u2066-\u2069"
_ESCAPED = re.compile(
    rf"[\x00-\x1f\x7f-\x9f{_TURNING}\ud800-\udfff\ufffe\uffff]|\\(?={_FORM})"
)
_ESCAPED_IN_LINES = re.compile(
    rf"[\x00-\x08\x0b-\x1f\x7f-\x9f{_TURNING}\ud800-\udfff\ufffe\uffff]|\\(?={_FORM})"
)
_BACK = re.compile(rf"\\({_FORM})")


def _visible(match: re.Match[str]) -> str:
    code = ord(match.group())
    return f"\\x{code:02x}" if code < 0x100 else f"\\u{code:04x}"


def one_line(text: object) -> str:
    """Safe text on one line: line feeds and tabs are made visible too."""
    return _ESCAPED.sub(_visible, str(text))


def safe_text(text: object) -> str:
    """Safe text that may have several lines."""
    return _ESCAPED_IN_LINES.sub(_visible, str(text))


def unescaped(text: str) -> str:
    """The text that ``one_line`` or ``safe_text`` was given."""
    return _BACK.sub(lambda match: chr(int(match.group(1)[1:], 16)), text)


@dataclass(frozen=True, slots=True, kw_only=True)
class ValueRow:
    """One measured value in words, each field safe on one line.

    Attributes:
        name: quantity.
        value: with its uncertainty where it has one.
        unit: ``-`` if it has none.
        limits: ``limits 2.0000 .. 6.0000``, ``wanted external`` or ``no limits``.
        verdict: ``ok``, ``outside`` or ``not judged``.
    """

    name: str
    value: str
    unit: str
    limits: str
    verdict: str

    @property
    def line(self) -> str:
        """The fixed form: ``temperature = 4.2500 degC (limits 2.0000 .. 6.0000) ok``."""
        unit = "" if self.unit == "-" else f" {self.unit}"
        return f"{self.name} = {self.value}{unit} ({self.limits}) {self.verdict}"


def value_row(measurement: Measurement) -> ValueRow:
    """A measured value in words."""
    m = measurement
    value = _value_text(m)
    if m.uncertainty is not None:
        value = f"{value} +- {number_text(m.uncertainty)}"
    judged = m.low is not None or m.high is not None or m.wanted is not None
    verdict = "ok" if m.holds else "outside"
    return ValueRow(
        name=one_line(m.name),
        value=value,
        unit=one_line(m.unit) or "-",
        limits=_limits_text(m),
        verdict=verdict if judged else "not judged",
    )


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


def number_text(value: float) -> str:
    """Four decimals, or five digits and an exponent where those would not do."""
    if isinstance(value, int):
        return str(value)
    if value == 0 or 1e-3 <= abs(value) < 1e9:
        return f"{value:.4f}"
    return f"{value:.4e}"


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
    """How many tries, and in how many rounds if more than one."""
    if result.rounds == 1:
        return str(result.tries)
    return f"{result.tries} in {result.rounds} rounds"


def retries_text(count: int) -> str:
    """``1 retry``, ``2 retries``."""
    return f"{count} {'retry' if count == 1 else 'retries'}"


def _value_text(m: Measurement) -> str:
    text = scalar_text(m.value)
    if isinstance(m.value, str | bool):
        return text
    # rounding must not show a value inside limits that it misses, or the reverse
    limits = [limit for limit in (m.low, m.high) if limit is not None]
    if any(number_text(limit) == text and limit != m.value for limit in limits):
        return repr(m.value)
    return text


def _limits_text(m: Measurement) -> str:
    if m.wanted is not None:
        return f"wanted {scalar_text(m.wanted)}"
    if m.low is None and m.high is None:
        return "no limits"
    low = "none" if m.low is None else number_text(_like(m.value, m.low))
    high = "none" if m.high is None else number_text(_like(m.value, m.high))
    return f"limits {low} .. {high}"


def _like(value: Scalar, limit: float) -> float:
    """A whole limit of a whole number is printed as one."""
    if isinstance(value, int) and float(limit).is_integer():
        return int(limit)
    return float(limit)
