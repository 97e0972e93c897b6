"""Instruments that this project did not write, over names of every kind of link.

Those of the simulator's own file (``@sim``), and the shipped demo plan on instruments of
that simulator. It has no delays and its instruments know nothing of each other.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
import yaml

from harness.errors import InstrumentFault
from harness.families.hazard import Hazard
from harness.instruments.instrument import Instrument
from harness.instruments.link import connect
from harness.instruments.row import InstrumentRow
from harness.plans.execution.request import RunRequest
from harness.plans.execution.run import execute
from harness.plans.loading.files import load_fixture, load_plan
from harness.plans.schema.varied.instruments import InstrumentSettings
from harness.records import Outcome
from harness.simulation.servers.clocks import VirtualClock

pytest.importorskip("pyvisa_sim")

ROOT = Path(__file__).parents[2]

VOLT = {
    "set": ":VOLT:IMM:AMPL {value:.3f}",
    "ask": ":VOLT:IMM:AMPL?",
    "measure": ":VOLT:IMM:AMPL?",
}


def _row(resource: str, **more: Any) -> InstrumentRow:  # noqa: ANN401
    data: dict[str, Any] = {
        "name": "PSU", "kind": "supply", "library": "@sim", "resource": resource,
        "identity": "SCPI,MOCK", "words": {"voltage_v": VOLT}, "tripped": [],
        "limits": {"voltage_v": [0, 10]}, "tolerance": {"voltage_v": 0.02},
        "rest": {"output": False}, "timeout_s": 0.2,
    }  # fmt: skip
    return InstrumentSettings.model_validate(data | more).row


@pytest.mark.parametrize(
    ("resource", "errors"),
    [
        ("USB::0x1111::0x2222::0x2468::INSTR", "*ESR?"),
        ("TCPIP::localhost:2222::INSTR", "*ESR?"),
        ("GPIB::9::INSTR", "*ESR?"),
        ("USB::0x1111::0x2222::0x4444::INSTR", ":SYST:ERR?"),
    ],
)
def test_instruments_of_the_simulators_own_file(resource: str, errors: str) -> None:
    """Its words are given, its register or queue is read; what it refuses is an error."""
    psu = Instrument(_row(resource, errors=errors), VirtualClock(), connect)
    assert psu.identify() == "SCPI,MOCK,VERSION_1.0"
    psu.set("voltage_v", 3.3)
    assert psu.number(":VOLT:IMM:AMPL?") == pytest.approx(3.3)
    with pytest.raises(InstrumentFault, match="is refused"):
        psu.set("voltage_v", 8.0)  # its own limit is 6 V
    with pytest.raises(InstrumentFault):
        psu.read("current_a")  # it does not measure
    psu.close()


def test_a_generator_that_is_identified_by_other_words() -> None:
    """No common command at all: asked by ``?IDN``, as its maker had it."""
    row = _row(
        "TCPIP::localhost::10001::SOCKET", identify="?IDN", identity="LSG Serial"
    )
    generator = Instrument(row, VirtualClock(), connect)
    assert generator.identify() == "LSG Serial #1234"
    generator.close()


def _property(name: str, head: str, form: str, low: float, high: float) -> Any:  # noqa: ANN401
    return {
        name: {
            "default": 0,
            "getter": {"q": f"{head}?", "r": "{:" + form + "}"},
            "setter": {"q": f"{head} {{:{form}}}"},
            "specs": {
                "min": low,
                "max": high,
                "type": "int" if form == "d" else "float",
            },
        }
    }


def _device(identity: str, dialogues: dict[str, str], *properties: Any) -> Any:  # noqa: ANN401
    return {
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
            {"q": q, "r": r} for q, r in ({"*IDN?": identity} | dialogues).items()
        ],
        "properties": {k: v for each in properties for k, v in each.items()},
    }


OUTPUT = _property("output", "OUTP", "d", 0, 1)
BENCH = {
    "supply": _device(
        "INVENTED,SUPPLY,1,1",
        {"VOLT:PROT:TRIP?": "0", "CURR:PROT:TRIP?": "0"},
        _property("voltage", "VOLT", ".3f", 0, 6),
        _property("current", "CURR", ".3f", 0, 3),
        OUTPUT,
    ),
    "chamber": _device(
        "INVENTED,CHAMBER,1,1",
        {},
        _property("temperature", "SOUR:TEMP", ".1f", -60, 120),
        OUTPUT,
    ),
    "meter": _device("INVENTED,METER,1,1", {"MEAS:CURR:DC?": "0.0004"}),
}

WORDS = {
    "supply": {
        "voltage_v": {"set": "VOLT {value:.3f}", "ask": "VOLT?", "measure": "VOLT?"},
        "current_limit_a": {"set": "CURR {value:.3f}", "ask": "CURR?"},
    },
    "chamber": {
        "temperature_degc": {
            "set": "SOUR:TEMP {value:.1f}", "ask": "SOUR:TEMP?", "measure": "SOUR:TEMP?",
        }
    },
    "meter": {},
}  # fmt: skip
"""Fixed digits, as that simulator matches commands; its set-points are its outputs."""


@pytest.mark.slow
def test_the_demo_plan_on_instruments_of_the_simulator(tmp_path: Path) -> None:
    """All nine conditions are set, proved and left: the same plan, another library.

    The simulator's supply feeds no bus and its chamber warms nobody, so every probe reads
    23 degC and none fails.
    """
    named = {f"TCPIP::localhost::{n}::SOCKET": n for n in (5025, 5026, 5027)}
    names = list(BENCH)
    file = tmp_path / "bench.yaml"
    resources = {
        resource: {"device": name} for resource, name in zip(named, names, strict=True)
    }
    text = {"spec": "1.0", "devices": BENCH, "resources": resources}
    file.write_text(yaml.safe_dump(text), encoding="utf-8")
    data = yaml.safe_load((ROOT / "fixtures/corner_bench.yaml").read_text("utf-8"))
    del data["simulation"]["instruments"]
    for each, resource in zip(data["instruments"], named, strict=True):
        own = WORDS[each["name"]]
        each |= {"library": f"{file}@sim", "resource": resource, "words": own}
    fixture = tmp_path / "fixture.yaml"
    fixture.write_text(yaml.safe_dump(data, sort_keys=False), encoding="utf-8")
    done = execute(
        RunRequest(
            plan=load_plan(ROOT / "test_plans/corners.yaml"),
            fixture=load_fixture(fixture),
            into=tmp_path / "run",
            allowed=frozenset({Hazard.HOT_OR_COLD}),
            reports=False,
        )
    )
    assert done.exit_code == 0
    conditions = [s for s in done.record.steps if s.kind == "condition"]
    assert [s.outcome for s in conditions] == [Outcome.PASSED] * 9
    rest = [r.shown for s, r in done.record.results if s.step == "rest"]
    assert rest[0].notes == ("supply is at rest; chamber is at rest",)
    judged = [r for s, r in done.record.results if s.kind == "read"]
    assert len(judged) == 9 * 16
