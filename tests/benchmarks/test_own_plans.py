"""Shipped plans decoded from their own line, to the frames and echoes of the journal.

Run with ``pytest -m benchmark tests/benchmarks/test_own_plans.py -s``.
"""

from __future__ import annotations

from pathlib import Path
from time import process_time

import pytest

from harness.plans.execution.connection import LineRecording
from harness.plans.execution.request import RunRequest
from harness.plans.execution.run import execute
from harness.plans.execution.tracing.request import TraceRequest
from harness.plans.execution.tracing.run import judge
from harness.plans.loading.files import load_fixture, load_plan
from harness.records import Outcome

pytestmark = pytest.mark.benchmark

ROOT = Path(__file__).parents[2]

# INVENTED: a device that has both speeds, on a line of no length
FAST_BENCH = """\
fixture: one EEPROM at both speeds
adapter: {kind: fractional-divider, port: "sim://"}
line: {pull_up_ohm: 1000, cable_m: 0, supply_v: 5.0}
sockets:
  - name: A1
simulation:
  devices:
    - {family: 0x2D, serial: 0x123456, socket: A1}
"""


@pytest.mark.parametrize(
    ("plan", "fixture"),
    [
        ("serial_numbers", "demo_bench"),
        ("bus_acceptance", "mixed_bench"),
        ("incoming_thermometers", "demo_bench"),
        ("timing_survey", "fast"),
    ],
)
def test_a_shipped_plan_is_decoded_from_its_line(
    plan: str, fixture: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Every character from the first reset on is found, and every echo agrees.

    The survey tries rates too high for the receiver: some have no echo of their own.
    """
    monkeypatch.setattr("harness.results.plots.run.recording_figures", lambda _: ())
    line, bench = tmp_path / "line.vcd", tmp_path / "fast.yaml"
    bench.write_text(FAST_BENCH)
    if fixture != "fast":
        bench = ROOT / "fixtures" / f"{fixture}.yaml"
    request = RunRequest(
        plan=load_plan(ROOT / "test_plans" / f"{plan}.yaml"),
        fixture=load_fixture(bench),
        into=tmp_path / "run",
        reports=False,
        line=LineRecording(path=line),
        echoes=True,
    )
    begin = process_time()
    result = execute(request)
    spent_s = process_time() - begin
    trace = judge(
        TraceRequest(recording=line, journal=result.journal, into=tmp_path / "trace")
    )
    (echoes,) = [step for step in trace.record.steps if step.step == "echoes"]
    values = {m.name: m.value for m in echoes.results[0].shown.measurements}
    size_mb = line.stat().st_size / 1e6
    print(f"\n{plan}: run {spent_s:.1f} s CPU, {size_mb:.0f} MB, {values}")  # noqa: T201
    assert echoes.outcome is Outcome.PASSED
    assert values["echoes that disagree"] == 0
    compared = int(values["characters compared"])
    alone = int(values["characters not compared"])
    assert compared + alone == values["characters of the run"]
    assert alone == 0 or plan == "timing_survey"
    assert values["resets in the recording"] == values["resets of the run"]
