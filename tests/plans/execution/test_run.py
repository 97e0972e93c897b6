"""The one way to run a plan: port, journal, run, reports, whatever ends it."""

from __future__ import annotations

import ast
import threading
from collections.abc import Callable
from contextlib import nullcontext
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from harness import ending
from harness.errors import AdapterError, UsageError
from harness.plans.execution.connection import connect
from harness.plans.execution.request import RunRequest, fresh_folder
from harness.plans.execution.run import execute, opened
from harness.plans.loading.files import load_both, parse_plan
from harness.plans.loading.problems import PlanError
from harness.records import Outcome
from harness.results.record.steps import Ending

Make = Callable[..., Any]

HARNESS = Path(__file__).parents[3] / "harness"

STEPS = "plan: one reset\nsteps:\n  - reset:\n  - enumerate: {count: 1}\n"


@pytest.fixture
def request_for(
    write_fixture: Make, bench_data: Make, new_device: Make, tmp_path: Path
) -> Make:
    """Make a request: ``request_for(text, port=..., into=...)``."""

    def make(text: str = STEPS, *, port: str = "", **options: Any) -> RunRequest:  # noqa: ANN401
        data = bench_data([new_device(0x28, 0x51AB)])
        if port:
            data["adapter"]["port"] = port
        options = {"into": tmp_path / "run", **options}
        plan = parse_plan(text, "plan.yaml")
        return RunRequest(plan=plan, fixture=write_fixture(data), **options)

    return make


def test_a_run_leaves_record_journal_and_reports(request_for: Make) -> None:
    """What comes back is what the journal adds up to; every report is there."""
    done = execute(request_for())
    assert (done.exit_code, done.record.outcome) == (0, Outcome.PASSED)
    assert done.journal == done.folder / "journal.jsonl"
    names = {path.name for path in done.folder.iterdir()}
    assert {"journal.jsonl", "junit.xml", "report.html"} <= names


def test_reports_are_left_out_on_request(request_for: Make) -> None:
    """A station makes them for the shift, not for each unit."""
    done = execute(request_for(reports=False))
    assert [path.name for path in done.folder.iterdir()] == ["journal.jsonl"]
    assert done.record.outcome is Outcome.PASSED


def test_a_request_that_exists_can_be_run(request_for: Make, tmp_path: Path) -> None:
    """Plan against fixture, hazards and options are judged before a port is opened."""
    hazardous = "plan: h\nsteps:\n  - check: {function: memory_write, data: '00'}\n"
    with pytest.raises(PlanError):
        request_for(hazardous)
    with pytest.raises(UsageError, match="no such event file"):
        request_for(events=tmp_path / "absent.csv")
    with pytest.raises(UsageError, match="goes on in the journal's own folder"):
        request_for(resume=tmp_path / "journal.jsonl")


def test_mistakes_of_both_files_come_at_once(tmp_path: Path) -> None:
    """Nobody mends the plan only to learn that the fixture is wrong too."""
    plan, fixture = tmp_path / "plan.yaml", tmp_path / "fixture.yaml"
    plan.write_text("plan: x\nsteps: [{rest: }]\n", "utf-8")
    fixture.write_text("fixture: y\nadapter: {prot: sim://}\n", "utf-8")
    with pytest.raises(PlanError) as raised:
        load_both(plan, fixture)
    assert {problem.file for problem in raised.value.problems} == {
        str(plan),
        str(fixture),
    }


def test_a_port_that_cannot_be_opened_is_an_error_in_every_report(
    request_for: Make, tmp_path: Path
) -> None:
    """The run that could not begin stands in a journal; the error goes on."""
    told: list[Path] = []
    request = request_for(port=str(tmp_path / "no-such-port"))
    with pytest.raises(AdapterError):
        execute(request, left_behind=told.append)
    assert told == [tmp_path / "run"]
    text = (tmp_path / "run" / "junit.xml").read_text("utf-8")
    assert "the run could not begin" in text


def test_an_error_in_the_middle_leaves_the_reports(
    request_for: Make, tmp_path: Path
) -> None:
    """A caller's own mistake ends the run; what was measured is not lost."""

    def hear(event: str, _fields: dict[str, Any]) -> None:
        if event == "step_done":
            raise ValueError("a mistake of the caller")

    told: list[Path] = []
    with pytest.raises(ValueError, match="of the caller"):
        execute(
            request_for(),
            watch=lambda _clock: nullcontext(hear),
            left_behind=told.append,
        )
    assert told == [tmp_path / "run"]
    assert "step_done" in (tmp_path / "run" / "journal.jsonl").read_text("ascii")
    assert (tmp_path / "run" / "report.html").exists()


def test_ctrl_c_ends_the_run_in_order(request_for: Make) -> None:
    """The end stands in the journal, with the exit code of a shell."""

    def hear(event: str, _fields: dict[str, Any]) -> None:
        if event == "step_started":
            raise KeyboardInterrupt

    done = execute(request_for(), watch=lambda _clock: nullcontext(hear))
    assert (done.exit_code, done.record.ending) == (130, Ending.INTERRUPTED)


def test_an_open_bus_stays_open(request_for: Make) -> None:
    """A station keeps its port between two units."""
    request = request_for()
    with connect(request.fixture) as bus:
        first = execute(request, bus=bus)
        assert bus.adapter.port is not None
        assert request.into is not None
        again = replace(request, into=request.into / "again")
        assert execute(again, bus=bus).exit_code == first.exit_code == 0


def test_steps_one_by_one(request_for: Make) -> None:
    """A caller may go through a plan by itself; the reports follow."""
    request = request_for()
    with opened(request) as run:
        run.runner.begin()
        run.runner.prepare_or_raise()
        run.runner.run_leaf(request.plan.steps[0])
        code = run.runner.end()
    assert run.report().exit_code == code == 0
    assert (run.folder / "junit.xml").exists()


def test_nobody_answers_a_prompt(request_for: Make) -> None:
    """Without an operator a prompt is an error that says so, not an endless wait."""
    done = execute(request_for("plan: p\nsteps:\n  - prompt: {text: close the door}\n"))
    assert done.record.outcome is Outcome.ERROR
    (result,) = [result for _, result in done.record.results]
    assert "nobody is asked here" in result.shown.message


def test_a_run_in_a_thread_leaves_the_signals_alone(request_for: Make) -> None:
    """Positions of a station run in threads; how the process ends is its main thread's."""
    seen: list[object] = []

    def hear(_event: str, _fields: dict[str, Any]) -> None:
        seen.append(ending._state.mode)

    before, final = ending._state.mode, ending._state.final
    arguments = {"watch": lambda _clock: nullcontext(hear)}
    failing = "plan: f\nsteps:\n  - enumerate: {count: 7}\n"
    request = request_for(failing, reports=False)
    thread = threading.Thread(target=execute, args=(request,), kwargs=arguments)
    thread.start()
    thread.join()
    assert set(seen) == {before}
    assert ending._state.final == final


def test_fresh_folders_differ(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Two runs in one second do not share a folder."""
    monkeypatch.chdir(tmp_path)
    folders = set()
    for _ in range(3):
        folder = fresh_folder("One reset")
        folder.mkdir(parents=True)
        folders.add(folder)
    assert len(folders) == 3


@pytest.mark.parametrize("room", ["commands", "station", "pytest_plugin"])
def test_nobody_strings_a_run_together_by_hand(room: str) -> None:
    """Journals are begun, and reports of runs made, in ``plans.execution`` alone.

    ``slotproof report`` makes them again from a journal.
    """
    found = []
    for path in sorted((HARNESS / room).rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if isinstance(node, ast.Call):
                called = ast.unparse(node.func)
                if called in {"rebuild", "Journal.create", "Runner"}:
                    found.append((path.name, called))
    allowed = [("reports.py", "rebuild")] if room == "commands" else []
    assert found == allowed
