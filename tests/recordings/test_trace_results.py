"""What the judgement of a recording leaves: journal, junit.xml, report.html, pictures."""

from __future__ import annotations

from pathlib import Path
from xml.etree import ElementTree as ET

import pytest
import xmlschema

from harness.errors import UsageError
from harness.plans.execution.tracing.request import TraceRequest, secret_given
from harness.plans.execution.tracing.run import TraceResult, judge
from harness.records import Outcome
from harness.results.plots.recording import recording_figures
from harness.results.recording.events import ShownRecording
from harness.results.reports.rebuild import read_record, rebuild
from tests.page_reader import read
from tests.recordings.traces import DATA, LineMaker, traced, write_vcd

SCHEMA = Path(__file__).parents[2].parent / "shared" / "data" / "junit-10.xsd"


@pytest.fixture(scope="module")
def judged(tmp_path_factory: pytest.TempPathFactory) -> TraceResult:
    """The authenticator's recording: a short write-0 low, and everything else right."""
    into = tmp_path_factory.mktemp("trace") / "results"
    return judge(TraceRequest(recording=DATA / "authenticator_33h.vcd", into=into))


@pytest.mark.parametrize(
    ("secret", "code"), [("00" * 8, 1), ("00" * 7 + "01", 1)], ids=["right", "wrong"]
)
def test_a_mac_against_the_secret(
    secret: str, code: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A real chip's MAC is that of eight zero bytes (its secret there), and of no other.

    The host's short write-0 low is outside in both.
    """
    monkeypatch.setattr("harness.results.plots.run.recording_figures", lambda _: ())
    monkeypatch.setenv("TRACE_SECRET", secret)
    result = judge(
        TraceRequest(
            recording=DATA / "authenticator_33h.vcd",
            secret=secret_given("env:TRACE_SECRET"),
            into=tmp_path / "out",
        )
    )
    (line,) = [s for s in result.record.steps if s.step == "transactions"]
    (device,) = [r for r in line.results if r.device]
    assert result.exit_code == code
    if code == 1 and secret == "00" * 8:
        assert device.outcome is Outcome.PASSED
        assert device.shown.notes == ("MACs that are right for the secret given: 1",)
    else:
        assert device.outcome is Outcome.FAILED
        assert "not that of the secret given (env:TRACE_SECRET)" in device.shown.message
    written = (tmp_path / "out" / "journal.jsonl").read_text()
    assert secret not in written.replace(" ", "") or secret == "00" * 8


def test_a_secret_on_the_command_line_is_refused() -> None:
    with pytest.raises(UsageError, match="never written"):
        secret_given("0011223344556677")


def test_parts_that_do_not_behave_as_their_sheet(tmp_path: Path) -> None:
    """Both thermometers of the recording: byte 4, byte 6, serial number; and the repeat."""
    trace = traced(DATA / "two_thermometers_28h.vcd")
    notes = {seen.rom: seen.notes for seen in trace.devices}
    assert notes["8D011627F794EE28"][0] == (
        "does not behave as its data sheet says: configuration 1Fh was written and 7Fh "
        "is read back (stated in the data sheet); byte 6 is 0Ch where genuine parts show "
        "0Eh, 10h less the last four bits (strong); the serial number does not end in "
        "zeros (16 01; weak)"
    )
    assert "where genuine parts show 0Fh" in notes["330216255487EE28"][0]
    for said in notes.values():
        assert "repeats byte for byte after a conversion" in said[1]
    other = traced(DATA / "search_28h_and_42h.vcd")
    assert [seen.notes for seen in other.devices] == [(), ()]


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
    assert names > {"junit.xml", "report.html"}
    assert names == {path.name for path in tmp_path.iterdir()} - {"journal.jsonl"}
    for name in names:
        assert (tmp_path / name).read_bytes() == (judged.folder / name).read_bytes()


def test_the_page_shows_what_was_on_the_line(judged: TraceResult) -> None:
    page = read((judged.folder / "report.html").read_text("utf-8"))
    beside = {path.name for path in judged.folder.iterdir()}
    assert all(a.startswith("#") or a in beside for a in page.addresses)
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
