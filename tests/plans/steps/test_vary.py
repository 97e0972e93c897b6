"""Steps under varied conditions: order, titles, faults, and a run that was cut."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from harness.errors import InstrumentFault, UsageError
from harness.families.hazard import Hazard
from harness.instruments import marker
from harness.plans.execution.connection import connect
from harness.plans.execution.request import RunRequest
from harness.plans.execution.resume import read_resumption
from harness.plans.execution.run import execute
from harness.plans.execution.runner import Runner
from harness.plans.loading.files import load_fixture, load_plan, parse_plan
from harness.plans.loading.problems import PlanError
from harness.plans.schema.files import Fixture, Plan
from harness.records import Outcome
from harness.results.journal.writer import Journal
from harness.results.plots.conditions import condition_figures
from harness.results.record.run import RunRecord
from harness.results.record.steps import Ending
from harness.results.reports.corners import corner_matrices
from harness.results.reports.rebuild import read_record
from harness.results.summary.lines import verdict_line
from harness.results.summary.making import summary_of
from tests.conftest import Operator

Make = Callable[..., Any]

VARY = """\
- vary:
    over: {supply: {voltage_v: [3.3, 5.0]}, chamber: {temperature_degc: [0, 40]}}
    steps:
      - read: {quantity: temperature}
"""


@pytest.fixture(autouse=True)
def _marks(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(marker.STATE_VARIABLE, str(tmp_path / "marks"))


@pytest.fixture
def corners(bench_data: Make, new_device: Make) -> Make:
    """Fixture data of one thermometer with simulated supply and chamber."""

    def make(**device: Any) -> dict[str, Any]:  # noqa: ANN401
        data: dict[str, Any] = bench_data(
            [new_device(0x28, 5, temperature_degc=23.0, **device)]
        )
        data["adapter"]["bears_v"] = 5.5
        data["instruments"] = [
            {
                "name": "supply", "kind": "supply", "library": "simulated",
                "resource": "PSU", "identity": "INVENTED",
                "limits": {"voltage_v": [0, 5.5]}, "tolerance": {"voltage_v": 0.02},
                "start": {"output": True, "voltage_v": 5.0}, "rest": {"output": False},
            },
            {
                "name": "chamber", "kind": "chamber", "library": "simulated",
                "resource": "CH", "identity": "INVENTED", "settle_s": 600,
                "limits": {"temperature_degc": [-40, 85]},
                "tolerance": {"temperature_degc": 0.2},
                "start": {"output": True}, "rest": {"output": False},
            },
        ]  # fmt: skip
        data["simulation"]["instruments"] = [
            {"kind": "supply", "resource": "PSU"},
            {"kind": "chamber", "resource": "CH", "time_constant_s": 20},
        ]
        return data

    return make


def test_every_combination_the_slow_outside(run_plan: Make, corners: Make) -> None:
    """Temperatures change least often; each result has its condition."""
    ran = run_plan(VARY, corners())
    titles = [s.title for s in ran.record.steps if s.kind == "read"]
    assert ran.code == 0
    assert titles == [
        f"read temperature at {degc} degC, {volts} V"
        for degc in (0, 40)
        for volts in (3.3, 5)
    ]
    values = [ran.shown(f"1.{n}.1", "S1").measurements[0].value for n in range(1, 5)]
    # within 0.2 K when it was set, and its overshoot of 5 % goes on from there
    assert values == [pytest.approx(v, abs=2.0) for v in (0, 0, 40, 40)]
    marks = [e["step"] for e in ran.events if e["event"] == "condition_done"]
    assert marks == ["1.1", "1.2", "1.3", "1.4"]
    conditions = [e["condition"] for e in ran.events if "condition" in e]
    assert conditions[1] == {
        "chamber": {"temperature_degc": 0},
        "supply": {"voltage_v": 3.3},
    }


def test_cold_and_low_alone(run_plan: Make, corners: Make) -> None:
    """A device that needs 3.4 V at 0 degC fails there, and nowhere else."""
    data = corners(conversion_min_v=2.9, needs_more_v_per_k=0.02)
    ran = run_plan(VARY, data)
    bad = [s.title for s in ran.record.steps if s.outcome is Outcome.FAILED]
    assert bad == ["read temperature at 0 degC, 3.3 V"]


def test_the_worst_corner_and_the_matrix(run_plan: Make, corners: Make) -> None:
    """Limits that 40 degC nearly misses: named with its margin; a cell for each corner."""
    read = "read: {quantity: temperature, low: -5, high: 43}"
    ran = run_plan(VARY.replace("read: {quantity: temperature}", read), corners())
    summary = summary_of(ran.record)
    assert " at 40 degC, 3.3 V, margin of temperature " in summary.worst_corner
    (matrix,) = corner_matrices(ran.record)
    (row,) = matrix.rows
    assert [name.replace("\xa0", " ") for name, _, _ in matrix.columns] == [
        "0 degC, 3.3 V", "0 degC, 5 V", "40 degC, 3.3 V", "40 degC, 5 V",
    ]  # fmt: skip
    assert matrix.family == "margin of temperature, degC"
    assert [float(cell.text) for cell in row.cells] == [
        pytest.approx(v, abs=2.0) for v in (5, 5, 3, 3)
    ]


def test_a_curve_of_each_quantity(run_plan: Make, corners: Make) -> None:
    """A panel a setting; a line holds what else is set, and limits are drawn."""
    read = "read: {quantity: temperature, low: -5, high: 35}"
    ran = run_plan(VARY.replace("read: {quantity: temperature}", read), corners())
    assert dict(ran.record.steps[-2].settings) == {
        "chamber temperature_degc": 40.0,
        "supply voltage_v": 5.0,
    }
    ((name, figure),) = condition_figures(ran.record)
    assert name == "conditions-1"
    by_degc, by_volts = figure.axes
    assert by_degc.get_xlabel() == "chamber temperature_degc"
    curves = [line for line in by_degc.lines if line.get_linestyle() == "-"]
    assert [np.asarray(line.get_xdata()).tolist() for line in curves] == [
        [0.0, 40.0]
    ] * 2
    drawn = {np.asarray(line.get_ydata()).flat[0] for line in by_volts.lines[-2:]}
    assert drawn == {-5.0, 35.0}
    legend = by_volts.get_legend()
    assert legend is not None
    assert [text.get_text() for text in legend.get_texts()] == ["outside: S1"]


def test_a_device_without_a_value_is_worse(run_plan: Make, corners: Make) -> None:
    """It is named before any margin, with what happened."""
    data = corners(conversion_min_v=2.9, needs_more_v_per_k=0.02)
    ran = run_plan(VARY, data)
    told = summary_of(ran.record).worst_corner
    assert told.endswith("at 0 degC, 3.3 V, failed: implausible reading")


def test_a_condition_that_is_not_reached(run_plan: Make, corners: Make) -> None:
    """Its steps are errors that say why; the other conditions are judged."""
    data = corners()
    data["instruments"][1]["settle_s"] = 1
    ran = run_plan(VARY, data)
    outcomes = {s.step: s.outcome for s in ran.record.steps}
    assert ran.code == 3
    assert outcomes["1.1.0"] is outcomes["1.1.1"] is Outcome.ERROR
    assert "its condition was not reached" in ran.shown("1.1.1").message
    assert not [r for _, r in ran.record.results if r.shown.outcome is Outcome.FAILED]


def test_an_output_that_is_off(run_plan: Make, corners: Make) -> None:
    """A chamber that was never switched on makes no condition."""
    data = corners()
    del data["instruments"][1]["start"]
    ran = run_plan(VARY, data)
    assert "the output of chamber is off" in ran.shown("1.1.0").message


class _Cut(Exception):
    """The machine goes down."""


def _go(
    plan: Plan,
    fixture: Fixture,
    folder: Path,
    *,
    cut_at: str = "",
    resume: bool = False,
) -> RunRecord:
    path = folder / "journal.jsonl"
    resumed = read_resumption(path, plan, fixture) if resume else None

    def listen(event: str, fields: dict[str, Any]) -> None:
        if cut_at and event == "check_done" and fields["step"] == cut_at:
            raise _Cut

    with connect(fixture) as bus:
        opened = (
            resumed.open_journal(bus.clock)
            if resumed
            else Journal.create(folder, bus.clock)
        )
        with opened as journal:
            runner = Runner(
                plan=plan,
                fixture=fixture,
                bus=bus,
                journal=journal,
                operator=Operator(),
                listener=listen,
                allowed=frozenset({Hazard.HOT_OR_COLD}),
                resumed=resumed,
            )
            try:
                runner.run()
            except _Cut:
                runner.context.instruments.rest()
                runner.context.instruments.close()
    return read_record(path)


def test_goes_on_at_the_condition_where_it_was_cut(
    write_fixture: Make, corners: Make, tmp_path: Path
) -> None:
    """Conditions that came to their end stand; the one that was cut is made again."""
    plan = parse_plan(f"plan: p\nsteps:\n{_indented(VARY)}", "plan.yaml")
    fixture = write_fixture(corners())
    _go(plan, fixture, tmp_path / "run", cut_at="1.3.1")
    record = _go(plan, fixture, tmp_path / "run", resume=True)
    events = [
        line
        for part in sorted((tmp_path / "run").glob("journal*.jsonl"))
        for line in part.read_text("utf-8").splitlines()
    ]
    set_anew = [e for e in events if '"step_started"' in e and '"1.3.0"' in e]
    set_once = [e for e in events if '"step_started"' in e and '"1.2.0"' in e]
    assert (len(set_anew), len(set_once)) == (2, 1)
    assert record.outcome is Outcome.PASSED
    assert {s.step for s in record.steps} >= {"1.1.1", "1.2.1", "1.3.1", "1.4.1"}


def test_the_headline_of_a_run_that_was_cut(
    write_fixture: Make, corners: Make, tmp_path: Path
) -> None:
    """The step that was cut is why there is no verdict, and none that failed before it."""
    plan = parse_plan(f"plan: p\nsteps:\n{_indented(VARY)}", "plan.yaml")
    fixture = write_fixture(corners(conversion_min_v=2.9, needs_more_v_per_k=0.02))
    record = _go(plan, fixture, tmp_path / "run", cut_at="1.3.1")
    headline = verdict_line(summary_of(record)).text
    assert headline.startswith("ERROR, SIMULATED: p on ")
    cut = "; without a verdict: 1.3.1 read temperature at 40 degC, 3.3 V"
    assert headline.endswith(cut)
    between = [f for f in summary_of(record).failures if f.verdict == "failed"]
    later = replace(summary_of(record), failures=tuple(between))
    assert "; not run to its end; failed so far: S1 " in verdict_line(later).text


def test_another_instrument_takes_nothing_up(
    write_fixture: Make, corners: Make, tmp_path: Path
) -> None:
    """Refused before the journal goes on, so that the right one can still take it up."""
    plan = parse_plan(f"plan: p\nsteps:\n{_indented(VARY)}", "plan.yaml")
    data, path = corners(), tmp_path / "run" / "journal.jsonl"
    _go(plan, write_fixture(data), path.parent, cut_at="1.3.1")
    data["simulation"]["instruments"][0]["identity"] = "INVENTED,SIMULATED,0,2"
    another = RunRequest(plan=plan, fixture=write_fixture(data), resume=path)
    with pytest.raises(InstrumentFault, match=r"was 'INVENTED,SIMULATED,0,1'"):
        execute(another)
    assert read_record(path).ending is Ending.CUT
    del data["instruments"][1]
    with pytest.raises(UsageError, match="used instrument chamber"):
        read_resumption(path, plan, write_fixture(data))


def _indented(text: str) -> str:
    return "".join(f"  {line}\n" for line in text.splitlines())


@pytest.mark.slow
def test_the_shipped_demo_finds_its_two_devices(tmp_path: Path) -> None:
    """P06 fails only cold and low, P11 by its slope; no other device fails."""
    plan = load_plan(Path("test_plans/corners.yaml"))
    fixture = load_fixture(Path("fixtures/corner_bench.yaml"))
    record = _go(plan, fixture, tmp_path / "run")
    bad: dict[str, list[str]] = {}
    for step, result in record.results:
        if result.shown.outcome is not Outcome.PASSED and result.device is not None:
            where = step.title.partition(" at ")[2]
            bad.setdefault(result.device.socket, []).append(where)
    assert bad == {
        "P06": ["-40 degC, 3 V"],
        "P11": [f"{t} degC, {v} V" for t in (-40, 85) for v in ("3", "3.3", "5")],
    }
    assert record.outcome is Outcome.FAILED


@pytest.mark.parametrize(
    ("steps", "words"),
    [
        (
            "condition: {settings: {PSU: {voltage_v: 3}}}",
            "a condition step, which only vary makes",
        ),
        ("vary: {over: {}, steps: [{wait: {for_s: 1}}]}", "over"),
        (
            "vary: {over: {PSU: {voltage_v: [3, 3]}}, steps: [{wait: {for_s: 1}}]}",
            "has a value twice",
        ),
        (
            "repeat: {times: 2, steps: [{vary: {over: {PSU: {voltage_v: [3]}}, "
            "steps: [{wait: {for_s: 1}}]}}]}",
            "vary inside another step",
        ),
    ],
)
def test_mistakes(steps: str, words: str) -> None:
    """Each has a place and a cure."""
    with pytest.raises(PlanError, match=words):
        parse_plan(f"plan: p\nsteps:\n  - {steps}\n", "plan.yaml")
