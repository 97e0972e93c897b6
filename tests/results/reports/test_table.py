"""The table and the plain lines: every value with unit and limits, verdicts as words."""

from __future__ import annotations

import io
from collections.abc import Callable
from typing import TYPE_CHECKING

import pytest
from rich.console import Console

from harness.records import CheckResult, DeviceRef, Measurement, Outcome
from harness.results.record.run import RunRecord
from harness.results.reports.table import plain_lines, summary_line, verdict_table

if TYPE_CHECKING:
    from tests.results.conftest import Script

Reading = Callable[..., CheckResult]


@pytest.fixture
def record(script: Script, reading: Reading) -> RunRecord:
    """A run with a pass, a pass after a retry, a failure and a skip."""
    devices = [
        DeviceRef(rom_code=f"1E0000A4B3C2D{n:01X}28", family=0x28, socket=f"A{n}")
        for n in (1, 2, 3)
    ]
    script.start(
        ("1", "reset", "reset 100 times"),
        ("2", "read", "read temperature"),
        ("3", "stress", "slot stress"),
    )
    presence = Measurement(
        name="presence low", value=118.2, unit="us", low=60, high=240
    )
    script.step(
        "1",
        "reset",
        "reset 100 times",
        CheckResult(outcome=Outcome.PASSED, measurements=(presence,)),
    )
    script.step(
        "2",
        "read",
        "read temperature",
        reading(4.2, device=devices[0]),
        reading(4.3, device=devices[1], retries=1),
        reading(6.5, device=devices[2]),
    )
    return RunRecord.from_events(script.done("failed", 1).events)


def _shown(record: RunRecord, *, width: int) -> list[str]:
    stream = io.StringIO()
    console = Console(file=stream, width=width, color_system=None)
    console.print(verdict_table(record))
    return [line.rstrip() for line in stream.getvalue().splitlines()]


def test_plain_lines(record: RunRecord) -> None:
    """Aligned lines that begin with the verdict; reasons and the summary follow."""
    assert plain_lines(record) == [
        "passed   1 reset 100 times   bus                  presence low  118.2  "
        "us    60 .. 240  ok       1",
        "passed   2 read temperature  A1 1E0000A4B3C2D128  temperature   4.2    "
        "degC  2 .. 6     ok       1",
        "passed   2 read temperature  A2 1E0000A4B3C2D228  temperature   4.3    "
        "degC  2 .. 6     ok       2",
        "    passed after 1 retry, the first: try 1: the check value does not match",
        "failed   2 read temperature  A3 1E0000A4B3C2D328  temperature   6.5    "
        "degC  2 .. 6     outside  1",
        "    failed: temperature 6.5 degC is outside 2 .. 6 degC",
        "    hint: compare with the reference thermometer",
        "skipped  3 slot stress       bus                  -             -      "
        "-     -          skipped  0",
        "    skipped: not reached: the run ended before this step",
        "run failed: 3 passed (1 after a retry), 1 failed, 0 errors, 1 skipped, "
        "4.5 s on the port's clock",
    ]


def test_wide_table(record: RunRecord) -> None:
    """With room enough a row is one line with the whole ROM code and all decimals."""
    lines = _shown(record, width=120)
    (row,) = [line for line in lines if "A3" in line]
    assert row.split() == [
        *("A3", "1E0000A4B3C2D328", "temperature", "6.5", "degC"),
        *("2", "..", "6", "outside", "1"),
    ]
    at = lines.index(row)
    assert (
        lines[at + 1].strip() == "failed: temperature 6.5 degC is outside 2 .. 6 degC"
    )
    assert lines[at + 2].strip() == "hint: compare with the reference thermometer"
    assert "2 read temperature: failed" in lines
    assert lines[-1] == summary_line(record)


def test_narrow_table(record: RunRecord) -> None:
    """In 80 columns a socket stands for its device and each row is still one line."""
    lines = _shown(record, width=72)
    assert max(map(len, lines)) <= 72
    (row,) = [line for line in lines if "A3" in line]
    assert row.split() == [
        *("A3", "temperature", "6.5", "degC", "2", "..", "6", "outside", "1")
    ]


@pytest.mark.parametrize("width", [30, 40, 60, 80, 81, 100, 200])
def test_no_width_loses_a_character(record: RunRecord, width: int) -> None:
    """However narrow, texts are folded and not cut."""
    lines = _shown(record, width=width)
    assert max(map(len, lines)) <= width
    assert not any("\u2026" in line for line in lines)
    text = "".join("".join(lines).split())
    assert "comparewiththereferencethermometer" in text


def test_wanted_texts_keep_their_zeros(script: Script) -> None:
    """Only limits lose their zeros in a narrow table, never a wanted text."""
    version = Measurement(name="version", value="1.10", wanted="1.10")
    number = Measurement(name="n" * 30, value=1.0, unit="ms", low=-1.50, high=10.0)
    result = CheckResult(outcome=Outcome.PASSED, measurements=(version, number))
    script.start(("1", "read", "read")).step("1", "read", "read", result)
    lines = _shown(RunRecord.from_events(script.done("passed", 0).events), width=70)
    assert any("wanted 1.10" in line for line in lines)
    assert any("-1.5 .. 10 " in line for line in lines)


def test_verdicts_are_words_without_colour(record: RunRecord) -> None:
    """A terminal without colour shows the same words as one with colour."""
    stream = io.StringIO()
    Console(
        file=stream, width=120, force_terminal=True, color_system="truecolor"
    ).print(verdict_table(record))
    coloured = stream.getvalue()
    assert "\x1b[" in coloured
    plain = "\n".join(_shown(record, width=120))
    for word in ("outside", "failed", "passed", "skipped"):
        assert word in plain
        assert word in coloured


def test_hostile_text_cannot_drive_the_terminal(script: Script) -> None:
    """Escape sequences and markup from outside are shown, not acted on."""
    result = CheckResult(
        outcome=Outcome.FAILED,
        device=DeviceRef(rom_code="\x1b[2J", family=1, socket="[red]x[/red]"),
        message="\x1b]0;owned\x07[link=x]y",
        hint="a\nb",
        measurements=(Measurement(name="[bold]", value="\x9b1m", unit="\r"),),
    )
    script.start(("1", "read", "\x1b[1m")).step("1", "read", "\x1b[1m", result)
    record = RunRecord.from_events(script.done("failed", 1).events)
    for lines in (_shown(record, width=150), plain_lines(record)):
        text = "\n".join(lines)
        assert not any(ord(char) < 0x20 and char != "\n" for char in text)
        assert "[red]x[/red]" in text
        assert "\\x1b]0;owned\\x07[link=x]y" in text


def test_what_devices_have_alike_is_said_once(script: Script) -> None:
    """How much of a step was tried stands once; each failure keeps its own message."""
    script.start(("1", "stress", "slot stress"))
    told = [(Outcome.PASSED, "3 of 4 made")] * 3 + [(Outcome.FAILED, "broken")] * 2
    results = [
        CheckResult(
            outcome=outcome,
            kind="",
            message=message,
            device=DeviceRef(rom_code=f"1E0000A4B3C2D{n:01X}28", family=0x28),
        )
        for n, (outcome, message) in enumerate(told)
    ]
    script.step("1", "stress", "slot stress", *results)
    lines = plain_lines(RunRecord.from_events(script.done("failed", 1).events))
    assert [line.strip() for line in lines if line.startswith("    ")] == [
        "3 devices alike, passed: 3 of 4 made",
        "failed: broken",
        "failed: broken",
    ]


def test_an_empty_run_has_a_summary(script: Script) -> None:
    """A run of no steps is one line, in both forms."""
    record = RunRecord.from_events(script.start().done("passed", 0).events)
    assert plain_lines(record) == [summary_line(record)]
    assert _shown(record, width=100)[-1] == summary_line(record)


def test_the_summary_names_what_else_must_be_known(script: Script) -> None:
    """Gaps, lost lines and disagreements are on the summary line."""
    script.start().add("gap", reason="unplugged", from_s=1.0, to_s=62.5)
    script.events.append({"event": "line_lost", "line": 3, "bytes": 1})
    record = RunRecord.from_events(script.done("failed", 1).events)
    assert summary_line(record) == (
        "run failed: 0 passed, 1 failed, 0 errors, 0 skipped, 1.5 s on the port's "
        "clock, adapter away 61.5 s, 1 journal line lost, "
        "the run is stated as failed, its steps say passed"
    )
