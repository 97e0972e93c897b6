"""Reading against a reference device: correction, guard, and whose error it is."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import yaml

from harness.errors import ReferenceUnfit
from harness.plans.loading.files import check_together, load_fixture, parse_plan
from harness.plans.loading.problems import PlanError
from harness.plans.schema.references import Settle
from harness.plans.steps.comparing.settling import settled
from harness.records import Outcome
from harness.simulation.servers.clocks import VirtualClock

Make = Callable[..., Any]

CERTIFICATE: dict[str, Any] = {
    "certificate": "K-118",
    "due": "2030-01-31",
    "corrections": [[0, 0.1], [20, 0.1], [40, 0.3]],
    "uncertainty": 0.06,
}
READ = "- read: {quantity: temperature, against: {socket: S1}, low: -0.5, high: 0.5}"


@pytest.fixture
def bath(bench_data: Make, new_device: Make) -> Make:
    """Fixture data: a reference in S1 at 24 degC, devices that read so many degC."""

    def make(*degc: float, reference_degc: float = 24.0, **certificate: Any) -> Any:  # noqa: ANN401
        values = (reference_degc, *degc)
        data = bench_data(
            [
                new_device(0x28, n, temperature_degc=value)
                for n, value in enumerate(values, 5)
            ]
        )
        data["sockets"][0] |= {
            "reference": True,
            "calibration": CERTIFICATE | certificate,
        }
        return data

    return make


def test_difference_to_the_corrected_reading(run_plan: Make, bath: Make) -> None:
    """24 degC of the reference mean 24.14: 24.25 differs by 0.11 K, with its budget."""
    ran = run_plan(READ, bath(24.25))
    result = ran.shown("1", "S2")
    difference, value, reference = result.measurements
    assert ran.code == 0
    assert (difference.name, difference.unit) == ("temperature_difference", "K")
    assert difference.value == pytest.approx(0.11)
    assert (value.value, reference.value) == (24.25, pytest.approx(24.14))
    # certificate 0.03 and the step of twelve bits, 0.0625 / 12 ** 0.5
    assert difference.uncertainty == pytest.approx(
        2 * (0.03**2 + 0.0625**2 / 12) ** 0.5
    )
    assert "guard 0.05811 K = 0.83 x U" in difference.criterion


@pytest.mark.parametrize(
    ("degc", "outcome", "kind"),
    [
        (24.5625, Outcome.PASSED, ""),
        (24.625, Outcome.ERROR, "too-near"),
        (24.6875, Outcome.ERROR, "too-near"),
        (24.75, Outcome.FAILED, "limit"),
    ],
)
def test_iso_14253_decisions(
    run_plan: Make, bath: Make, degc: float, outcome: Outcome, kind: str
) -> None:
    """Proved inside, not to tell on either side of 24.64 degC, proved outside.

    ISO 14253-1: the zones on both sides of the limit of 0.5 K are 0.83 U wide.
    """
    result = run_plan(READ, bath(degc)).shown("1", "S2")
    assert (result.outcome, result.kind) == (outcome, kind)


def test_without_a_guard(run_plan: Make, bath: Make) -> None:
    """With guard 0 the limits alone decide."""
    step = READ.replace("{socket: S1}", "{socket: S1, guard: 0}")
    ran = run_plan(step, bath(24.625, 24.6875))
    outcomes = [ran.shown("1", socket).outcome for socket in ("S2", "S3")]
    assert outcomes == [Outcome.PASSED, Outcome.FAILED]


def test_one_conversion_for_all(run_plan: Make, bath: Make) -> None:
    """Read together and inside for_each: every device shares one conversion a step."""
    steps = f"- enumerate: {{count: 3}}\n{READ}\n- for_each: {{steps: [{READ[2:]}]}}"
    ran = run_plan(steps, bath(24.1, 24.2, 24.3))
    took_s = [
        float(e["duration_s"])
        for e in ran.events
        if e["event"] == "step_done" and e["step"] in {"2", "3.1"}
    ]
    assert ran.code == 0
    assert sum(took_s) < 4 * 0.75  # a conversion takes 0.6 s at least


def test_a_repeated_step_measures_anew(run_plan: Make, bath: Make) -> None:
    """The same pair of readings is no second one."""
    ran = run_plan(f"- repeat: {{times: 2, steps: [{READ[2:]}]}}", bath(24.1))
    readings = [e for e in ran.events if e["event"] == "check_done"]
    apart_s = float(readings[1]["t_s"]) - float(readings[0]["t_s"])
    assert apart_s > 0.5


def test_the_reference_is_no_unit(run_plan: Make, bath: Make) -> None:
    """It is not counted, not verified, not converted for, and has no results."""
    steps = (
        "- reset: {times: 2}\n- enumerate: {count: 1, families: [0x28], "
        "match_sockets: true}\n- verify: {}\n- convert: {}\n"
        "- for_each: {steps: [{read: {quantity: temperature}}]}\n"
        "- configure: {settings: {resolution_bits: 10}}\n"
        "- soak: {cycles: 1}\n" + READ.replace("against", "fresh: false, against")
    )
    ran = run_plan(steps, bath(24.25))
    devices = {r.device.socket for _, r in ran.record.results if r.device}
    assert ran.code == 0
    assert devices == {"S2"}


def test_reference_alone_is_no_presence(run_plan: Make, bath: Make) -> None:
    """Its presence pulse does not stand for a device in the socket."""
    data = bath(24.0)
    del data["simulation"]["devices"][1]
    ran = run_plan("- reset: {}", data)
    assert ran.shown("1").kind == "no-presence"
    assert "only the reference" in ran.shown("1").message


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"due": "2023-12-31"}, "was due on 2023-12-31 (certificate K-118)"),
        ({"corrections": [[30, 0.1], [40, 0.3]]}, "runs from 30 to 40"),
    ],
)
def test_an_unfit_reference(
    run_plan: Make, bath: Make, change: dict[str, Any], words: str
) -> None:
    """Past its due date or outside its table: an error that blames the reference."""
    ran = run_plan(READ, bath(29.0, **change))
    result = ran.shown("1", "S2")
    assert (ran.code, result.outcome, result.kind) == (3, Outcome.ERROR, "reference")
    assert words in result.message


def test_an_absent_reference(run_plan: Make, bath: Make) -> None:
    """An error of the bench, in the search and in the comparison; no device fails."""
    data = bath(24.0)
    del data["simulation"]["devices"][0]
    ran = run_plan(f"- enumerate: {{count: 1}}\n{READ}", data)
    results = [r.shown for _, r in ran.record.results]
    assert ran.code == 3
    assert {r.outcome for r in results} == {Outcome.PASSED, Outcome.ERROR}
    assert "the reference 6D" not in ran.shown("1").message
    assert ran.shown("2", "S2").kind == "reference"


def test_settles_before_it_reads(run_plan: Make, bath: Make) -> None:
    """A stable reference is read after the time that it must be stable for."""
    step = READ[:-1] + ", settle: {within: 0.05, for_s: 30, at_most_s: 90}}"
    ran = run_plan(step, bath(24.25))
    assert ran.code == 0
    assert 30 < float(ran.events[-1]["t_s"]) < 40


def test_never_settles() -> None:
    """A drift that stays outside the band ends as an error of the bench, in time."""
    clock = VirtualClock()
    wanted = Settle(within=0.05, for_s=60, at_most_s=900)
    with pytest.raises(ReferenceUnfit, match="not stable after 900 s") as told:
        settled(wanted, lambda: clock.now_s() / 100, clock, what="bath", where="S1")
    assert told.value.where == "S1"


def test_settles_on_an_exponential() -> None:
    """A bath of 100 s time constant, 10 K off: in the band once it moves 0.1 K in 60 s.

    The change in a window of 60 s ending at t is 10 exp(-t / 100) (exp 0.6 - 1), which
    is 0.1 K at 440 s.
    """
    clock = VirtualClock()
    began_s = clock.now_s()

    def bath() -> float:
        return 10 * math.exp(-(clock.now_s() - began_s) / 100)

    wanted = Settle(within=0.05, for_s=60, at_most_s=900)
    took_s = settled(wanted, bath, clock, what="bath", where="S1")
    assert 435 <= took_s <= 455


@pytest.mark.parametrize(
    ("socket", "words"),
    [
        ({"reference": True}, "lacks calibration"),
        ({"calibration": CERTIFICATE}, "lacks reference: true"),
        (
            {"reference": True, "calibration": CERTIFICATE, "expect": {"family": 40}},
            "without a ROM code",
        ),
        (
            {"reference": True, "calibration": CERTIFICATE | {"due": "31.1.2030"}},
            "is no date",
        ),
        (
            {
                "reference": True,
                "calibration": CERTIFICATE | {"corrections": [[5, 0], [5, 1]]},
            },
            "reading 5 behind 5",
        ),
        (
            {
                "reference": True,
                "calibration": CERTIFICATE
                | {"corrections": [[5, 0], [6, 1]], "curve": "line"},
            },
            "a line through 2 row",
        ),
    ],
)
def test_mistakes_of_a_fixture(
    bath: Make,
    tmp_path: Path,
    socket: dict[str, Any],
    words: str,
) -> None:
    """Each has a place and a cure."""
    data = bath(24.0)
    for key in ("reference", "calibration"):
        del data["sockets"][0][key]
    data["sockets"][0] |= socket
    path = tmp_path / "fixture.yaml"
    path.write_text(yaml.safe_dump(data), encoding="utf-8")
    with pytest.raises(PlanError, match=words):
        load_fixture(path)


@pytest.mark.parametrize(
    ("step", "words"),
    [
        ("read: {quantity: temperature, against: {socket: S2}}", "is no reference"),
        ("read: {quantity: alarm_high, against: {socket: S1}}", "is calibrated for"),
        ("for_each: {sockets: [S1], steps: [{verify: {}}]}", "no device to test"),
        ("verify: {sockets: [S1]}", "no device to test"),
        ("reset: {presence: absent}", "answers every reset"),
        (
            "read: {quantity: temperature, against: {socket: S1}, low: 0, high: 0.05}",
            "leaves nothing of the limits",
        ),
    ],
)
def test_plan_and_fixture(
    bath: Make, write_fixture: Make, step: str, words: str
) -> None:
    """What a plan cannot ask of a reference is found before anything is sent."""
    plan = parse_plan(f"plan: p\nsteps:\n  - {step}\n", "plan.yaml")
    problems = check_together(plan, write_fixture(bath(24.0)))
    assert len(problems) == 1
    assert words in str(problems[0])


@pytest.mark.parametrize(
    ("keys", "words"),
    [
        ("settle: {within: 1, for_s: 1, at_most_s: 9}", "settle without a reference"),
        ("against: {socket: S1}, average: 2", "average beside against"),
        ("against: {socket: S1}, unit: degC", "unit 'degC'"),
        ("against: {socket: S1}, settle: {within: 1, for_s: 9, at_most_s: 1}", "below"),
    ],
)
def test_mistakes_of_a_step(keys: str, words: str) -> None:
    """Each has a place and a cure."""
    text = f"plan: p\nsteps:\n  - read: {{quantity: temperature, {keys}}}\n"
    with pytest.raises(PlanError, match=words):
        parse_plan(text, "plan.yaml")
