"""What the judgement of a recording leaves: journal, junit.xml, report.html, pictures."""

from __future__ import annotations

from pathlib import Path
from xml.etree import ElementTree as ET

import pytest
import xmlschema

from harness.plans.execution.tracing.request import TraceRequest
from harness.plans.execution.tracing.run import TraceResult, judge
from harness.records import Outcome
from harness.results.plots.recording import recording_figures
from harness.results.recording.events import ShownRecording
from harness.results.reports.rebuild import read_record, rebuild
from tests.page_reader import assert_complete
from tests.recordings.traces import DATA, LineMaker, write_vcd

SCHEMA = Path(__file__).parents[2].parent / "shared" / "data" / "junit-10.xsd"


@pytest.fixture(scope="module")
def judged(tmp_path_factory: pytest.TempPathFactory) -> TraceResult:
    """The authenticator's recording: a short write-0 low, and everything else right."""
    into = tmp_path_factory.mktemp("trace") / "results"
    return judge(TraceRequest(recording=DATA / "authenticator_33h.vcd", into=into))


def _shown(judged: TraceResult) -> ShownRecording:
    assert judged.record.recording is not None
    return judged.record.recording


def test_the_record_says_what_the_recording_says(judged: TraceResult) -> None:
    outcomes = {s.step: s.outcome for s in judged.record.steps}
    assert outcomes.pop("write-0 low") is Outcome.FAILED
    assert set(outcomes.values()) == {Outcome.PASSED}
    assert judged.exit_code == judged.record.exit_code == 1
    assert [d.rom_code for d in judged.record.devices] == ["2C00000274A44A33"]
    assert not judged.record.disagreements


def test_the_journal_has_what_reports_show(judged: TraceResult) -> None:
    shown = _shown(judged)
    assert shown.facts.verdict is judged.trace.verdict
    assert shown.quantities == judged.trace.quantities
    assert shown.views == judged.trace.views
    assert len(shown.transactions) == judged.trace.transaction_count == 10
    # every low that is a slot, a reset, a presence pulse or none of them
    facts = shown.facts
    assert sum(facts.activity) == facts.slots + 2 * facts.answered + facts.neithers


def test_the_junit_file_holds_by_the_strict_schema(judged: TraceResult) -> None:
    path = judged.folder / "junit.xml"
    if SCHEMA.exists():  # lies beside the project, not in it
        xmlschema.XMLSchema(str(SCHEMA)).validate(str(path))
    failed = [
        c for c in ET.parse(path).iter("testcase") if c.find("failure") is not None
    ]
    assert [case.get("name") for case in failed] == ["write-0 low of the host"]
    failure = failed[0].find("failure")
    assert failure is not None
    assert "52 to 53 us (+-1 us), below 60 us" in str(failure.get("message"))


def test_reports_are_made_again_from_the_journal_alone(
    judged: TraceResult, tmp_path: Path
) -> None:
    rebuild(judged.folder / "journal.jsonl", tmp_path)
    names = {path.name for path in judged.folder.iterdir()} - {"journal.jsonl"}
    assert names == {
        "junit.xml", "report.html", "strip.png", "strip.svg", "histograms.png",
        "histograms.svg", "worst-slots.png", "worst-slots.svg",
    }  # fmt: skip
    for name in names:
        assert (tmp_path / name).read_bytes() == (judged.folder / name).read_bytes()


def test_the_page_shows_what_was_on_the_line(judged: TraceResult) -> None:
    page = assert_complete((judged.folder / "report.html").read_text("utf-8"))
    assert "67 51 56 16 9D 7B 1B 89 35 64 1F D5 D4 1A 20 83 DA 43 E5 F3" in page.shown
    assert "52 to 53 us (+-1 us), below 60 us" in page.shown


def test_what_cannot_be_told_is_skipped_where_something_is_outside(
    tmp_path: Path,
) -> None:
    """One verdict on the recording: outside comes before cannot tell, in every report."""
    line = LineMaker()
    line.reset()
    line.send(0xCC)
    line.low(50, 20)  # a host's zero below 60 us
    line.bits((1,) * 7)
    line.reset()
    line.send(0xCC, 0x44)
    line.low(500, 30)  # cut before anybody answers, the low is not over
    recording = write_vcd(tmp_path / "a.vcd", line.lows[:-1], end_us=line.now - 530)
    text = (
        recording.read_text()
        + f"#{round(line.now * 10)}\n0!\n#{round(line.now * 11)}\n"
    )
    recording.write_text(text)
    result = judge(TraceRequest(recording=recording, into=tmp_path / "out"))
    outcomes = {s.step: s.outcome for s in result.record.steps}
    assert outcomes["recording"] is Outcome.SKIPPED
    assert result.exit_code == 1
    assert read_record(tmp_path / "out" / "journal.jsonl") == result.record


def test_pictures_are_narrow_enough_for_a_phone(judged: TraceResult) -> None:
    """At 96 pixels an inch no wider than 480 pixels, so letters are not shrunk."""
    for _, figure in recording_figures(_shown(judged)):
        assert figure.get_size_inches()[0] * 96 <= 480
