"""The runner: order, stops, endings, and what it leaves behind."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from harness.errors import NobodyAnswers
from harness.plans.execution.connection import connect
from harness.plans.execution.runner import Runner
from harness.plans.loading.files import parse_plan
from harness.results.journal.writer import Journal, read_events
from harness.results.record.run import RunRecord
from harness.results.record.steps import Ending

Make = Callable[..., Any]
"""A fixture that makes or runs something."""

GONE = {"kind": "device-absent", "device": "S1"}


def outcomes(ran: Any) -> list[str]:  # noqa: ANN401 - a finished run
    """The outcome of each step, in order."""
    return [str(step.outcome) for step in ran.record.steps]


class Stopper:
    """An operator who presses Ctrl-C instead of answering."""

    def ask(self, text: str, *, yes_no: bool) -> bool:
        """Interrupt."""
        raise KeyboardInterrupt


@pytest.mark.parametrize(
    ("on_fail", "stop_on_fail", "expected"),
    [
        (None, False, ["failed", "passed"]),
        ("stop", False, ["failed", "skipped"]),
        (None, True, ["failed", "skipped"]),
        ("go-on", True, ["failed", "passed"]),
    ],
)
def test_stop_on_fail(
    run_plan: Make,
    three: Make,
    *,
    on_fail: str | None,
    stop_on_fail: bool,
    expected: list[str],
) -> None:
    """The step's own word counts before the plan's; what is left is not reached."""
    verify: dict[str, Any] = {"sockets": ["S1"]}
    if on_fail:
        verify["on_fail"] = on_fail
    ran = run_plan(
        [{"verify": verify}, {"reset": {}}],
        three(faults=[GONE]),
        stop_on_fail=stop_on_fail,
    )
    assert ran.code == 1
    assert outcomes(ran) == expected
    if "skipped" in expected:
        assert ran.shown("2").kind == "not-reached"


def test_stop_inside_for_each_ends_the_run(run_plan: Make, three: Make) -> None:
    """A stop inside a for_each leaves its other devices and the rest of the plan."""
    ran = run_plan(
        "- for_each: {family: 0x28, steps: "
        "[{read: {quantity: temperature, high: 0, on_fail: stop}}]}\n"
        "- reset: {}",
        three(),
    )
    assert outcomes(ran) == ["failed", "skipped"]
    assert [r.device.socket for r in ran.step("1.1").results] == ["S1"]
    assert ran.events[-1]["event"] == "run_done"


def test_a_skip_does_not_stop(
    run_plan: Make, bench_data: Make, new_device: Make
) -> None:
    """A skipped step is no failure, even where failures stop the run."""
    data = bench_data([new_device(0x01, 7)])
    ran = run_plan("- convert: {on_fail: stop}\n- reset: {}", data)
    assert outcomes(ran) == ["skipped", "passed"]
    assert ran.code == 0


def test_events_are_in_the_journal_first(
    three: Make, write_fixture: Make, tmp_path: Path
) -> None:
    """Whoever listens hears an event after it is on its way to the disk."""
    plan = parse_plan("plan: t\nsteps: [{reset: {}}]\n", "plan.yaml")
    fixture = write_fixture(three())
    heard: list[tuple[str, int]] = []
    with connect(fixture) as bus, Journal.create(tmp_path / "r", bus.clock) as journal:

        def listen(event: str, _: dict[str, Any]) -> None:
            heard.append((event, len(list(read_events(journal.path)))))

        Runner(
            plan=plan,
            fixture=fixture,
            bus=bus,
            journal=journal,
            operator=Stopper(),
            listener=listen,
        ).run()
    assert [count for _, count in heard] == list(range(1, len(heard) + 1))
    assert [event for event, _ in heard] == [
        "run_started",
        "adapter_checked",
        "step_started",
        "check_done",
        "step_done",
        "run_done",
    ]


def test_adapter_that_cannot_begin(run_plan: Make, three: Make) -> None:
    """A deaf adapter ends the run before its first step: an error, no device blamed."""
    ran = run_plan("- reset: {}", three(faults=[{"kind": "adapter-no-echo"}]))
    assert ran.code == ran.record.exit_code == 3
    assert outcomes(ran) == ["skipped", "error"]
    assert ran.shown("").kind == "no-echo"
    assert "RX listens to the bus line" in ran.shown("").hint
    assert ran.record.disagreements == ()


def test_interrupted_in_a_step(run_plan: Make, three: Make) -> None:
    """Ctrl-C ends the run with 130, a written end, and an error at that step alone."""
    ran = run_plan(
        "- reset: {}\n- prompt: {text: x}\n- reset: {}",
        three(),
        operator=Stopper(),
    )
    assert ran.code == ran.record.exit_code == 130
    assert ran.events[-1]["event"] == "run_done"
    assert ran.events[-1]["interrupted"] is True
    assert ran.record.ending is Ending.INTERRUPTED
    assert outcomes(ran) == ["passed", "error", "skipped"]
    assert ran.shown("2").kind == "interrupted"


def interrupted_run(
    fixture: Any,  # noqa: ANN401 - a loaded fixture
    folder: Path,
    steps: str,
    at: str,
) -> tuple[int, Any, RunRecord]:
    """Run, with Ctrl-C at the first event of a name; code, bench and record."""
    plan = parse_plan(f"plan: t\nsteps:\n{steps}\n", "plan.yaml")

    def listen(event: str, _: dict[str, Any]) -> None:
        if event == at:
            raise KeyboardInterrupt

    with connect(fixture) as bus, Journal.create(folder, bus.clock) as journal:
        bench = bus.adapter.port.bench
        runner = Runner(
            plan=plan,
            fixture=fixture,
            bus=bus,
            journal=journal,
            operator=Stopper(),
            listener=listen,
        )
        code = runner.run()
        lines = (bus.adapter.port.rts, bus.adapter.port.dtr)
    record = RunRecord.from_events(read_events(folder / "journal.jsonl"))
    return code, (bench, lines), record


@pytest.mark.parametrize(
    "at", ["run_started", "adapter_checked", "step_started", "soak_progress"]
)
def test_interrupted_anywhere_leaves_the_fixture_safe(
    three: Make, write_fixture: Make, tmp_path: Path, at: str
) -> None:  # fmt: skip
    """Wherever Ctrl-C comes: 130, supply and strong pull-up off, the end recorded."""
    data = three()
    data["power"] = {
        "supply_on": "rts",
        "strong_pull_up_on": "rts-without-dtr",
        "strong_pull_up_ohm": 390,
    }
    steps = "  - soak: {cycles: 5, every_s: 1}"
    code, (_, lines), record = interrupted_run(
        write_fixture(data), tmp_path / "r", steps, at
    )
    assert code == record.exit_code == 130
    assert lines[0] is False  # RTS: the supply
    assert record.ending is Ending.INTERRUPTED


def test_strong_pull_up_is_off_after_ctrl_c(
    bench_data: Make, new_device: Make, write_fixture: Make, tmp_path: Path
) -> None:  # fmt: skip
    """Ctrl-C while the strong pull-up feeds a conversion switches it off."""
    data = bench_data([new_device(0x28, 5, supply="parasite")])
    data["power"] = {
        "strong_pull_up_on": "rts-without-dtr",
        "strong_pull_up_ohm": 390,
    }
    fixture = write_fixture(data)
    plan = parse_plan(
        'plan: t\nsteps: [{switch: {strong_pull_up: "on"}}, {prompt: {text: x}}]\n',
        "plan.yaml",
    )
    with connect(fixture) as bus, Journal.create(tmp_path / "r", bus.clock) as journal:
        runner = Runner(
            plan=plan, fixture=fixture, bus=bus, journal=journal, operator=Stopper()
        )
        assert runner.run() == 130
        assert (bus.adapter.port.rts, bus.adapter.port.dtr) != (True, False)


def test_own_hint_of_a_fault_is_kept(
    run_plan: Make, bench_data: Make, new_device: Make
) -> None:
    """Without a hint in the plan the error's own is shown."""
    data = bench_data([new_device(0x28, 5)], faults=[{"kind": "device-absent"}])
    ran = run_plan("- enumerate: {}", data)
    assert ran.shown("1").hint == NobodyAnswers.default_hint


def test_traffic_is_told_at_the_end(run_plan: Make, three: Make) -> None:
    """The end of a run says what went over the bus."""
    ran = run_plan("- reset: {times: 10}", three())
    assert ran.events[-1]["traffic"]["resets"] == 10


def test_expected_time_counts_the_devices(run_plan: Make, three: Make) -> None:
    """A step of two devices is expected to take twice the time of one."""
    read = "{read: {quantity: temperature}}"
    ran = run_plan(
        f"- enumerate: {{}}\n- {read[1:-1]}\n- for_each: {{family: 0x28, steps: [{read}]}}",
        three(),
    )
    expected = [e["expected_s"] for e in ran.events if e["event"] == "step_started"]
    assert expected[1] == pytest.approx(3 * expected[2])
    assert expected[2] == expected[3]
