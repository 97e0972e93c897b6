"""Words and numbers in reports: safe, reversible, and never rounded into a lie."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.records import CheckResult, Measurement, Outcome, Scalar
from harness.results.record.device_tally import DeviceTally
from harness.results.wording import (
    number_text,
    one_line,
    safe_text,
    tries_text,
    value_row,
    value_rows,
)
from tests.escapes import unescaped

ANYTHING = st.text(alphabet=st.characters(exclude_categories=()))
ESCAPES = st.text(alphabet="\\xu0159abfD8\x1b\ud800")


@settings(derandomize=True)
@given(ANYTHING | ESCAPES)
def test_safe_text_can_be_read_back(text: str) -> None:
    """Both forms give the original back, whatever it was."""
    assert unescaped(one_line(text)) == text
    assert unescaped(safe_text(text)) == text


@settings(derandomize=True)
@given(ANYTHING)
def test_safe_text_is_xml_text(text: str) -> None:
    """Only characters of production 2 are left (XML 1.0, fifth edition, 2.2)."""

    def allowed(code: int) -> bool:
        return (
            code in (0x9, 0xA, 0xD)
            or 0x20 <= code <= 0xD7FF
            or 0xE000 <= code <= 0xFFFD
            or 0x10000 <= code <= 0x10FFFF
        )

    assert all(allowed(ord(char)) for char in safe_text(text))


@settings(derandomize=True)
@given(ANYTHING)
def test_one_line_is_one_line(text: str) -> None:
    """Nothing that any reader takes for a line end, and no control, is left."""
    line = one_line(text)
    assert len(line.splitlines()) <= 1
    assert not any(ord(char) < 0x20 or 0x7F <= ord(char) <= 0x9F for char in line)


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("plain \\ C:\\temp", "plain \\ C:\\temp"),
        ("\x1b[31m", "\\x1b[31m"),
        ("a\r\n\tb", "a\\x0d\\x0a\\x09b"),
        ("\ud800\uffff", "\\ud800\\uffff"),
        ("\\x1b", "\\x5cx1b"),
        ("\u202eabc", "\\u202eabc"),
        ("21 \u00b0C \U0001f600", "21 \u00b0C \U0001f600"),
    ],
)
def test_escapes_are_visible(text: str, line: str) -> None:
    """The written rule, case by case."""
    assert one_line(text) == line


def test_several_lines_stay_several() -> None:
    """Line feeds and tabs stay where a text may have them; a return does not."""
    assert safe_text("a\n\tb\r\n") == "a\n\tb\\x0d\n"


@pytest.mark.parametrize(
    ("measurement", "line"),
    [
        (
            Measurement(name="temperature", value=4.25, unit="degC", low=2.0, high=6.0),
            "temperature = 4.25 degC (limits 2 .. 6) ok",
        ),
        (
            Measurement(name="temperature", value=6.5, unit="degC", high=6.0),
            "temperature = 6.5 degC (limits at most 6) outside",
        ),
        (
            Measurement(name="retries", value=3, low=0, high=0),
            "retries = 3 (wanted 0) outside",
        ),
        (
            Measurement(name="supply", value="external", wanted="external"),
            "supply = external (wanted external) ok",
        ),
        (
            Measurement(name="locked", value=True, wanted=False),
            "locked = yes (wanted no) outside",
        ),
        (
            Measurement(name="serial_number", value=""),
            "serial_number = '' (no limits) not judged",
        ),
        (
            Measurement(name="drift", value=0.00002, unit="s", uncertainty=0.000001),
            "drift = 0.0000200 +- 0.0000010 s (no limits) not judged",
        ),
        (
            Measurement(name="temperature", value=math.nan, unit="degC", low=2.0),
            "temperature = nan degC (limits at least 2) outside",
        ),
        (
            Measurement(name="rise", value=5.9, unit="us", high=6.0, uncertainty=0.2),
            "rise = 5.90 +- 0.20 us (limits at most 6) uncertain",
        ),
        (
            Measurement(
                name="rise",
                value=6.1,
                unit="us",
                high=6.0,
                uncertainty=0.2,
                beyond_doubt=True,
            ),
            "rise = 6.10 +- 0.20 us (limits at most 6) uncertain",
        ),
        (
            Measurement(name="rise", value=5.7, unit="us", high=6.0, uncertainty=0.2),
            "rise = 5.70 +- 0.20 us (limits at most 6) ok",
        ),
        (
            Measurement(name="a\nb", value="c\x00", unit="d\t"),
            "a\\x0ab = c\\x00 d\\x09 (no limits) not judged",
        ),
    ],
)
def test_the_fixed_form(measurement: Measurement, line: str) -> None:
    """One value a line: name, value, unit, limits, verdict."""
    assert value_row(measurement).line == line


@pytest.mark.parametrize("value", [6.00001, 1.99999])
def test_rounding_hides_no_miss(value: float) -> None:
    """A value just outside is printed with the digits that show it."""
    row = value_row(Measurement(name="t", value=value, unit="degC", low=2.0, high=6.0))
    assert row.verdict == "outside"
    assert row.value == repr(value)


@pytest.mark.parametrize(
    ("value", "text"),
    [(0.0, "0"), (7, "7"), (1e12, "1e+12"), (-0.5, "-0.5")],
)
def test_numbers(value: Scalar, text: str) -> None:
    """Whole numbers stay whole; very large ones get an exponent."""
    assert isinstance(value, int | float)
    assert number_text(value) == text


def test_extremes_stand_beside_the_latest() -> None:
    """After several rounds the least and the most are judged as well."""
    tally = DeviceTally()
    for round_, value in enumerate((4.0, 1.5, 5.0), start=1):
        measured = Measurement(name="t", value=value, unit="degC", low=2.0, high=6.0)
        tally.add(
            CheckResult(outcome=Outcome.PASSED, measurements=(measured,)),
            round_=round_,
        )
    result = tally.result()
    assert [row.line for row in value_rows(result)] == [
        "t = 5 degC (limits 2 .. 6) ok",
        "t least = 1.5 degC (limits 2 .. 6) outside",
        "t most = 5 degC (limits 2 .. 6) ok",
    ]
    assert tries_text(result) == "3 in 3 rounds"


def test_values_of_other_rounds_are_not_lost() -> None:
    """A round that ended in an error without values does not hide the others'."""
    tally = DeviceTally()
    measured = Measurement(name="t", value=4.0, unit="degC")
    for round_ in (1, 2):
        tally.add(
            CheckResult(outcome=Outcome.PASSED, measurements=(measured,)),
            round_=round_,
        )
    tally.add(CheckResult(outcome=Outcome.ERROR, kind="no-echo"), round_=3)
    assert [row.name for row in value_rows(tally.result())] == ["t least", "t most"]
