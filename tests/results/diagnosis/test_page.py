"""A diagnosis as one page: the same in terminal and report, from the journal alone."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from harness.diagnosis.evidence.bus import (
    Blocks,
    DeviceFacts,
    Echoes,
    Evidence,
    LineEvidence,
)
from harness.diagnosis.evidence.kinds import KindReading
from harness.diagnosis.inventory import Membership
from harness.records import CheckResult, Outcome
from harness.results.diagnosis.lines import diagnosis_lines
from harness.results.diagnosis.numbers import standing_words, tables_of
from harness.results.diagnosis.page import pages_of
from harness.results.record.run import RunRecord
from harness.results.reports.html import render
from tests.page_reader import read

Make = Callable[..., Any]
"""A fixture that makes something; conftest has the signatures."""

FINDING = {
    "cause": "supply",
    "kind": "restart",
    "confidence": "certain",
    "severity": "fault",
    "summary": "A1 <b>restarted</b>",
    "measured": ["85 degC & no marker", "2 of 6"],
    "ruled_out": ["transport"],
    "try_first": "reseat A1",
    "device": "3D0000A4B3C2D128",
}


def record_of(diagnosis: dict[str, Any]) -> RunRecord:
    """A run of one step that carries a diagnosis."""
    result = CheckResult(outcome=Outcome.FAILED, evidence={"diagnosis": diagnosis})
    step = {"step": "1", "kind": "diagnose", "title": "diagnose"}
    at = {"at": "2026-01-01T00:00:00.000Z", "t_s": 0}
    return RunRecord.from_events(
        [
            {"event": "run_started", **at, "plan": {"title": "p"}, "steps": [step]},
            {"event": "step_started", **at, **step},
            {"event": "check_done", **at, "step": "1", "round": 1, "result": result.as_dict()},
            {"event": "step_done", **at, "step": "1", "outcome": "failed", "duration_s": 1},
            {"event": "run_done", **at, "outcome": "failed", "exit_code": 1},
        ]
    )  # fmt: skip


@pytest.mark.parametrize(
    ("severity", "cause", "faulty", "outcome"),
    [
        ("fault", "supply", True, "failed"),
        ("fault", "adapter", True, "error"),
        ("fault", "undecided", True, "error"),
        ("warning", "configuration", False, "skipped"),
        ("note", "device", False, "skipped"),
    ],
)
def test_only_a_fault_is_called_one(
    severity: str, cause: str, faulty: bool, outcome: str
) -> None:
    """A fault of the adapter is no verdict on bus or device, a warning is none at all."""
    told = {"findings": [FINDING | {"severity": severity, "cause": cause}]}
    (page,) = pages_of(record_of(told))
    assert page.faulty is faulty
    assert page.findings[0].outcome == outcome


def test_terminal_and_report_tell_the_same() -> None:
    """Every sentence of the terminal's page stands in the report, as text."""
    told = {
        "findings": [FINDING, FINDING | {"discriminators": ["x: lift the lid"]}],
        "ruled_out": ["slow edges", "an empty bus"],
        "found": {
            "inventory": {"3D0000A4B3C2D128": "present"},
            "probes": [{"name": "idle line", "did": "listened", "took_s": 1.5, "broke_off": "gone"}],
        },
    }  # fmt: skip
    record = record_of(told)
    page = render(record)
    assert "<b>restarted" not in page
    shown = read(page).shown
    for text in (
        "1. Device restarts (supply interrupted): 3D0000A4B3C2D128 (fault, certain)",
        "A1 <b>restarted</b>", "85 degC & no marker", "2 of 6", "transport",
        "x: lift the lid", "reseat A1", "slow edges; an empty bus", "listened", "gone",
    ):  # fmt: skip
        assert text in shown, text
        assert any(text in line for line in diagnosis_lines(record)), text


def test_no_diagnosis_no_section() -> None:
    """A run without one shows none."""
    record = record_of({"findings": []})
    plain = RunRecord.from_events(
        [{"event": "run_started", "at": "", "t_s": 0, "plan": {"title": "p"}}]
    )
    assert "Diagnosis" in render(record)
    assert "Nothing wrong was found" in render(record)
    assert "Diagnosis" not in render(plain)
    assert diagnosis_lines(plain) == []


def test_what_was_not_probed_makes_no_table() -> None:
    """An examination that broke off early still has its page."""
    assert list(tables_of(Evidence())) == []
    echoes = Echoes(sent=100, silent=1, histogram={"FE": 90, "FC": 9})
    line = LineEvidence(ones=echoes, zeros=Echoes(sent=0), rise_us=(13.0, 22.0))
    tables = {t.title: t for t in tables_of(Evidence(line=line))}
    assert set(tables) == {"Adapter and line", "Echoes"}
    assert tables["Echoes"].rows == (
        (
            "read or write-1 slots, no device addressed",
            "100",
            "1",
            "0",
            "FE: 90, FC: 9",
        ),
    )
    assert "13 to 22 us" in str(tables["Adapter and line"].rows)


def test_every_standing_reads_as_words() -> None:
    """Of the keys only plain words are shown as they are."""
    plain = {Membership.PRESENT, Membership.MISSING}
    assert {m for m in Membership if standing_words(m) == m} == plain


def test_rare_echoes_are_counted_together() -> None:
    """A cell stays readable: the six most frequent echoes, then the rest."""
    counts = {f"{n:02X}": 20 - n for n in range(9)}
    line = LineEvidence(ones=Echoes(sent=200, histogram=counts), zeros=Echoes(sent=0))
    (row,) = [t for t in tables_of(Evidence(line=line)) if t.title == "Echoes"]  # fmt: skip
    assert row.rows[0][-1].endswith("05: 15, others: 39")


def test_what_devices_say_of_themselves() -> None:
    """One value, mean and span of several, and an answer that never came."""
    code = "3D0000A4B3C2D126"
    device = DeviceFacts(
        rom_code=code,
        family=0x26,
        socket="A1",
        readings=(
            KindReading(quantity="power_supply", values=("external",), tries=1),
            KindReading(quantity="current", unit="counts", values=(1, 3, 2), tries=3),
            KindReading(quantity="clock", tries=3, troubles={"check-value": 3}, said="CRC wrong"),
        ),
    )  # fmt: skip
    tables = {t.title: t for t in tables_of(Evidence(devices=(device,)))}
    name = f"A1 {code}"
    assert tables["Devices"].rows == ((name, "external", "-", "-", "-", "-"),)
    assert tables["What each device reports"].rows == (
        (name, "power_supply", "external", "-", "none"),
        (name, "current", "mean 2, 1 to 3", "counts", "none"),
        (name, "clock", "none: CRC wrong", "-", "check-value 3 of 3"),
    )


@pytest.mark.slow
def test_an_examined_bench_shows_its_numbers(
    run_plan: Make, bench_data: Make, new_device: Make
) -> None:
    """Every device of the bench stands in the tables with what it did."""
    step = {"listen_s": 1, "scans": 3, "verifies": 6, "reads": 4, "rounds": 1, "alone": 1}  # fmt: skip
    fault = {"kind": "supply-lead-open", "device": "S3"}
    devices = [new_device(0x28, n) for n in (5, 6, 7)]
    ran = run_plan([{"diagnose": step}], bench_data(devices, faults=[fault]))
    (page,) = pages_of(ran.record)
    tables = {table.title: table for table in page.tables}
    assert list(tables) == ["Adapter and line", "Echoes", "Searches", "Devices"]
    for table in page.tables:
        assert all(len(row) == len(table.head) for row in table.rows)
    powers = {row[0][:2]: row[1] for row in tables["Devices"].rows}
    assert powers == {"S1": "own supply", "S2": "own supply", "S3": "data line"}
    assert {row[3:] for row in tables["Searches"].rows} == {("3 of 3", "6 of 6")}
    assert len(tables["Echoes"].rows) >= 8
    shown = read(render(ran.record)).shown
    assert "Supply wire of the device open: S3 " in shown
    assert all(row[0] in shown for row in tables["Devices"].rows)


def test_flips_by_kind_of_slot() -> None:
    """A block of 4 ones in 16 bits, read 9 times, beside slots of no device."""
    blocks = Blocks(
        reads=10, whole=7, usual="0F 00", troubles={"no-presence": 1}, flips_down=2
    )
    device = DeviceFacts(rom_code="3D0000A4B3C2D128", family=0x28, blocks=blocks)
    line = LineEvidence(
        ones=Echoes(sent=100, histogram={"FF": 97, "F0": 3}),
        zeros=Echoes(sent=50, histogram={"00": 50}),
        rise_us=(0.0, 2.0),
    )
    (table,) = [
        t
        for t in tables_of(Evidence(line=line, devices=(device,)))
        if t.title == "Adapter and line"
    ]
    assert table.rows[-1] == (
        "slots that came back changed, by kind",
        "write-1 3 of 100, write-0 0 of 50, read-1 2 of 36, read-0 0 of 108",
    )
    sound = LineEvidence(ones=Echoes(sent=1, histogram={"FF": 1}), zeros=Echoes(sent=0))
    assert "by kind" not in str(list(tables_of(Evidence(line=sound))))
