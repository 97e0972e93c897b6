"""Devices by script: answers, busy times, restart values, faults; said on every page."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from harness.families.hazard import Hazard
from harness.plans.execution.request import RunRequest
from harness.plans.execution.run import execute
from harness.plans.loading.files import PlanError, load_both, parse_fixture
from harness.records import Outcome

Make = Callable[..., Any]
"""A fixture that makes or runs something."""

FOLDER = Path(__file__).parents[3] / "test_plans/humidity"
RAW = frozenset({Hazard.RAW_WRITE})


@pytest.fixture
def played(run_plan: Make, bench_data: Make) -> Make:
    """Run steps on one device by script."""

    def run(steps: str, rows: list[dict[str, Any]], **registers: str) -> Any:  # noqa: ANN401
        device = {"family": 0xE5, "serial": 5, "registers": registers, "script": rows}
        return run_plan(steps, bench_data([device]), allow=RAW)

    return run


def test_answers_come_in_turn_and_restart_values_first(played: Make) -> None:
    """What is read before the first command is what power-up left."""
    ask = '{family: 0xE5, write: "BE", read: 3, hazard: raw-write, crc: [{kind: crc-8}], expect: "%s", mask: "FF FF 00"}'
    steps = "\n".join(
        [f"- transact: {ask % 'FF FF 00'}"]
        + [
            '- transact: {family: 0xE5, write: "44", busy: {up_to_ms: 30}, hazard: raw-write}\n'
            f"- transact: {ask % f'{value} 00'}"
            for value in ("01 02", "03 04", "03 04")
        ]
    )
    rows = [
        {"command": "44", "busy_ms": 20, "then": {"result": ["01 02", "03 04"]}},
        {"command": "BE", "answer": "{result}", "crc": "crc-8"},
    ]
    ran = played(steps, rows, result="FF FF")
    assert ran.code == 0, [r.shown.message for _, r in ran.record.results]
    busy = ran.shown("2", "S1").measurements[0]
    assert 18 < float(busy.value) < 30


def test_bytes_that_it_takes_are_read_back(played: Make) -> None:
    """A register holds what was written; CRC-16 may cover the command."""
    steps = """
    - transact: {family: 0xE5, write: "4E 12 34", hazard: raw-write}
    - transact: {family: 0xE5, write: "F0 07", read: 4, hazard: raw-write,
                 crc: [{kind: crc-16, over: write-and-answer}], expect: "12 34 00 00", mask: "FF FF 00 00"}
    """
    rows = [
        {"command": "4E", "takes": "pad"},
        {
            "command": "F0 07",
            "answer": "{pad}",
            "crc": "crc-16",
            "crc_over_command": True,
        },
    ]
    assert played(steps, rows, pad="00 00").code == 0


@pytest.mark.parametrize(
    ("fault", "kind"),
    [
        ({"wrong_every": 1}, "check-value"),
        ({"silent_every": 1}, "device-absent"),
        ({"busy_ms": 500}, "still-busy"),
        ({"never_ready": True}, "still-busy"),
    ],
)
def test_faults(played: Make, fault: dict[str, Any], kind: str) -> None:
    """Each shows as the failure that a device like that makes."""
    busy = ", busy: {up_to_ms: 30}" if kind == "still-busy" else ""
    step = f'- transact: {{family: 0xE5, write: "BE", read: 3, hazard: raw-write, crc: [{{kind: crc-8}}]{busy}}}'
    rows = [{"command": "BE", "answer": "01 02", "crc": "crc-8", **fault}]
    result = played(step, rows).shown("1", "S1")
    assert (result.outcome, result.kind) == (Outcome.FAILED, kind)


def test_mistakes_of_a_script_have_their_line() -> None:
    """A register that is not there; no bytes; no family and no script."""
    text = (
        "fixture: f\nadapter: {port: 'sim://'}\nline: {pull_up_ohm: 2200, supply_v: 5}\n"
        "sockets: [{name: S}]\nsimulation:\n  devices:\n    - {family: 0xE5, %s}\n"
    )
    for device, words in (
        ("script: [{command: 'BE', answer: '{x}'}]", "no register 'x'"),
        ("script: [{command: 'B'}]", "no row of bytes"),
        ("serial: 5", "or have a script"),
    ):
        with pytest.raises(PlanError) as raised:
            parse_fixture(text % device, "f.yaml")
        assert words in str(raised.value)
        assert raised.value.problems[0].line == 7


def test_the_shipped_sensor_is_read_stressed_and_soaked(tmp_path: Path) -> None:
    """The example of the README passes, and every page says who plays it."""
    plan, fixture = load_both(FOLDER / "probe.yaml", FOLDER / "bench.yaml")
    done = execute(RunRequest(plan=plan, fixture=fixture, into=tmp_path / "r"))
    assert done.exit_code == 0
    page = (tmp_path / "r/report.html").read_text("utf-8")
    assert "SCRIPTED" in page
    assert "probe.kind.yaml" in page
    assert "scripted" in (tmp_path / "r/junit.xml").read_text("utf-8")


def test_a_bench_of_models_says_nothing_of_scripts(tmp_path: Path) -> None:
    """The page of any other run is made, and has no such mark."""
    root = FOLDER.parents[1]
    plan, fixture = load_both(
        root / "test_plans/serial_numbers.yaml", root / "fixtures/demo_bench.yaml"
    )
    execute(RunRequest(plan=plan, fixture=fixture, into=tmp_path / "r"))
    page = (tmp_path / "r/report.html").read_text("utf-8")
    assert "SIMULATED" in page
    assert "SCRIPTED" not in page
