"""The run record: verdicts from events, complete, cut or contradictory."""

from __future__ import annotations

import gc
import math
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from harness.errors import UsageError
from harness.records import Attempt, CheckResult, DeviceRef, Measurement, Outcome
from harness.results.journal.writer import read_events
from harness.results.record.device_tally import KEPT_ATTEMPTS
from harness.results.record.run import Folding, RunRecord
from harness.results.record.steps import Ending

if TYPE_CHECKING:
    from tests.results.conftest import Script

Reading = Callable[..., CheckResult]

STEPS = (
    ("1", "reset", "reset 100 times"),
    ("2.1", "read", "read temperature"),
    ("3", "stress", "slot stress"),
)
PASSED = CheckResult(outcome=Outcome.PASSED, duration_s=0.1)


def test_a_complete_run(script: Script, reading: Reading) -> None:
    """Run facts, steps and verdicts of a run that came to its end."""
    script.start(*STEPS).add("adapter_checked", adapter={"latency_s": 0.001})
    script.step(*STEPS[0], PASSED)
    script.step(*STEPS[1], reading(4.2), reading(4.5, device=None))
    script.step(*STEPS[2], PASSED).done("passed", 0)
    record = RunRecord.from_events(script.events)
    assert record.outcome is Outcome.PASSED
    assert record.exit_code == 0
    assert record.ending is Ending.COMPLETE
    assert record.plan.title == "incoming thermometers"
    assert record.plan.details == {"parameters": {"low_degc": 2.0, "high_degc": 6.0}}
    assert record.adapter == {"latency_s": 0.001}
    assert record.started_at == "2026-11-24T22:58:19.804Z"
    assert record.duration_s == 0.5 * (len(script.events) - 1)
    assert [step.step for step in record.steps] == ["1", "2.1", "3"]
    read = record.steps[1]
    assert (read.kind, read.title, read.duration_s) == (
        "read",
        "read temperature",
        1.25,
    )
    assert read.results[0].shown == reading(4.2)
    assert record.count(Outcome.PASSED) == 4
    assert [device.socket for device in record.devices] == ["A1"]
    assert record.disagreements == ()


@pytest.mark.parametrize(
    ("outcomes", "expected", "exit_code"),
    [
        (["passed", "passed"], Outcome.PASSED, 0),
        (["passed", "skipped"], Outcome.PASSED, 0),
        (["skipped", "skipped"], Outcome.SKIPPED, 0),
        (["failed", "passed"], Outcome.FAILED, 1),
        (["failed", "error"], Outcome.ERROR, 3),
        (["error", "failed", "passed"], Outcome.ERROR, 3),
        ([], Outcome.PASSED, 0),
    ],
)
def test_the_worst_step_decides(
    script: Script, outcomes: list[str], expected: Outcome, exit_code: int
) -> None:
    """An error outweighs a failure, a failure a pass; skips do not spoil a pass."""
    steps = [(str(n), "reset", f"step {n}") for n, _ in enumerate(outcomes)]
    script.start(*steps)
    for step, outcome in zip(steps, outcomes, strict=True):
        result = CheckResult(outcome=Outcome(outcome), kind="k", message="m")
        script.step(*step, result)
    script.done(str(expected), exit_code)
    record = RunRecord.from_events(script.events)
    assert record.outcome is expected
    assert record.exit_code == exit_code
    assert record.disagreements == ()


def test_ctrl_c_leaves_130(script: Script, reading: Reading) -> None:
    """A run that the operator ended exits 130; the open step says so as an error."""
    script.start(*STEPS).step(*STEPS[0], PASSED)
    script.add("step_started", step="2.1", kind="read", title="read temperature")
    script.check("2.1", reading(4.2)).done("passed", 130, interrupted=True)
    record = RunRecord.from_events(script.events)
    assert record.exit_code == 130
    assert record.disagreements == ()
    assert record.ending is Ending.INTERRUPTED
    assert [step.outcome for step in record.steps] == [
        Outcome.PASSED,
        Outcome.ERROR,
        Outcome.SKIPPED,
    ]
    kept, bus = record.steps[1].results
    assert kept.outcome is Outcome.PASSED
    assert bus.shown.kind == "interrupted"
    assert "operator" in bus.shown.message
    assert record.steps[2].results[0].shown.kind == "not-reached"


def test_ctrl_c_between_steps_is_seen(script: Script) -> None:
    """With no step open, the end of the run itself carries the error."""
    script.start(*STEPS).step(*STEPS[0], PASSED).done("error", 130, interrupted=True)
    record = RunRecord.from_events(script.events)
    assert record.exit_code == 130
    assert record.steps[-1].kind == "run"
    assert record.steps[-1].results[0].shown.kind == "interrupted"


def test_an_interruption_is_told_once(script: Script) -> None:
    """A runner that books the interruption on its step gets no second error."""
    script.start(STEPS[0]).step(
        *STEPS[0],
        CheckResult(outcome=Outcome.ERROR, kind="interrupted", message="Ctrl-C"),
    )
    script.done("error", 130, interrupted=True)
    assert len(RunRecord.from_events(script.events).steps) == 1


def test_a_run_without_an_end_never_passes(script: Script) -> None:
    """All steps passed and no ``run_done``: an error, exit code 3."""
    script.start(STEPS[0]).step(*STEPS[0], PASSED)
    record = RunRecord.from_events(script.events)
    assert record.ending is Ending.CUT
    assert record.steps[0].outcome is Outcome.PASSED
    assert record.outcome is Outcome.ERROR
    assert record.exit_code == 3


def test_no_events_at_all_is_an_error() -> None:
    """Nothing recorded means nothing proved."""
    assert RunRecord.from_events([]).exit_code == 3


@pytest.mark.slow
def test_cut_at_every_byte(script: Script, reading: Reading, tmp_path: Path) -> None:
    """Cut anywhere, a journal keeps the verdicts of finished steps and never passes."""
    script.start(*STEPS)
    script.step(*STEPS[0], PASSED)
    script.step(*STEPS[1], reading(6.5, retries=1), reading(4.0, device=None))
    script.step(*STEPS[2], PASSED).done("failed", 1)
    content = script.write(tmp_path / "whole").read_bytes()
    first_line = content.index(b"\n")
    ends = {
        step: next(
            at + len(line)
            for at, line in _placed_lines(content)
            if b'"step_done"' in line and f'"step":"{step}"'.encode() in line
        )
        for step in ("1", "2.1", "3")
    }
    starts = {
        step: next(
            at + len(line)
            for at, line in _placed_lines(content)
            if b'"step_started"' in line and f'"step":"{step}"'.encode() in line
        )
        for step in ("1", "2.1", "3")
    }
    verdicts = {"1": Outcome.PASSED, "2.1": Outcome.FAILED, "3": Outcome.PASSED}
    path = tmp_path / "cut.jsonl"
    for size in range(len(content)):
        path.write_bytes(content[:size])
        if size < first_line:
            with pytest.raises(UsageError):
                RunRecord.from_events(read_events(path))
            continue
        record = RunRecord.from_events(read_events(path))
        complete = size >= len(content) - 1
        assert record.exit_code == (1 if complete else 3)
        for step in record.steps:
            if not step.step:
                continue
            # a line that lacks only its line feed is whole
            if size >= ends[step.step] - 1:
                assert step.outcome is verdicts[step.step], size
            elif size >= starts[step.step] - 1:
                assert step.outcome is Outcome.ERROR, size
                assert step.results[-1].shown.kind == "interrupted", size
            else:
                assert step.outcome is Outcome.SKIPPED, size


def _placed_lines(content: bytes) -> Iterator[tuple[int, bytes]]:
    at = 0
    for line in content.splitlines(keepends=True):
        yield at, line
        at += len(line)


def test_a_step_can_be_graver_than_its_results(script: Script) -> None:
    """A stated error without a result of its own is shown with its reason."""
    script.start(STEPS[0]).add("step_started", step="1")
    script.check("1", PASSED)
    script.add(
        "step_done",
        step="1",
        outcome="error",
        duration_s=1.0,
        why={"kind": "no-echo", "message": "nothing came back", "hint": "check RX"},
    ).done("error", 3)
    record = RunRecord.from_events(script.events)
    (result,) = record.steps[0].results
    assert result.shown.kind == "no-echo"
    assert result.shown.message == "nothing came back"
    assert result.shown.hint == "check RX"
    assert result.counts == {Outcome.PASSED: 1, Outcome.ERROR: 1}
    assert record.exit_code == 3
    assert record.disagreements == ()


def test_a_step_without_results_still_has_a_verdict(script: Script) -> None:
    """A wait has no device and no value; it is shown as stated."""
    script.start(("1", "wait", "settle"), ("2", "prompt", "look"))
    script.step("1", "wait", "settle")
    script.add("step_started", step="2")
    script.add("step_done", step="2", outcome="skipped", duration_s=0.0)
    script.done("passed", 0)
    record = RunRecord.from_events(script.events)
    assert [len(step.results) for step in record.steps] == [1, 1]
    assert record.steps[0].outcome is Outcome.PASSED
    assert record.steps[1].outcome is Outcome.SKIPPED
    assert record.steps[1].results[0].shown.message


def test_a_run_can_be_graver_than_its_steps(script: Script) -> None:
    """An adapter that fails before the first step is an error of the run."""
    script.start(*STEPS).add(
        "run_done",
        outcome="error",
        exit_code=3,
        interrupted=False,
        why={"kind": "no-echo", "message": "nothing came back"},
    )
    record = RunRecord.from_events(script.events)
    assert record.exit_code == 3
    assert record.steps[-1].kind == "run"
    assert record.steps[-1].results[0].shown.kind == "no-echo"


def test_a_milder_statement_is_named_and_does_not_count(
    script: Script, reading: Reading
) -> None:
    """Results that failed fail the run, whatever step and run state."""
    script.start(STEPS[1]).add("step_started", step="2.1")
    script.check("2.1", reading(9.0))
    script.add("step_done", step="2.1", outcome="passed", duration_s=1.0)
    script.done("passed", 1)
    record = RunRecord.from_events(script.events)
    assert record.exit_code == 1
    assert record.disagreements == (
        "step 2.1 is stated as passed, its results say failed",
        "the run is stated as passed, its steps say failed",
        "the run left with exit code 1 instead of 0",
    )


def test_rounds_are_one_result_with_extremes(script: Script, reading: Reading) -> None:
    """Many rounds give one result a device: extremes, counts, the first bad round."""
    script.start(STEPS[1]).add("step_started", step="2.1")
    for round_, (value, retries) in enumerate(
        [(4.0, 0), (3.5, 2), (6.5, 1), (7.5, 0), (5.0, 0)], start=1
    ):
        script.check("2.1", reading(value, retries=retries), round_=round_)
    script.add("step_done", step="2.1", outcome="failed", duration_s=5.0)
    record = RunRecord.from_events(script.done("failed", 1).events)
    (result,) = record.steps[0].results
    assert result.shown == reading(6.5, retries=1)
    assert result.round == 3
    assert result.counts == {Outcome.PASSED: 3, Outcome.FAILED: 2}
    assert (result.rounds, result.retries, result.tries) == (5, 3, 8)
    assert len(result.attempts) == 3
    assert result.duration_s == pytest.approx(5 * 0.75)
    (spread,) = result.spreads
    assert (spread.least, spread.most, spread.latest.value) == (3.5, 7.5, 5.0)
    least, most = spread.extremes
    assert least.holds
    assert not most.holds


def test_of_passed_rounds_the_latest_is_shown(script: Script, reading: Reading) -> None:
    """A passed device shows its latest values, and a retry stays visible."""
    script.start(STEPS[1]).add("step_started", step="2.1")
    for round_, retries in ((1, 1), (2, 0)):
        script.check("2.1", reading(3.0 + round_, retries=retries), round_=round_)
    script.add("step_done", step="2.1", outcome="passed", duration_s=5.0)
    record = RunRecord.from_events(script.done("passed", 0).events)
    (result,) = record.steps[0].results
    assert result.shown == reading(5.0)
    assert result.passed_after_retry


def test_a_skipped_round_does_not_hide_a_pass(script: Script) -> None:
    """Skipped in one round and passed in the other is passed."""
    skipped = CheckResult(outcome=Outcome.SKIPPED, message="socket empty")
    script.start(STEPS[0]).step(*STEPS[0], PASSED, skipped).done("passed", 0)
    assert RunRecord.from_events(script.events).steps[0].outcome is Outcome.PASSED


def test_values_json_cannot_hold_come_back(script: Script, tmp_path: Path) -> None:
    """A number that was not finite still misses its limits; an empty text is kept."""
    odd = CheckResult(
        outcome=Outcome.FAILED,
        kind="limit",
        message="no number",
        measurements=(
            Measurement(name="temperature", value=math.nan, unit="degC", low=2.0),
            Measurement(name="power", value="", wanted="external"),
            Measurement(name="count", value=0, low=0),
            Measurement(name="alarm", value=False, wanted=False),
        ),
    )
    script.start(STEPS[0]).step(*STEPS[0], odd).done("failed", 1)
    path = script.write(tmp_path)
    record = RunRecord.from_events(read_events(path))
    first, *rest = record.steps[0].results[0].shown.measurements
    assert isinstance(first.value, float)
    assert math.isnan(first.value)
    assert not first.holds
    assert tuple(rest) == odd.measurements[1:]
    assert [type(m.value) for m in rest] == [str, int, bool]


def test_gaps_and_lost_lines_are_counted(script: Script) -> None:
    """Time without the adapter and unreadable lines belong to the run."""
    script.start(STEPS[0]).add("gap", reason="unplugged", from_s=10.0, to_s=70.5)
    script.add("gap", reason="unplugged", from_s=90.0, to_s=91.0)
    script.events.append({"event": "line_lost", "line": 4, "bytes": 9})
    script.add("soak_progress", cycles=3).step(*STEPS[0], PASSED).done("passed", 0)
    record = RunRecord.from_events(script.events)
    assert (record.gaps, record.gap_s, record.lines_lost) == (2, 61.5, 1)
    assert record.outcome is Outcome.PASSED


def test_a_step_not_announced_is_kept(script: Script) -> None:
    """A result of a step that the start did not list is not lost."""
    script.start().step("7", "read", "extra", PASSED).done("passed", 0)
    record = RunRecord.from_events(script.events)
    assert [(s.step, s.kind, s.title) for s in record.steps] == [("7", "read", "extra")]


def test_a_record_of_the_run_so_far(script: Script, reading: Reading) -> None:
    """Asking for the record in the middle does not disturb the folding."""
    script.start(STEPS[1]).step(*STEPS[1], reading(4.0)).done("passed", 0)
    folding = Folding()
    for event in script.events:
        folding.add(event)
        folding.record()
    assert folding.record() == RunRecord.from_events(script.events)


@pytest.mark.parametrize(
    "event",
    [
        {"event": "check_done", "step": "1"},
        {"event": "check_done", "step": "1", "result": {"outcome": "splendid"}},
        {"event": "check_done", "step": "1", "result": []},
        {"event": "check_done", "result": {"outcome": "passed"}},
        {
            "event": "check_done",
            "step": "1",
            "result": {"outcome": "passed", "device": {"rom_code": [], "family": 1}},
        },
        {
            "event": "check_done",
            "step": "1",
            "result": {
                "outcome": "passed",
                "measurements": [{"name": "t", "value": 1, "low": "cold"}],
            },
        },
        {"event": "step_done", "step": "1", "outcome": None},
        {"event": "run_done", "outcome": "x"},
        {"event": "adapter_checked", "adapter": 5},
        {"event": "gap", "from_s": "x", "to_s": 2},
        {"event": "note", "t_s": "soon"},
        {"event": "run_started", "plan": "a plan"},
        {"event": "run_started", "steps": ["1"]},
        {"event": "run_started", "steps": 5},
        {},
    ],
)
def test_an_edited_event_is_refused(event: dict[str, Any]) -> None:
    """An event that lacks what the format promises is refused by its number."""
    with pytest.raises(UsageError, match="not as the journal's format") as caught:
        RunRecord.from_events([{"event": "note"}, event])
    assert caught.value.where.startswith("event 2 ")


def test_ten_thousand_checks_in_flat_memory(probe: DeviceRef, reading: Reading) -> None:
    """A night of checks keeps no more objects alive than its first hundred did."""
    result = reading(4.0, retries=1).as_dict()
    folding = Folding()
    folding.add({"event": "run_started", "steps": []})

    def feed(first: int, last: int) -> int:
        for round_ in range(first, last):
            folding.add(
                {
                    "event": "check_done",
                    "step": "1",
                    "round": round_,
                    "t_s": float(round_),
                    "result": {**result, "device": {**result["device"]}},
                }
            )
        gc.collect()
        return len(gc.get_objects())

    early = feed(1, 101)
    late = feed(101, 10_001)
    (kept,) = folding.record().steps[0].results
    assert (kept.rounds, kept.retries) == (10_000, 10_000)
    assert len(kept.attempts) == KEPT_ATTEMPTS
    assert kept.device == probe
    assert late - early < 100


def test_attempts_keep_their_order() -> None:
    """The tries kept are the first ones, first first, over all rounds."""
    from harness.results.record.device_tally import DeviceTally

    tally = DeviceTally()
    for round_ in range(1, KEPT_ATTEMPTS + 5):
        attempt = Attempt(outcome=Outcome.FAILED, kind="k", message=str(round_))
        tally.add(replace(PASSED, retries=(attempt,)), round_=round_)
    kept = [attempt.message for attempt in tally.result().attempts]
    assert kept == [str(n) for n in range(1, KEPT_ATTEMPTS + 1)]


def test_an_empty_tally_has_no_result() -> None:
    """Asking for a result before there is one is a mistake in the program."""
    from harness.results.record.device_tally import DeviceTally

    with pytest.raises(ValueError, match="no result"):
        DeviceTally().result()
