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

from harness.digits import amount_text, limit_text, limits_text, number_text
from harness.records import Measurement, Scalar, Side
from harness.results.progress import StepRecord
from harness.results.tally import DeviceResult

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
    "unescaped",
    "value_row",
    "value_rows",
]

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
        value: with its uncertainty where it has one; a bound says ``at most`` or
            ``at least``.
        unit: ``-`` if it has none.
        limits: ``limits 2 .. 6``, ``wanted external``, what else it was judged by, or
            ``no limits``.
        verdict: ``ok``, ``outside`` or ``not judged``; of a bound also ``high ok`` or
            ``low ok`` where it leaves the other limit open, and ``undecided`` where it
            leaves open all.
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
    """How many tries, and in how many rounds if more than one."""
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
    low, high = (
        "none" if limit is None else limit_text(limit) for limit in (m.low, m.high)
    )
    return f"limits {low} .. {high}"
