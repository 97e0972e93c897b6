"""An instrument goes away at any moment of a plan: whose error, what rests, who is named."""

from __future__ import annotations

from collections.abc import Callable
from copy import deepcopy
from pathlib import Path
from typing import Any

import pytest

from harness.commands.base import left_on
from harness.families.hazard import Hazard
from harness.instruments import marker
from harness.instruments.link import LinkLost
from harness.records import Outcome
from harness.simulation.instruments.scpi import ScpiInterface

Make = Callable[..., Any]

PLAN = """\
- vary:
    over: {supply: {voltage_v: [3.3, 5.0]}, chamber: {temperature_degc: [0, 40]}}
    steps:
      - read: {quantity: temperature}
      - meter: {instrument: meter, quantity: current_a, high: 0.1}
"""

MAKERS = {"supply": "INVENTED,S", "chamber": "INVENTED,C", "meter": "INVENTED,M"}


@pytest.fixture(autouse=True)
def _marks(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(marker.STATE_VARIABLE, str(tmp_path / "marks"))


@pytest.fixture
def rack(bench_data: Make, new_device: Make) -> dict[str, Any]:
    """Fixture data of one thermometer with simulated supply, chamber and meter."""
    data: dict[str, Any] = bench_data([new_device(0x28, 5, temperature_degc=23.0)])
    data["adapter"]["bears_v"] = 5.5
    common = {"library": "simulated"}
    data["instruments"] = [
        common | {
            "name": "supply", "kind": "supply", "resource": "PSU",
            "identity": MAKERS["supply"], "limits": {"voltage_v": [0, 5.5]},
            "tolerance": {"voltage_v": 0.02},
            "start": {"voltage_v": 5.0, "output": True}, "rest": {"output": False},
        },
        common | {
            "name": "chamber", "kind": "chamber", "resource": "CH",
            "identity": MAKERS["chamber"], "limits": {"temperature_degc": [-40, 85]},
            "tolerance": {"temperature_degc": 0.2}, "settle_s": 600,
            "start": {"output": True}, "rest": {"output": False},
        },
        common | {
            "name": "meter", "kind": "multimeter", "resource": "DMM",
            "identity": MAKERS["meter"],
        },
    ]  # fmt: skip
    data["simulation"]["instruments"] = [
        {"kind": "supply", "resource": "PSU", "identity": MAKERS["supply"]},
        {
            "kind": "chamber", "resource": "CH", "identity": MAKERS["chamber"],
            "time_constant_s": 20,
        },
        {"kind": "multimeter", "resource": "DMM", "identity": MAKERS["meter"]},
    ]  # fmt: skip
    return data


class Wire:
    """Counts the messages to each instrument; one is pulled at a message of its own.

    Attributes:
        heard: messages by instrument, in order.
    """

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.heard: dict[str, list[str]] = {name: [] for name in MAKERS}
        self._pulled = ("", 0)
        plain_write, plain_query = ScpiInterface.write, ScpiInterface.query

        def write(interface: ScpiInterface, text: str) -> None:
            self._take(interface, text)
            plain_write(interface, text)

        def query(interface: ScpiInterface, text: str) -> str:
            self._take(interface, text)
            return plain_query(interface, text)

        monkeypatch.setattr(ScpiInterface, "write", write)
        monkeypatch.setattr(ScpiInterface, "query", query)

    def pull(self, name: str, at: int) -> None:
        """Begin anew, with one that is pulled at a message."""
        self._pulled = (name, at)
        self.heard = {each: [] for each in MAKERS}

    def _take(self, interface: ScpiInterface, text: str) -> None:
        name = next(n for n, text in MAKERS.items() if text == interface._identity)
        pulled, at = self._pulled
        if name == pulled and len(self.heard[name]) >= at:
            raise LinkLost("pulled")
        self.heard[name].append(text)

    def is_on(self, name: str) -> bool:
        """Whether its output was switched on last."""
        outputs = [text for text in self.heard[name] if text.startswith("OUTP ")]
        return bool(outputs) and outputs[-1] == "OUTP 1"


MOMENTS = 7
"""Moments tried of each instrument's messages, from the first to the last."""


@pytest.mark.slow
@pytest.mark.parametrize("name", MAKERS)
def test_pulled_at_any_moment(
    run_plan: Make, rack: dict[str, Any], monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    """Nothing is booked on the device; the others rest; the one that is on is named."""
    wire = Wire(monkeypatch)
    assert run_plan(PLAN, deepcopy(rack)).code == 0
    count = len(wire.heard[name])
    for at in sorted({count * k // MOMENTS for k in range(MOMENTS)} | {count - 1}):
        wire.pull(name, at)
        ran = run_plan(PLAN, deepcopy(rack))
        outcomes = {r.shown.outcome for _, r in ran.record.results}
        assert (ran.code, Outcome.FAILED in outcomes) == (3, False), at
        last_lines = list(left_on(ran.record))
        for other in {"supply", "chamber"} - {name}:
            assert not wire.is_on(other), at
            assert f"{other} may still be on" not in "".join(last_lines), at
        if wire.is_on(name):
            assert f"{name} may still be on: switch it off by hand" in last_lines[0], at
        marks = len(list(marker.folder().glob("*.json")))
        assert marks == len(last_lines), at
        for mark in marker.folder().glob("*.json"):
            mark.unlink()


def test_a_dark_bus_is_no_failed_device(
    run_plan: Make, rack: dict[str, Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The supply loses its mains while nobody asks it; the next reading fails."""
    read = ScpiInterface.query
    dark: list[bool] = []

    def query(interface: ScpiInterface, text: str) -> str:
        if interface._identity == MAKERS["supply"] and dark:
            raise LinkLost("pulled")
        if text == "MEAS:CURR:DC?":
            supply[0]._commands["OUTP"](0.0)
            dark.append(True)
        return read(interface, text)

    supply: list[ScpiInterface] = []
    write = ScpiInterface.write

    def keep(interface: ScpiInterface, text: str) -> None:
        if interface._identity == MAKERS["supply"] and dark:
            raise LinkLost("pulled")
        if text.startswith("VOLT"):
            supply.append(interface)
        write(interface, text)

    monkeypatch.setattr(ScpiInterface, "query", query)
    monkeypatch.setattr(ScpiInterface, "write", keep)
    steps = (
        "- read: {quantity: temperature}\n"
        "- meter: {instrument: meter, quantity: current_a}\n"
        "- read: {quantity: temperature}\n"
        "- reset: {times: 2}\n"
    )
    ran = run_plan(steps, rack)
    assert ran.shown("1", "S1").outcome is Outcome.PASSED
    outcomes = {s.step: s.outcome for s in ran.record.steps}
    assert outcomes["3"] is outcomes["4"] is Outcome.ERROR
    assert ran.code == 3
    assert "counts for nothing" in ran.shown("4").message


def test_a_supply_that_tripped_meanwhile(
    run_plan: Make, rack: dict[str, Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A protection that switched off behind the plan's back is the bench's error."""
    read = ScpiInterface.query
    tripped: list[bool] = []

    def query(interface: ScpiInterface, text: str) -> str:
        if text == "MEAS:CURR:DC?":
            tripped.append(True)
        if tripped and text == "CURR:PROT:TRIP?":
            return "1"
        return read(interface, text)

    monkeypatch.setattr(ScpiInterface, "query", query)
    steps = (
        "- meter: {instrument: meter, quantity: current_a}\n"
        "- read: {quantity: temperature, high: 10}\n"
    )
    ran = run_plan(steps, rack, allow=frozenset({Hazard.HOT_OR_COLD}))
    assert "a protection has tripped" in ran.shown("2", "S1").message
    assert ran.shown("2", "S1").outcome is Outcome.ERROR
