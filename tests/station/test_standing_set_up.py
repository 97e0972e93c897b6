"""A position whose bus is fed by an instrument: fed between units, at rest at the end."""

from __future__ import annotations

import io
from collections.abc import Callable
from pathlib import Path
from threading import Event, Thread
from typing import Any

import pytest

from harness.errors import UsageError
from harness.families.hazard import Hazard
from harness.instruments import marker
from harness.instruments.link import LinkLost
from harness.plans.steps.instruments.running import row_of
from harness.records import Outcome
from harness.results.journal.writer import read_events
from harness.simulation.instruments.scpi import ScpiInterface
from harness.station.shift.record import read_shift
from harness.station.shift.shift import remark_lines

PLAN = """\
plan: fed unit
unit: {serial_pattern: "CS-[0-9]+"}
steps:
  - enumerate: {count: 1, families: 0x28}
  - vary:
      over: {PSU: {voltage_v: [3.3, 5.5]}}
      hazard: over-voltage
      steps:
        - read: {quantity: temperature, low: 20, high: 22, unit: degC}
"""

STILL = """\
plan: fed unit
unit: {serial_pattern: "CS-[0-9]+"}
steps:
  - read: {quantity: temperature, low: 20, high: 22, unit: degC}
"""

SUPPLY = {
    "name": "PSU", "kind": "supply", "library": "simulated", "resource": "PSU",
    "identity": "INVENTED", "limits": {"voltage_v": [0, 5.5]},
    "tolerance": {"voltage_v": 0.02}, "start": {"voltage_v": 5.0, "output": True},
    "rest": {"output": False},
}  # fmt: skip


@pytest.fixture(autouse=True)
def _marks(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(marker.STATE_VARIABLE, str(tmp_path / "marks"))


@pytest.fixture
def sent(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Every command that reached a simulated instrument."""
    heard: list[str] = []
    plain = ScpiInterface.write

    def write(self: ScpiInterface, text: str) -> None:
        heard.append(text)
        plain(self, text)

    monkeypatch.setattr(ScpiInterface, "write", write)
    return heard


@pytest.fixture
def fed(line: Any) -> Callable[..., Any]:  # noqa: ANN401
    """A place with a supply, and two units that are put in."""

    def make(**more: Any) -> Any:  # noqa: ANN401
        feed = [{"serial": f"CS-{n}", "devices": [n]} for n in (1, 2)]
        probes = [line.probe(1), line.probe(2)]
        return line.place("left", probes, feed, instruments=[SUPPLY | more])

    return make


OVER = {"allowed": frozenset({Hazard.OVER_VOLTAGE})}


def test_the_bus_is_fed_between_units(line: Any, fed: Any, sent: list[str]) -> None:  # noqa: ANN401
    """Set back after each unit, off once at the very end; both units pass."""
    place = fed()
    ended = line.run(line.orders(place, plan=PLAN, **OVER))
    assert ended.verdicts() == ["PASS CS-1", "PASS CS-2"]
    assert (sent.count("OUTP 0"), sent[-1]) == (1, "OUTP 0")
    volts = [line for line in sent if line.startswith("VOLT")]
    assert volts == ["VOLT 5"] + 2 * ["VOLT 5", "VOLT 3.3", "VOLT 5.5", "VOLT 5"]
    journals = sorted(ended.folder.glob("*/journal.jsonl"))
    rests = [
        event["result"]["notes"]
        for journal in journals
        for event in read_events(journal)
        if event["event"] == "check_done" and event["step"] == "rest"
    ]
    assert rests == [["PSU is as at the start"]] * 2
    assert ended.end.is_whole
    assert marker.standing(row_of(place, place.instruments[0])) is None


def test_a_plan_that_moves_nothing_has_no_rest(
    line: Any,  # noqa: ANN401
    fed: Any,  # noqa: ANN401
    sent: list[str],
) -> None:
    """The set-up is proved before each unit, and stays."""
    ended = line.run(line.orders(fed(), plan=STILL))
    assert ended.verdicts() == ["PASS CS-1", "PASS CS-2"]
    assert sent == ["VOLT 5", "OUTP 1"] * 3 + ["OUTP 0"]


def test_a_supply_that_is_lost_is_named_at_the_end(
    line: Any,  # noqa: ANN401
    fed: Any,  # noqa: ANN401
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Its unit is an error, the next waits for it, and the end says that it may be on."""
    plain = ScpiInterface.query
    gone: list[str] = []

    def query(self: ScpiInterface, text: str) -> str:
        if gone:
            raise LinkLost("pulled")
        return plain(self, text)

    def write(self: ScpiInterface, text: str) -> None:
        if text == "VOLT 3.3":
            gone.append(text)
        if gone:
            raise LinkLost("pulled")
        plain_write(self, text)

    plain_write = ScpiInterface.write
    monkeypatch.setattr(ScpiInterface, "query", query)
    monkeypatch.setattr(ScpiInterface, "write", write)
    place = fed()
    with line.begun(line.orders(place, plan=PLAN, **OVER), 5.0) as (made, said):
        shift = made.shift
        stop_when(said, "may still be on", shift.stop)
        with made.board:
            end = shift.run()
    assert [sentence.partition(":")[0] for sentence in end.left_on] == ["left"]
    assert "supply PSU may still be on: switch it off by hand" in end.left_on[0]
    assert not end.is_whole
    assert any("may be on" in each for each in remark_lines(end))
    (test,) = read_shift(made.shift._folder).tests
    assert test.outcome is Outcome.ERROR
    assert marker.standing(row_of(place, place.instruments[0])) is not None


def test_a_mark_of_before_stops_the_position(line: Any, fed: Any) -> None:  # noqa: ANN401
    """Nothing is tested while the supply may be on since a station that was killed."""
    place = fed()
    row = row_of(place, place.instruments[0])
    marker.make(row, "INVENTED", "2026-01-01T12:00:00")
    end = line.run(line.orders(place, plan=STILL)).end
    ((name, reason),) = end.broken
    assert name == "left"
    assert "may be on since 2026-01-01T12:00:00" in reason


def test_what_the_device_bears_holds_for_the_start(line: Any, fed: Any) -> None:  # noqa: ANN401
    """Refused before the port is opened."""
    place = fed(start={"voltage_v": 5.0, "output": True})
    high = place.instruments[0].model_copy(update={"start": {"voltage_v": 6.5}})
    bears = place.adapter.model_copy(update={"bears_v": 7.0})
    changed = place.model_copy(update={"instruments": (high,), "adapter": bears})
    with pytest.raises(UsageError, match="family 28h bears 6 V at most"):
        line.run(line.orders(changed, plan=STILL))


def stop_when(said: io.StringIO, words: str, stop: Callable[[], None]) -> None:
    """End the shift once the board has said so."""

    def wait() -> None:
        for _ in range(3000):
            if words in said.getvalue():
                break
            Event().wait(0.01)
        stop()

    Thread(target=wait, daemon=True).start()
