"""The page of a shift: whole, safe, and the same from its folder alone."""

from __future__ import annotations

import sys
from dataclasses import replace
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st

from harness import lazy
from harness.cli import app
from harness.errors import HostError
from harness.plans.loading.files import load_fixture, load_plan
from harness.quality import rates
from harness.records import Outcome
from harness.results.ledger.entry import LedgerReading, Reason, UnitFacts, UnitTest
from harness.results.plots import palette
from harness.station.refusals import FILE_NAME as REFUSED
from harness.station.refusals import Refusal
from harness.station.shift.page import FILE_NAME, render
from harness.station.shift.record import ShiftRecord, read_shift
from tests.page_reader import assert_complete, read

Line = Any
"""A production line to rehearse on; conftest has its class."""

READING = LedgerReading(
    step="6 read temperature",
    rom_code="3D0000A4B3C2D128",
    name="temperature",
    value=21.4375,
    text="21.4375",
    unit="degC",
    low=20.6,
    high=21.4,
    outcome="failed",
)

FAILED = UnitTest(
    unit=UnitFacts(serial="CS-2", lot="7", station="hall", place="left"),
    run_id="r2",
    outcome=Outcome.FAILED,
    ending="complete",
    reason=Reason(step="read", kind="limit", message="too warm", hint="look at the bath"),
    rom_codes=(("3D0000A4B3C2D128", "left"),),
    readings=(READING,),
    started_at="2026-03-01T06:00:20.000Z",
    finished_at="2026-03-01T06:00:30.000Z",
    duration_s=10.0,
    plan_title="probe unit",
    plan_sha256="",
    fixture_title="line 3",
    fixture_sha256="",
    host="h",
    version="1",
    journal="/shift/left-cs_2-1/journal.jsonl",
)  # fmt: skip

PASSED = replace(
    FAILED,
    unit=replace(FAILED.unit, serial="CS-1"),
    run_id="r1",
    outcome=Outcome.PASSED,
    reason=Reason(),
    rom_codes=(("620000A4B3C2E728", "left"),),
    readings=(replace(READING, value=21.0, text="21.0000", outcome="passed"),),
    started_at="2026-03-01T06:00:00.000Z",
    finished_at="2026-03-01T06:00:10.000Z",
    journal="/shift/left-cs_1-1/journal.jsonl",
)

GONE = replace(
    FAILED,
    unit=replace(FAILED.unit, serial="CS-3"),
    run_id="r3",
    outcome=Outcome.ERROR,
    reason=Reason(step="unit", kind="unit-gone", message="the unit went away"),
    readings=(),
)


def record(*tests: UnitTest, **more: Any) -> ShiftRecord:  # noqa: ANN401
    given_: dict[str, Any] = {
        "folder": "shift",
        "tests": tests,
        "refusals": (),
        "facts": (("plan.title", ("probe unit",)),),
        "unreadable": (),
        **more,
    }
    return ShiftRecord(**given_)


def test_counts_failures_units_and_what_to_look_at() -> None:
    """A manager finds yield and rate, each failed unit with value, limits, first look, journal."""
    refused = Refusal(at="2026-03-01T06:01:00Z", place="left", serial="CS-1", why="passed")  # fmt: skip
    page = render(record(PASSED, FAILED, GONE, refusals=(refused,)))
    shown = assert_complete(page).shown
    for text in ("1 PASSED, 1 FAILED", "first-pass yield 50.0 % (1 of 2)", "lot 7",
                 "50.00 %; of units made", "read: outside its limits", "CS-2 3D0000A4B3C2D128 at left",
                 "too warm", "Look first: look at the bath", "21.4375", "20.6 .. 21.4",
                 "no verdict: the unit went away", "CS-1 not accepted: passed", "not accepted 1, not tested",
                 "1 of the units came to no verdict", "left-cs_1-1", "plan.title"):  # fmt: skip
        assert text in shown, text


def test_a_unit_is_judged_by_its_last_verdict() -> None:
    """Failed first and passed at its retest, it is no failed unit, and both tests are counted."""
    again = replace(FAILED, outcome=Outcome.PASSED, reason=Reason(), run_id="r9",
                    started_at="2026-03-01T06:02:00.000Z")  # fmt: skip
    shown = read(render(record(FAILED, again))).shown
    assert "1 PASSED, 0 FAILED" in shown
    assert "first-pass yield 0.0 % (0 of 1)" in shown
    assert "Every failed unit" not in shown


def test_an_error_after_a_verdict_does_not_undo_it() -> None:
    """The last test that came to a verdict counts."""
    later = replace(GONE, unit=PASSED.unit, started_at="2026-03-01T07:00:00.000Z")
    (unit,) = record(PASSED, later).units
    assert (unit.outcome, unit.last) == (Outcome.PASSED, PASSED)


def test_an_empty_shift_has_a_page() -> None:
    """Nothing was tested: it says so, and passes nothing."""
    page = render(record())
    assert "no unit yet" in read(page).shown
    assert 'class="verdict skipped"' in page


@settings(deadline=None, derandomize=True, max_examples=40)
@given(text=st.text(max_size=40))
def test_any_text_stays_text(text: str) -> None:
    """Whatever a scanner, a plan or a message brings never becomes markup."""
    hostile = f"</td><script>alert(1)</script>{text}<b>"

    def page(word: str) -> str:
        test = replace(
            FAILED,
            unit=UnitFacts(serial=word, lot=word, station=word, place=word),
            reason=Reason(step=word, kind=word, message=word, hint=word),
            readings=(replace(READING, name=word, unit=word),),
            plan_title=word,
            fixture_title=word,
        )
        refused = Refusal(at=word, place=word, serial=word, why=word)
        return render(
            record(
                test,
                refusals=(refused,),
                facts=((word, (word,)),),
                unreadable=((word, word),),
                folder=word,
            )
        )

    assert read(page(hostile)).tags == read(page("x")).tags
    page(hostile).encode("utf-8")


def test_the_shift_leaves_its_page(line: Line) -> None:
    """At its end, with what was refused; rebuilt from the folder it is the same, byte for byte."""
    feed = [{"serial": s, "devices": [n]} for s, n in (("CS-1", 1), ("CS-1", 1), ("CS-2", 2), ("CS-2", 2))]  # fmt: skip
    place = line.place("left", [line.probe(1), line.probe(2, 25.0)], feed)
    ended = line.run(line.orders(place))
    page = (ended.folder / FILE_NAME).read_bytes()
    shown = assert_complete(page.decode()).shown
    assert "1 PASSED, 1 FAILED" in shown
    assert "not accepted: This serial number passed before" in shown
    assert "SIMULATED" in shown
    assert "units an hour" not in shown
    said = CliRunner().invoke(app, ["report", str(ended.folder), "--into", str(ended.folder / "again")])  # fmt: skip
    assert said.exit_code == 0, said.output
    assert "1 PASSED, 1 FAILED" in said.output
    again = (ended.folder / "again" / FILE_NAME).read_bytes()
    assert again.replace(b'href="../', b'href="') == page  # links lead to the units
    assert again != page


def test_what_cannot_be_read_is_named(line: Line) -> None:
    """A journal that was cut at once and a torn refusal spoil nothing else."""
    place = line.place("left", [line.probe(1)], [{"serial": "CS-1", "devices": [1]}])
    ended = line.run(line.orders(place))
    torn = ended.folder / "left-cs_9-1"
    torn.mkdir()
    (torn / "journal.jsonl").write_bytes(b"")
    (ended.folder / REFUSED).write_bytes(b'{"at": "x", "pla')
    found = read_shift(ended.folder)
    assert [name for name, _ in found.unreadable] == ["left-cs_9-1"]
    assert found.counts.passed == 1
    assert found.refusals == ()
    assert "left-cs_9-1" in read(render(found)).shown


def test_a_run_may_be_named_by_its_folder(line: Line) -> None:
    """`report` takes the folder of one test as well as its journal."""
    place = line.place("left", [line.probe(1)], [{"serial": "CS-1", "devices": [1]}])
    folder = line.run(line.orders(place)).folder / "left-cs_1-1"
    said = CliRunner().invoke(app, ["report", str(folder)])
    assert said.exit_code == 0, said.output
    assert (folder / "report.html").exists()


def test_a_disk_that_is_full_is_the_hosts(
    line: Line, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The page does not fit: an error of the host (exit code 3), and how to have it."""
    resource = pytest.importorskip("resource")
    place = line.place("left", [line.probe(1)], [{"serial": "CS-1", "devices": [1]}])
    folder = line.run(line.orders(place)).folder
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    monkeypatch.setattr(sys, "dont_write_bytecode", True)  # it would be cut too
    resource.setrlimit(resource.RLIMIT_FSIZE, (1000, hard))
    try:
        said = CliRunner().invoke(app, ["report", str(folder)])
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    assert isinstance(said.exception, HostError)
    assert f"slotproof report {folder}" in said.exception.hint


@pytest.mark.parametrize("into", ["page", "page/deeper"])
def test_a_folder_that_takes_nothing_is_told(
    line: Line, tmp_path: Path, into: str
) -> None:
    """One sentence, no traceback."""
    place = line.place("left", [line.probe(1)], [{"serial": "CS-1", "devices": [1]}])
    folder = line.run(line.orders(place)).folder
    (tmp_path / "page").write_text("a file")
    said = CliRunner().invoke(app, ["report", str(folder), "--into", str(tmp_path / into)])  # fmt: skip
    assert "cannot be written" in str(said.exception)


def test_each_quantity_is_drawn_nearest_to_a_limit_first() -> None:
    """Two units and more; one that fails its limit comes before one in the middle."""
    cool = replace(READING, name="board_temperature", value=21.0, low=0.0, high=42.0)
    warm = replace(FAILED, readings=(cool, READING))
    good = replace(PASSED, readings=(cool, *PASSED.readings))
    page = render(record(good, warm))
    words = ("temperature, 2 units, limits 20.6 .. 21.4", "board_temperature, 2 units, limits 0 .. 42")  # fmt: skip
    captions = [page.find(f": {text}") for text in words]
    assert -1 not in captions
    assert captions == sorted(captions)
    assert "First-pass yield after each unit" in page
    alone = render(record(PASSED))
    assert "2 units, limits" not in alone
    assert "First-pass yield after each unit" not in alone


def test_a_station_needs_neither_pictures_nor_statistics(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """What is missing is named on the page; every unit, its values and its reason are there."""
    out = {"scipy", "matplotlib"}
    monkeypatch.setattr(
        lazy, "find_spec", lambda name: None if name in out else find_spec(name)
    )
    monkeypatch.setattr(rates, "special", None)
    monkeypatch.setattr(palette, "matplotlib_figure", None)
    page = render(record(PASSED, FAILED))
    shown = read(page).shown
    assert "<figure" not in page
    assert "No pictures: pip install 'slotproof[pictures]'" in shown
    assert "what that says of other units: pip install 'slotproof[statistics]'" in shown


def test_every_unit_has_its_page_and_junit_xml(line: Line) -> None:
    """Of a unit that passed too; what a crash left out is made up for."""
    feed = [{"serial": "CS-1", "devices": [1]}]
    folder = line.run(line.orders(line.place("left", [line.probe(1)], feed))).folder
    files = [folder / "left-cs_1-1" / name for name in ("junit.xml", "report.html")]
    before = [path.read_bytes() for path in files]
    assert "PASSED" in before[1].decode()
    for path in files:
        path.unlink()
    assert CliRunner().invoke(app, ["report", str(folder)]).exit_code == 0
    assert [path.read_bytes() for path in files] == before
    addresses = read((folder / FILE_NAME).read_text("utf-8")).addresses
    assert {"left-cs_1-1/report.html", "left-cs_1-1/junit.xml"} <= set(addresses)


def test_a_script_is_marked(line: Line, tmp_path: Path) -> None:
    """Units that are played by a script: SCRIPTED beside SIMULATED, and which they are."""
    scripted = {
        "family": 0xE5,
        "serial": 7,
        "registers": {"result": "FF 00"},
        "script": [{"command": "BE", "answer": "{result}"}],
    }
    plan = "plan: probe unit\nsteps: [{enumerate: {count: 1}}]\n"
    for name, device, told in (
        ("left", scripted, True),
        ("right", line.probe(5), False),
    ):
        place = line.place(name, [device], [{"serial": name, "devices": [1]}])
        ended = line.run(
            line.orders(place, plan=plan, folder=tmp_path / f"shift-{name}")
        )
        text = render(read_shift(ended.folder))
        assert "SIMULATED" in text
        assert ("SCRIPTED" in text) is told
        assert (f"invented line, {name}: no socket (family E5h)" in text) is told


def test_a_lot_of_scripted_units_is_marked(line: Line, tmp_path: Path) -> None:
    """The shipped humidity lot, cut to three units: measured, marked, ready to be judged."""
    shipped = Path(__file__).parents[3] / "test_plans" / "humidity"
    for name in ("probe.kind.yaml", "lot_unit.yaml"):
        (tmp_path / name).write_text((shipped / name).read_text("utf-8"), "utf-8")
    bench = (shipped / "lot_bench.yaml").read_text("utf-8")
    kept = [row for row in bench.splitlines() if "{unit: " not in row]
    odd = [
        row for row in bench.splitlines() if "{unit: 2," in row or "{unit: 3," in row
    ]
    text = "\n".join([*kept, *odd, ""]).replace("units: 30", "units: 3")
    (tmp_path / "lot_bench.yaml").write_text(text, "utf-8")
    orders = line.orders(load_fixture(tmp_path / "lot_bench.yaml"))
    ended = line.run(replace(orders, plan=load_plan(tmp_path / "lot_unit.yaml")))
    assert [str(test.outcome) for test in ended.tests] == ["passed"] * 3
    humidity = [
        r.value
        for t in ended.tests
        for r in t.readings
        if r.name == "relative_humidity"
    ]
    assert len(set(humidity)) == 3
    page = render(read_shift(ended.folder))
    assert "SCRIPTED" in page
    assert "humidity line: lot of 3 units (family E5h)" in page
    told = CliRunner().invoke(
        app,
        ["lot", "capability", str(ended.folder), "--quantity", "relative_humidity",
         "--into", str(tmp_path / "lot")],
    )  # fmt: skip
    assert "Ppk 1.33 is not proved: only 3 different values" in told.output
    assert told.exit_code == 1
