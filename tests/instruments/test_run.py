"""Plans that set instruments: whose error it is, and that everything ends at rest."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
import yaml

from harness.errors import HostError, UsageError
from harness.families.hazard import Hazard
from harness.instruments import marker
from harness.plans.execution.request import RunRequest
from harness.plans.execution.run import execute
from harness.plans.loading.files import load_fixture, parse_plan
from harness.plans.loading.problems import PlanError
from harness.records import Outcome
from tests.instruments.loopback import LoopbackSupply

Make = Callable[..., Any]

pytestmark = pytest.mark.filterwarnings("ignore::ResourceWarning")

ON = "- adjust: {instrument: PSU, to: {voltage_v: 5.0, output: true}}\n"

SIM_SUPPLY = {
    "eom": {"TCPIP SOCKET": {"q": "\n", "r": "\n"}},
    "error": {
        "error_queue": [
            {
                "q": "SYST:ERR?",
                "default": '0,"No error"',
                "command_error": '-113,"Undefined header"',
            }
        ]
    },
    "dialogues": [
        {"q": "*IDN?", "r": "INVENTED,PSU,SN7,1.0"},
        {"q": "VOLT:PROT:TRIP?", "r": "0"},
        {"q": "CURR:PROT:TRIP?", "r": "0"},
        {"q": "MEAS:CURR?", "r": "0.004"},
        {"q": "MEAS:VOLT?", "r": "5.001"},
    ],
    "properties": {
        name: {
            "default": 0,
            "getter": {"q": f"{head}?", "r": "{:" + form + "}"},
            "setter": {"q": f"{head} {{:{form}}}"},
            "specs": {"min": 0, "max": 6, "type": "int" if form == "d" else "float"},
        }
        for name, head, form in (
            ("voltage", "VOLT", ".3f"),
            ("current", "CURR", ".3f"),
            ("output", "OUTP", "d"),
        )
    },
}


@pytest.fixture
def bench(bench_data: Make, new_device: Make) -> Make:
    """Fixture data with one thermometer and a supply at a resource."""

    def make(resource: str, **more: Any) -> dict[str, Any]:  # noqa: ANN401
        data: dict[str, Any] = bench_data([new_device(0x28, 5, temperature_degc=20.0)])
        data["adapter"]["bears_v"] = 5.5
        data["instruments"] = [
            {
                "name": "PSU",
                "kind": "supply",
                "resource": resource,
                "identity": "INVENTED",
                "limits": {"voltage_v": [0, 5.5]},
                "tolerance": {"voltage_v": 0.02},
                "rest": {"output": False},
                "timeout_s": 0.15,
            }
            | more
        ]
        return data

    return make


def test_a_plan_on_instruments_of_the_simulator(
    run_plan: Make, bench: Make, tmp_path: Path
) -> None:
    """Set, read with limits, and at rest: on instruments this project did not write."""
    pytest.importorskip("pyvisa_sim")
    path = tmp_path / "instruments.yaml"
    path.write_text(
        yaml.safe_dump(
            {
                "spec": "1.0",
                "devices": {"psu": SIM_SUPPLY},
                "resources": {"TCPIP::localhost::5025::SOCKET": {"device": "psu"}},
            }
        ),
        encoding="utf-8",
    )
    data = bench(
        "TCPIP::localhost::5025::SOCKET",
        library=f"{path}@sim",
        words={
            "voltage_v": {
                "set": "VOLT {value:.3f}",
                "ask": "VOLT?",
                "measure": "MEAS:VOLT?",
            }
        },
    )
    steps = ON + (
        "- meter: {instrument: PSU, quantity: current_a, low: 0, high: 0.01}\n"
        "- meter: {instrument: PSU, quantity: current_a, high: 0.001}\n"
        "- read: {quantity: temperature}"
    )
    ran = run_plan(steps, data)
    assert [s.step for s in ran.record.steps] == ["1", "2", "3", "4", "rest"]
    measured = {m.name: m.value for m in ran.shown("1").measurements}
    assert measured == {"PSU_output": True, "PSU_voltage_v": pytest.approx(5.001)}
    assert ran.shown("2").measurements[0].unit == "A"
    assert ran.shown("3").outcome is Outcome.FAILED
    assert ran.shown("rest").notes == ("PSU is at rest",)
    (identified,) = [e for e in ran.events if e["event"] == "instrument_identified"]
    assert identified["identity"] == "INVENTED,PSU,SN7,1.0"


def test_an_error_that_takes_the_run_away(
    bench: Make, supply: LoopbackSupply, write_fixture: Make, tmp_path: Path
) -> None:
    """The supply is asked to rest all the same; what may be on is noted at the error."""
    on = ON.removeprefix("- ").strip()
    plan = parse_plan(
        f"plan: p\nsteps:\n  - {on}\n  - wait: {{for_s: 1}}\n", "plan.yaml"
    )

    @contextmanager
    def watch(_clock: Any) -> Iterator[Any]:  # noqa: ANN401
        def hear(event: str, fields: dict[str, Any]) -> None:
            if event == "step_done" and fields["step"] == "1":
                if pulled:
                    supply.unplug()
                raise HostError("the disk is full", where="journal.jsonl")

        yield hear

    for number, pulled in enumerate((False, True)):
        fixture = write_fixture(bench(supply.resource))
        request = RunRequest(plan=plan, fixture=fixture, into=tmp_path / f"run{number}")
        with pytest.raises(HostError) as caught:
            execute(request, watch=watch)
        notes = getattr(caught.value, "__notes__", [])
        assert [note.partition(":")[0] for note in notes] == [
            "supply PSU may still be on"
        ] * pulled
        if not pulled:
            assert supply.settings["OUTP"] == "0"


@pytest.mark.parametrize("after", range(3, 16, 2))
def test_pulled_at_any_moment(
    run_plan: Make, bench: Make, supply: LoopbackSupply, after: int
) -> None:
    """Nothing is booked on the device; the supply is named; exit code 3."""

    def pull(_line: str) -> object:
        if len(supply.heard) >= after:
            supply.unplug()
            return None
        return ...

    supply.intercept = pull
    ran = run_plan(ON + "- read: {quantity: temperature}", bench(supply.resource))
    of_device = [r.shown for _, r in ran.record.results if r.shown.device is not None]
    assert ran.code == 3
    assert Outcome.FAILED not in {r.outcome for r in of_device}
    left_rest = "OUTP 1" in supply.heard or "VOLT 5" in supply.heard
    if left_rest:
        assert "supply PSU may still be on" in ran.shown("rest").message


def test_a_lost_adapter_leaves_it_at_rest(
    run_plan: Make, bench: Make, supply: LoopbackSupply
) -> None:
    """The adapter goes away for good; the output is switched off all the same."""
    data = bench(supply.resource)
    data["simulation"]["faults"] = [{"kind": "adapter-unplugged", "at_s": 1.5}]
    steps = ON + "- wait: {for_s: 2}\n- read: {quantity: temperature}"
    ran = run_plan(steps, data)
    assert ran.code == 3
    assert supply.settings["OUTP"] == "0"
    assert ran.shown("rest").outcome is Outcome.PASSED


def test_beyond_what_the_devices_bear(
    run_plan: Make, bench: Make, supply: LoopbackSupply
) -> None:
    """6.2 V pass fixture and adapter, and not the thermometer's absolute maximum."""
    data = bench(supply.resource, limits={"voltage_v": [0, 7]})
    data["adapter"]["bears_v"] = 7
    steps = "- adjust: {instrument: PSU, to: {voltage_v: 6.2}, hazard: [over-voltage]}"
    ran = run_plan(steps, data, allow=frozenset({Hazard.OVER_VOLTAGE}))
    assert "family 28h bears 6 V at most" in ran.shown("1").message
    assert not [line for line in supply.heard if line.startswith("VOLT ")]


def test_what_the_bus_needs_is_on_before_the_proof(
    run_plan: Make, bench: Make, supply: LoopbackSupply
) -> None:
    """``start`` is made before the adapter is proved, in a plan that names nothing."""
    data = bench(supply.resource, start={"voltage_v": 5.0, "output": True})
    ran = run_plan("- read: {quantity: temperature}", data)
    assert ran.code == 0
    assert "OUTP 1" in supply.heard
    assert supply.settings["OUTP"] == "0"


@pytest.mark.unix
@pytest.mark.slow
@pytest.mark.parametrize(
    ("number", "code", "left_on"),
    [(signal.SIGINT, 130, False), (signal.SIGTERM, 143, False), (9, -9, True)],
    ids=["ctrl-c twice", "sigterm", "kill -9"],
)
def test_a_run_that_is_ended(
    bench: Make,
    supply: LoopbackSupply,
    tmp_path: Path,
    *,
    number: int,
    code: int,
    left_on: bool,
) -> None:
    """Ctrl-C and SIGTERM bring it to rest; kill -9 leaves a mark that stops a run."""
    fixture, plan = tmp_path / "bench.yaml", tmp_path / "plan.yaml"
    data = bench(supply.resource, timeout_s=5)
    fixture.write_text(yaml.safe_dump(data), encoding="utf-8")
    step = "  - meter: {instrument: PSU, quantity: current_a}\n"
    plan.write_text(f"plan: p\nsteps:\n  {ON}{step}", encoding="utf-8")
    words = [sys.executable, "-m", "harness", "run", str(plan), "-f", str(fixture)]
    words += ["--into", str(tmp_path / "results")]

    child: list[subprocess.Popen[bytes]] = []

    def end_it(line: str) -> object:
        if line == "MEAS:CURR?":
            child[0].send_signal(number)
            if number == signal.SIGINT:
                child[0].send_signal(number)  # a second one does not cut it short
        return ...

    supply.intercept = end_it
    child.append(
        subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.STDOUT)
    )
    told = child[0].communicate(timeout=60)[0].decode()
    assert child[0].returncode == code, told
    assert (supply.settings["OUTP"] == "1") is left_on
    row = load_fixture(fixture).instruments[0].row
    assert (marker.standing(row) is not None) is left_on
    if not left_on:
        return
    supply.intercept = lambda _line: ...
    again = _ended([*words[:-1], str(tmp_path / "r2")])
    assert again.returncode == 3
    assert b"slotproof instruments --rest" in again.stdout
    clear = [sys.executable, "-m", "harness", "instruments", "-f", str(fixture)]
    shown = _ended(clear)
    assert b"MAY BE ON since" in shown.stdout
    assert supply.settings["OUTP"] == "1"  # showing changes nothing
    assert _ended([*clear, "--rest"]).returncode == 0
    assert supply.settings["OUTP"] == "0"
    assert marker.standing(row) is None
    assert os.environ[marker.STATE_VARIABLE]


def _ended(words: list[str]) -> subprocess.CompletedProcess[bytes]:
    return subprocess.run(words, check=False, capture_output=True)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"limits": {}}, "without limits"),
        ({"rest": {}}, "without a rest state"),
        ({"limits": {"voltage_v": [0, 6]}}, "the adapter bears 5.5 V"),
        ({"limits": {"volts": [0, 6]}}, "has no setting 'volts'"),
        ({"rest": {"output": False, "voltage_v": 9}}, "lies outside 0 to 5.5"),
        ({"tolerance": {"current_limit_a": 0.1}}, "nothing measures current_limit_a"),
        ({"meter": "DMM"}, "is no other instrument"),
        ({"words": {"voltage_v": {"set": "VOLT 5"}}}, "sends no value"),
        ({"words": {"voltage_v": {"set": "VOLT {volts}"}}}, "sends no value"),
    ],
)
def test_mistakes_of_a_fixture(
    bench: Make, tmp_path: Path, change: dict[str, Any], words: str
) -> None:
    """Each has a place and a cure."""
    path = tmp_path / "fixture.yaml"
    data = bench("TCPIP::127.0.0.1::5025::SOCKET", **change)
    path.write_text(yaml.safe_dump(data), encoding="utf-8")
    with pytest.raises(PlanError, match=words):
        load_fixture(path)


def test_a_supply_needs_what_the_adapter_bears(bench: Make, tmp_path: Path) -> None:
    """Without adapter.bears_v no supply is taken."""
    data = bench("TCPIP::127.0.0.1::5025::SOCKET")
    del data["adapter"]["bears_v"]
    path = tmp_path / "fixture.yaml"
    path.write_text(yaml.safe_dump(data), encoding="utf-8")
    with pytest.raises(PlanError, match="what the adapter's pins bear"):
        load_fixture(path)


@pytest.mark.parametrize(
    ("step", "words"),
    [
        ("adjust: {instrument: PSX, to: {output: true}}", "no instrument 'PSX'"),
        ("adjust: {instrument: PSU, to: {volts: 1}}", "no setting 'volts'"),
        ("adjust: {instrument: PSU, to: {voltage_v: 5.6}}", "outside its limits"),
        ("meter: {instrument: PSU, quantity: ohms}", "cannot read 'ohms'"),
    ],
)
def test_plan_and_fixture(
    bench: Make, write_fixture: Make, step: str, words: str
) -> None:
    """What a plan asks of an instrument that it has not is found by ``check``."""
    from harness.plans.loading.files import check_together

    plan = parse_plan(f"plan: p\nsteps:\n  - {step}\n", "plan.yaml")
    problems = check_together(plan, write_fixture(bench("TCPIP::1.2.3.4::1::SOCKET")))
    assert len(problems) == 1
    assert words in str(problems[0])


def test_without_the_library(monkeypatch: pytest.MonkeyPatch) -> None:
    """The message names the optional part."""
    from harness.instruments.link import connect
    from harness.instruments.row import InstrumentRow
    from harness.instruments.words import WORDS, InstrumentKind

    monkeypatch.setitem(sys.modules, "pyvisa", None)
    monkeypatch.setattr("harness.instruments.link.pyvisa", _missing())
    row = InstrumentRow(
        name="PSU",
        kind=InstrumentKind.SUPPLY,
        resource="TCPIP::127.0.0.1::1::SOCKET",
        identity="X",
        words=WORDS[InstrumentKind.SUPPLY],
    )
    with pytest.raises(UsageError, match="PyVISA"):
        connect(row)


def _missing() -> Any:  # noqa: ANN401
    from harness import lazy

    return type(lazy.fcntl)("pyvisa")
