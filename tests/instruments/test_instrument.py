"""One supply through the real library, and everything that can go wrong with it."""

from __future__ import annotations

from contextlib import nullcontext
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from harness import lazy
from harness.errors import InstrumentFault, UsageError
from harness.instruments import marker
from harness.instruments.bench import InstrumentBench
from harness.instruments.instrument import Instrument
from harness.instruments.link import connect
from harness.instruments.row import InstrumentRow
from harness.instruments.words import WORDS, InstrumentKind
from harness.plans.schema.varied.instruments import InstrumentSettings
from harness.simulation.servers.clocks import VirtualClock
from tests.instruments.loopback import LoopbackSupply

pytestmark = pytest.mark.filterwarnings("ignore::ResourceWarning")


def _row(supply: LoopbackSupply, **more: Any) -> InstrumentRow:  # noqa: ANN401
    facts: dict[str, Any] = {
        "name": "PSU",
        "kind": InstrumentKind.SUPPLY,
        "resource": supply.resource,
        "identity": "INVENTED,LOOPBACK",
        "words": WORDS[InstrumentKind.SUPPLY],
        "limits": {"voltage_v": (0.0, 5.5)},
        "tolerance": {"voltage_v": 0.02},
        "rest": {"output": False, "voltage_v": 0.0},
        "timeout_s": 0.15,
    }
    return InstrumentRow(**(facts | more))


def _instrument(supply: LoopbackSupply, **more: Any) -> Instrument:  # noqa: ANN401
    return Instrument(_row(supply, **more), VirtualClock(), connect)


def test_a_setting_is_proved(supply: LoopbackSupply) -> None:
    """Error queue, read-back, output measured, no protection tripped; in this order."""
    psu = _instrument(supply)
    psu.set("voltage_v", 3.3)
    psu.set("output", value=True)
    after = supply.heard[supply.heard.index("OUTP 1") :]
    assert after == [
        "OUTP 1", "SYST:ERR?", "OUTP?", "MEAS:VOLT?", "VOLT:PROT:TRIP?",
        "CURR:PROT:TRIP?",
    ]  # fmt: skip
    assert psu.read("current_a") == pytest.approx(0.0035)


def test_nothing_beyond_the_limits_is_sent(supply: LoopbackSupply) -> None:
    """5.6 V where 5.5 are allowed never reach the wire."""
    psu = _instrument(supply)
    with pytest.raises(UsageError, match="nothing was sent"):
        psu.set("voltage_v", 5.6)
    with pytest.raises(UsageError, match="nothing was sent"):
        psu.set("voltage_v", float("nan"))
    assert supply.heard == []


def test_a_refused_setting(supply: LoopbackSupply) -> None:
    """What the error queue says is an error of the bench."""
    psu = _instrument(supply, limits={"voltage_v": (0.0, 20.0)})
    with pytest.raises(InstrumentFault, match="Data out of range"):
        psu.set("voltage_v", 12.0)


def test_another_set_point_is_read_back(supply: LoopbackSupply) -> None:
    """A set-point that was cut silently does not pass."""
    supply.intercept = lambda line: "3.0" if line == "VOLT?" else ...
    with pytest.raises(InstrumentFault, match="read back as 3"):
        _instrument(supply).set("voltage_v", 3.3)


def test_an_output_that_never_settles(supply: LoopbackSupply) -> None:
    """Measured 0.1 V off: an error with both numbers, after the settling time."""
    psu = _instrument(supply)
    supply.offset_v = 0.1
    psu.set("voltage_v", 3.3)
    with pytest.raises(InstrumentFault, match=r"3.3 and measures 3.4 after 5 s"):
        psu.set("output", value=True)


def test_a_protection_that_tripped(supply: LoopbackSupply) -> None:
    """The current limit is an error, whatever the voltage reads."""
    psu = _instrument(supply)
    psu.set("voltage_v", 3.3)
    supply.tripped = True
    with pytest.raises(InstrumentFault, match="a protection has tripped"):
        psu.set("output", value=True)


def test_a_late_answer_answers_nothing_else(supply: LoopbackSupply) -> None:
    """After a time-out the link is new, so the late answer cannot be taken for another."""
    psu = _instrument(supply)
    psu.identify()
    owed: list[str] = []

    def late(line: str) -> object:
        if line == "MEAS:CURR?" and not owed:
            owed.append("late")
            return None  # this one comes too late
        if owed == ["late"] and line == "VOLT?":
            owed.append("sent")
            return "0.0035\n0"  # as a buffer would hold it: the late answer first
        return ...

    supply.intercept = late
    with pytest.raises(InstrumentFault, match="no answer to 'MEAS:CURR\\?'"):
        psu.query("MEAS:CURR?")
    before = len(supply.heard)
    psu.query("CURR?")
    assert supply.heard[before] == "*IDN?"


def test_the_wrong_instrument(supply: LoopbackSupply) -> None:
    """Another identity than the fixture's is refused before anything is set."""
    psu = _instrument(supply, identity="OTHER")
    with pytest.raises(InstrumentFault, match="another instrument answers"):
        psu.set("voltage_v", 3.3)
    assert supply.heard == ["*IDN?"]


def test_an_identity_that_changes(supply: LoopbackSupply) -> None:
    """Another one of the same kind behind a link that broke is not taken for the first."""
    psu = _instrument(supply)
    psu.set("voltage_v", 3.3)
    supply.identity = "INVENTED,LOOPBACK,2,0"
    supply.drop()
    with pytest.raises(InstrumentFault):
        psu.query("VOLT?")
    with pytest.raises(InstrumentFault, match="answers than before"):
        psu.query("VOLT?")


def test_an_error_queue_without_end(supply: LoopbackSupply) -> None:
    """It is an error itself, found in a bounded number of queries."""
    supply.intercept = lambda line: "-350,full" if line == "SYST:ERR?" else ...
    with pytest.raises(InstrumentFault, match="does not end"):
        _instrument(supply).set("voltage_v", 3.3)


def test_a_full_error_queue_from_before(supply: LoopbackSupply) -> None:
    """Old entries are not held against the setting that comes after them."""
    supply.errors = ['-350,"Queue overflow"'] * 20
    _instrument(supply).set("voltage_v", 3.3)
    assert supply.settings["VOLT"] == "3.3"


@pytest.mark.parametrize("answer", ["9.91E37", "9.9E37", "OVLD", "nan"])
def test_readings_that_are_none(supply: LoopbackSupply, answer: str) -> None:
    """SCPI-99, volume 1, 7.2.1.5: overload and not-a-number are no values."""
    supply.intercept = lambda line: answer if line == "MEAS:CURR?" else ...
    with pytest.raises(InstrumentFault):
        _instrument(supply).read("current_a")


def test_a_mark_before_it_leaves_rest(supply: LoopbackSupply) -> None:
    """The mark is on disk when the first command that leaves rest is on the wire."""
    psu = _instrument(supply)
    seen: list[bool] = []

    def look(line: str) -> object:
        if line == "OUTP 1":
            seen.append(marker.standing(psu.row) is not None)
        return ...

    supply.intercept = look
    psu.set("output", value=False)
    assert marker.standing(psu.row) is None
    psu.set("output", value=True)
    assert seen == [True]
    psu.rest()
    assert marker.standing(psu.row) is None
    assert supply.settings["OUTP"] == "0"


def test_a_mark_stops_the_next_run(supply: LoopbackSupply) -> None:
    """Until the instrument was brought to rest, whatever the mark looks like."""
    marker.make(_row(supply), "INVENTED", "2026-01-01T12:00:00")
    bench = InstrumentBench([_row(supply)], VirtualClock())
    with pytest.raises(InstrumentFault, match="may be on since 2026-01-01T12:00:00"):
        bench.begin(["PSU"])
    (path,) = marker.folder().glob("*.json")
    path.write_text("{cut", encoding="utf-8")
    with pytest.raises(InstrumentFault, match="may be on"):
        bench.begin(["PSU"])
    assert [each.fault for each in bench.rest(whatever=True)] == [None]
    bench.begin(["PSU"])
    bench.close()


def test_one_run_at_a_time(supply: LoopbackSupply, marks: Path) -> None:
    """A second run is refused while the first holds the lock."""
    first = InstrumentBench([_row(supply)], VirtualClock())
    second = InstrumentBench([_row(supply)], VirtualClock())
    first.begin(["PSU"])
    with pytest.raises(InstrumentFault, match="another run"):
        second.begin(["PSU"])
    first.close()
    second.begin(["PSU"])
    second.close()
    assert marks.is_dir()


@pytest.mark.parametrize("busy", [False, True])
def test_a_lock_on_windows(monkeypatch: pytest.MonkeyPatch, *, busy: bool) -> None:
    """Where flock is missing the first byte is locked; one that is held is another run's."""
    asked: list[tuple[int, int]] = []

    def locking(_number: int, mode: int, count: int) -> None:
        asked.append((mode, count))
        if busy:
            raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(marker, "fcntl", type(lazy.fcntl)("no_such_module"))
    monkeypatch.setattr(marker, "msvcrt", SimpleNamespace(LK_NBLCK=2, locking=locking))
    row = InstrumentRow(
        name="PSU",
        kind=InstrumentKind.SUPPLY,
        resource="PSU",
        identity="X",
        words=WORDS[InstrumentKind.SUPPLY],
    )
    expected = pytest.raises(InstrumentFault, match="another run")
    with expected if busy else nullcontext(), marker.locked(row):
        pass
    assert asked == [(2, 1)]


def test_one_that_cannot_be_reached_is_named(supply: LoopbackSupply) -> None:
    """The others are brought to rest all the same; its mark stays."""
    other = LoopbackSupply()
    rows = [_row(supply), _row(other, name="PSU2")]
    bench = InstrumentBench(rows, VirtualClock())
    bench.begin(["PSU", "PSU2"])
    for instrument in bench.all:
        instrument.set("output", value=True)
    supply.unplug()
    lost, done = bench.rest()
    assert "PSU may still be on: switch it off by hand" in lost.sentence
    assert done.sentence == "PSU2 is at rest"
    assert other.settings["OUTP"] == "0"
    assert marker.standing(rows[0]) is not None
    assert marker.standing(rows[1]) is None
    bench.close()
    other.unplug()


def test_a_broken_link_is_opened_once_more_for_rest(supply: LoopbackSupply) -> None:
    """Dropped in mid-setting, and answering again: it comes to rest."""
    bench = InstrumentBench([_row(supply)], VirtualClock())
    bench.begin(["PSU"])
    bench.get("PSU").set("output", value=True)
    supply.drop()
    assert [each.fault for each in bench.rest()] == [None]
    assert supply.settings["OUTP"] == "0"
    bench.close()


def test_a_meter_measures_for_it(supply: LoopbackSupply) -> None:
    """With a named meter the output is what that reads."""
    meter = LoopbackSupply()
    meter.intercept = lambda line: "3.5" if line == "MEAS:VOLT:DC?" else ...
    rows = [
        _row(supply, meter="DMM"),
        _row(
            meter,
            name="DMM",
            kind=InstrumentKind.MULTIMETER,
            words=WORDS[InstrumentKind.MULTIMETER],
            limits={},
            tolerance={},
            rest={},
        ),
    ]
    bench = InstrumentBench(rows, VirtualClock())
    bench.begin(["PSU"])
    bench.get("PSU").set("voltage_v", 3.3)
    with pytest.raises(InstrumentFault, match=r"measures 3.5"):
        bench.get("PSU").set("output", value=True)
    bench.close()
    meter.unplug()


def test_nobody_at_the_resource() -> None:
    """A refused connection and a name that is none are told with the instrument."""
    gone = LoopbackSupply()
    gone.unplug()
    with pytest.raises(InstrumentFault, match="Connection refused"):
        _instrument(gone).identify()
    wrong = _instrument(gone, resource="NONSENSE")
    with pytest.raises(InstrumentFault, match="cannot be opened"):
        wrong.identify()


def _settings(kind: str, **more: Any) -> InstrumentRow:  # noqa: ANN401
    data = {"name": "X", "kind": kind, "resource": "X", "identity": "X", **more}
    return InstrumentSettings.model_validate(data).row


def test_a_chamber_warms_before_it_is_off() -> None:
    """Whatever order the fixture has; to room temperature within limits if it says nothing."""
    limits = {"temperature_degc": [-40, 85]}
    plain = _settings("chamber", limits=limits, rest={"output": False})
    assert list(plain.rest.items()) == [("temperature_degc", 23.0), ("output", False)]
    assert (plain.tolerance["temperature_degc"], plain.settle_s) == (1.0, 3600.0)
    own = {"output": False, "temperature_degc": 30}
    assert list(_settings("chamber", limits=limits, rest=own).rest) == [
        "temperature_degc", "output",
    ]  # fmt: skip
    cold = {"temperature_degc": [-40, 10]}
    assert _settings("chamber", limits=cold, rest={"output": False}).rest == {
        "temperature_degc": 10, "output": False,
    }  # fmt: skip
    assert _settings("multimeter").settle_s == 5.0


class _Switch:
    """A switch in memory that knows which channels are closed."""

    def __init__(self) -> None:
        self.closed: set[str] = set()
        self.stuck = False

    def write(self, text: str) -> None:
        channel = text.partition("(@")[2].rstrip(")")
        if text.startswith("ROUT:CLOS "):
            self.closed.add(channel)
        elif text == "ROUT:OPEN:ALL" and not self.stuck:
            self.closed.clear()
        elif text.startswith("ROUT:OPEN ") and not self.stuck:
            self.closed.discard(channel)

    def query(self, text: str) -> str:
        if text in {"*IDN?", "SYST:ERR?"}:
            return "X" if text == "*IDN?" else '0,"No error"'
        is_closed = text.partition("(@")[2].rstrip(")") in self.closed
        return str(int(is_closed is text.startswith("ROUT:CLOS?")))

    def drain(self) -> None: ...

    def close(self) -> None: ...


def test_a_switch_rests_with_all_channels_open() -> None:
    """Each channel is asked after it was set; at rest none is closed, and a mark stood."""
    link = _Switch()
    switch = Instrument(_settings("switch"), VirtualClock(), lambda _row: link)
    switch.set("close_channel", 101)
    switch.set("close_channel", 102)
    assert marker.standing(switch.row) is not None
    switch.require_as_set()
    switch.set("open_channel", 102)
    switch.require_as_set()
    assert link.closed == {"101"}
    link.stuck = True
    with pytest.raises(InstrumentFault, match="says that it is not"):
        switch.set("open_channel", 101)
    link.stuck = False
    switch.rest()
    assert link.closed == set()
    assert marker.standing(switch.row) is None


def test_rest_finds_out_whether_a_chamber_is_on() -> None:
    """A process that did not switch it on asks, and waits until it is warm."""
    degc = iter([-40.0, -10.0, 22.5])
    sent: list[str] = []

    class _Chamber(_Switch):
        def write(self, text: str) -> None:
            sent.append(text)

        def query(self, text: str) -> str:
            known = {"SOUR:TEMP?": "23", "OUTP?": "1" if "OUTP 0" not in sent else "0"}
            if text == "MEAS:TEMP?":
                sent.append(text)
                return str(next(degc))
            return known.get(text) or super().query(text)

    limits = {"temperature_degc": [-40, 85]}
    row = _settings("chamber", limits=limits, rest={"output": False})
    chamber = Instrument(row, VirtualClock(), lambda _row: _Chamber())
    chamber.rest()
    assert sent == ["SOUR:TEMP 23", *["MEAS:TEMP?"] * 3, "OUTP 0"]
