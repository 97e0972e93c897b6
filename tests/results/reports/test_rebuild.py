"""Reports rebuilt from the journal alone."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING
from xml.etree import ElementTree as ET

import pytest
from junitparser.xunit2 import JUnitXml

from harness.errors import UsageError
from harness.records import CheckResult, Outcome
from harness.results.record.run import RunRecord
from harness.results.reports.rebuild import read_record, rebuild

if TYPE_CHECKING:
    from tests.results.conftest import Script

Reading = Callable[..., CheckResult]
STEP = ("1", "read", "read temperature")


def test_rebuilt_twice_the_same(
    script: Script, tmp_path: Path, reading: Reading
) -> None:
    """The same journal gives the same bytes, and the record of its events."""
    script.start(STEP).step(*STEP, reading(6.5, retries=1)).done("failed", 1)
    path = script.write(tmp_path / "run")
    records = [rebuild(path, tmp_path / name) for name in ("a", "b")]
    assert records[0] == records[1] == RunRecord.from_events(script.events)
    first, second = (tmp_path / name / "junit.xml" for name in ("a", "b"))
    assert first.read_bytes() == second.read_bytes()


def test_rebuilt_in_place(script: Script, tmp_path: Path, reading: Reading) -> None:
    """Rebuilding into the results folder leaves the journal as it was."""
    script.start(STEP).step(*STEP, reading(4.0)).done("passed", 0)
    path = script.write(tmp_path)
    before = path.read_bytes()
    rebuild(path, tmp_path)
    rebuild(path, tmp_path)
    assert path.read_bytes() == before
    assert sorted(p.name for p in tmp_path.iterdir()) == [
        "journal.jsonl",
        "junit.xml",
        "report.html",
    ]


def test_an_interrupted_step_is_an_error(
    script: Script, tmp_path: Path, reading: Reading
) -> None:
    """A run killed inside a step: its results stay and the step is an error."""
    script.start(STEP).add("step_started", step="1").check("1", reading(4.0))
    record = rebuild(script.write(tmp_path), tmp_path)
    assert record.exit_code == 3
    (suite,) = JUnitXml.fromfile(str(tmp_path / "junit.xml"))
    assert [(case.name, case.is_error) for case in suite] == [
        ("1 read temperature [A1]", False),
        ("1 read temperature", True),
    ]


def test_an_edited_journal_is_refused(tmp_path: Path, script: Script) -> None:
    """A wrong word in an event is refused, naming file and event; no report appears."""
    path = script.start(STEP).write(tmp_path)
    with path.open("a") as stream:
        stream.write(json.dumps({"event": "run_done", "outcome": "splendid"}) + "\n")
    with pytest.raises(UsageError, match="splendid") as caught:
        rebuild(path, tmp_path / "out")
    assert caught.value.where == f"{path}:2"
    assert not (tmp_path / "out").exists()


def test_what_is_no_journal_is_refused(tmp_path: Path) -> None:
    """A plan given instead of a journal is refused by file and line."""
    path = tmp_path / "plan.yaml"
    path.write_text("plan: x\n")
    with pytest.raises(UsageError, match="no journal") as caught:
        read_record(path)
    assert caught.value.where == f"{path}:1"


def test_a_folder_that_cannot_be_is_refused(tmp_path: Path, script: Script) -> None:
    """Reports below a plain file are the caller's mistake."""
    path = script.start().done("passed", 0).write(tmp_path)
    with pytest.raises(UsageError, match="cannot be written"):
        rebuild(path, path / "below")


def test_case_properties_are_handed_on(
    script: Script, tmp_path: Path, reading: Reading
) -> None:
    """The choice to have case properties reaches the report."""
    script.start(STEP).step(*STEP, reading(4.0)).done("passed", 0)
    record = rebuild(script.write(tmp_path), tmp_path, case_properties=True)
    assert record.outcome is Outcome.PASSED
    properties = ET.parse(tmp_path / "junit.xml").findall(".//testcase//property")
    assert [p.attrib["name"] for p in properties] == ["temperature"]
