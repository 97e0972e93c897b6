"""A conversion of all devices of a described kind at once, and where that may not be."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from harness.plans.loading.files import PlanError
from harness.plans.loading.kinds import load_kind, parse_kind
from harness.records import Outcome

Make = Callable[..., Any]
"""A fixture that makes or runs something."""

PROBE = Path(__file__).parents[3] / "test_plans/humidity/probe.kind.yaml"
PLAN = [
    {"convert": {}},
    {"for_each": {"family": 0xE5, "steps": [
        {"read": {"quantity": "temperature", "fresh": False, "low": 23, "high": 25, "unit": "degC"}},
        {"read": {"quantity": "relative_humidity", "fresh": False, "low": 30, "high": 60, "unit": "%RH"}},
    ]}},
]  # fmt: skip


def sensors(*busy_ms: float, **more: Any) -> list[dict[str, Any]]:  # noqa: ANN401
    """Sensors by script; the second and later conversions leave what no limit passes."""
    return [
        {
            "family": 0xE5,
            "serial": number,
            "registers": {"result": "FF FF 00 19", "configuration": "00"},
            "script": [
                {
                    "command": "44",
                    "busy_ms": time_ms,
                    "then": {"result": ["E8 5B 00 18", "E8 5B 00 30"]},
                    **more,
                },
                {"command": "BE", "answer": "{result} {configuration}", "crc": "crc-8"},
            ],
        }
        for number, time_ms in enumerate(busy_ms, 5)
    ]


def test_all_convert_once_and_the_slowest_is_waited_for(
    run_plan: Make, bench_data: Make
) -> None:
    """One command: a second one of any device would leave 48 degC."""
    ran = run_plan(PLAN, {**bench_data(sensors(12, 19)), "kinds": [str(PROBE)]})
    assert ran.code == 0, [r.shown.message for _, r in ran.record.results]
    (result,) = ran.step("1").results
    assert 17 < result.shown.measurements[0].value < 25
    assert "alone" not in result.shown.evidence
    assert not result.notes


def test_where_another_kind_may_take_the_command_each_converts_by_itself(
    run_plan: Make, bench_data: Make, new_device: Make
) -> None:
    """A thermometer on the bus converts by 44h too; the note says so."""
    devices = [*sensors(12, 19), new_device(0x28, 9, temperature_degc=24.0)]
    plan = [{"convert": {"family": 0xE5}}, PLAN[1]]
    ran = run_plan(plan, {**bench_data(devices), "kinds": [str(PROBE)]})
    assert ran.code == 0, [r.shown.message for _, r in ran.record.results]
    (result,) = ran.step("1").results
    assert len(result.shown.evidence["alone"]) == 2
    assert result.notes == (
        "one device at a time: 44 was not sent to all, for it is not known that 28h "
        "keeps nothing of it",
    )


def test_thermometers_convert_together_beside_them(
    run_plan: Make, bench_data: Make, new_device: Make
) -> None:
    """A convert step for all: what all hear goes first, so no result is lost by it."""
    devices = [*sensors(12), new_device(0x28, 9, temperature_degc=24.0)]
    devices[0]["script"][0]["then"] = {"result": ["E8 5B 00 30", "E8 5B 00 18"]}
    data = {**bench_data(devices), "kinds": [str(PROBE)]}
    again = {"read": {"quantity": "temperature", "fresh": False, "low": 23, "high": 25}}
    ran = run_plan([{"convert": {}}, {"read": {**again["read"], "unit": "degC"}}], data)
    assert ran.code == 0, [r.shown.message for _, r in ran.record.results]
    assert not [note for r in ran.step("2").results for note in r.notes]


def test_thermometers_keep_44h_from_a_kind_that_stores_by_it(
    run_plan: Make, bench_data: Make, new_device: Make, tmp_path: Path
) -> None:
    """Its row says so: then each thermometer is put to its conversion by itself."""
    path = Path(shutil.copy(PROBE, tmp_path))
    text = path.read_text("utf-8").replace("convert_all: measure", "")
    old, new = "longest_ms: 20}], effect: volatile", "longest_ms: 20}], effect: stored"
    assert old in text
    path.write_text(text.replace(old, new), "utf-8")
    devices = [*sensors(12), new_device(0x28, 9, temperature_degc=24.0)]
    devices[0]["script"][0]["then"] = {"result": ["E8 5B 00 30"]}
    data = {**bench_data(devices), "kinds": [str(path)]}
    read = {
        "quantity": "temperature",
        "fresh": False,
        "low": 23,
        "high": 25,
        "unit": "degC",
    }
    ran = run_plan(
        [
            {"convert": {}},
            {"for_each": {"family": 0x28, "steps": [{"read": read}]}},
            {"transact": {"family": 0xE5, "write": "BE", "read": 6, "crc": [{"kind": "crc-8"}],
                          "expect": "FF FF 00 19 00 00", "mask": "FF FF FF FF FF 00"}},
        ],
        data,
    )  # fmt: skip
    assert ran.code == 0, [r.shown.message for _, r in ran.record.results]
    (note,) = ran.step("1").results[0].notes
    assert "44 was not sent to all, for it is not known that E5h keeps nothing" in note


def test_silence_is_no_conversion(run_plan: Make, bench_data: Make) -> None:
    """No device turns busy: failed, not an old value."""
    data = bench_data(sensors(0, 0))
    ran = run_plan([{"convert": {}}], {**data, "kinds": [str(PROBE)]})
    (result,) = ran.step("1").results
    assert result.shown.outcome is Outcome.FAILED
    assert "no device turned busy after 44" in result.shown.message


def test_a_device_that_is_never_done(run_plan: Make, bench_data: Make) -> None:
    """One that stays busy holds the line for all."""
    devices = sensors(12, 12)
    devices[1]["script"][0]["never_ready"] = True
    data = bench_data(devices)
    ran = run_plan([{"convert": {}}], {**data, "kinds": [str(PROBE)]})
    assert ran.step("1").results[0].shown.kind == "still-busy"


BUSY = 'measure: [{write: "44", busy: {up_to_ms: 25, must_begin: true}}]'


@pytest.mark.parametrize(
    ("old", "new", "words", "at"),
    [
        ("convert_all: measure ", "convert_all: measur ", "measure", "convert_all: measur "),
        (BUSY, 'measure: [{write: "44", busy: {up_to_ms: 25, ready: 0}}]', "ready: 1", "measure: ["),
        (BUSY, 'measure: [{write: "44", wait_ms: 20, read: 1}]', "no read", "measure: ["),
        (BUSY, 'measure: [{write: "46"}, {write: "44", wait_ms: 20}]', "one exchange", "measure: ["),
        (BUSY, 'measure: [{write: "44"}]', "busy or wait_ms", "measure: ["),
        (BUSY, BUSY + '\n  other: [{write: "45", wait_ms: 5}]', "a block for each", "name: temperature"),
    ],
)  # fmt: skip
def test_what_cannot_be_made_by_all_is_refused_at_its_line(
    tmp_path: Path, old: str, new: str, words: str, at: str
) -> None:
    """Names, one exchange, nothing that all would answer, a block for each result."""
    path = Path(shutil.copy(PROBE, tmp_path))
    text = path.read_text("utf-8").replace(old, new)
    if "other" in new:
        text = text.replace(
            "name: temperature, about: of the sensor, block: result, conversion: measure",
            "name: temperature, about: of the sensor, block: result, conversion: other",
        )
    path.write_text(text, "utf-8")
    with pytest.raises(PlanError) as raised:
        load_kind(path)
    assert words in str(raised.value)
    line = raised.value.problems[0].line
    assert line is not None
    assert at in text.splitlines()[line - 1]


@pytest.mark.parametrize(
    ("codes", "words"),
    [
        ("0xFFF", "at most 255"),
        ("0x" + "F" * 300, "is no family code; expected from 0x01 up to 0xFF"),
        ("e5", "'e5' is no family code; expected from 0x01 up to 0xFF; did you mean '0xE5'"),
        ("1.5", "a whole number"),
    ],
)  # fmt: skip
def test_a_wrong_code_is_told_as_a_code_and_no_list(codes: str, words: str) -> None:
    """One code may stand without a list, so a list is not what is missing."""
    text = f"kind: x\ncodes: {codes}\nclass: converter\nsources: [a]\n"
    with pytest.raises(PlanError) as raised:
        parse_kind(text, "x.kind.yaml")
    (problem,) = raised.value.problems
    assert words in str(problem)
    assert len(str(problem)) < 200
    assert (problem.line, problem.column) == (2, 8)
