"""One addressed device: what is switched while it works, and what is asked of the bus."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from harness.driver.adapter import Adapter
from harness.driver.bus import Bus
from harness.driver.session import DeviceSession, SocketFacts
from harness.driver.switching import Condition, Switching
from harness.errors import CannotSwitch, DeviceAbsent, ExtraEcho
from harness.wire.romcode import RomCode

Make = Callable[..., Any]
"""A fixture that makes something; conftest has the signatures."""

ONE, OTHER = RomCode.build(0x28, 1), RomCode.build(0x28, 2)
CONVERT, READ_SCRATCHPAD, WRITE_SCRATCHPAD = b"\x44", b"\xbe", b"\x4e"


class LoggedAdapter(Adapter):
    """Writes down when which switch was moved."""

    def __init__(self, url: str, **settings: Any) -> None:  # noqa: ANN401
        super().__init__(url, **settings)
        self.moves: list[tuple[float, dict[str, bool]]] = []

    def switch(self, **states: Any) -> None:  # noqa: ANN401 - as the adapter has them
        """As the adapter does."""
        super().switch(**states)
        self.moves.append((self.clock.now_s(), states))


@pytest.fixture
def switched(tmp_path: Path) -> Callable[..., Any]:
    """Open a bus with one thermometer behind these switches."""

    @contextmanager
    def opened(**switching: Condition) -> Iterator[tuple[Bus, LoggedAdapter]]:
        path = tmp_path / "bench.json"
        device = {"family": 0x28, "rom_code": str(ONE), "supply": "external"}
        path.write_text(
            json.dumps(
                {
                    "adapter": {"kind": "fractional-divider"},
                    "line": {"pull_up_ohm": 2200, "cable_m": 1},
                    "simulation": {"devices": [device]},
                }
            ),
            encoding="utf-8",
        )
        adapter = LoggedAdapter(
            f"sim://{path}?run=session-{len(switching)}",
            kind="fractional-divider",
            switching=Switching(**switching),
        )
        with adapter.open():
            yield Bus(adapter), adapter

    return opened


def test_the_strong_pull_up_is_on_before_the_command_and_off_after_it(
    switched: Make,
) -> None:
    """USB cannot switch in 10 us: armed before the command, held, then released."""
    with switched(strong_pull_up_on=Condition.RTS) as (bus, adapter):
        adapter.moves.clear()
        begun_s = bus.clock.now_s()
        DeviceSession(bus, ONE).hold_strong_pull_up(CONVERT, 0.75)
        (on_s, on), (off_s, off) = adapter.moves
        assert (on, off) == ({"strong_pull_up": True}, {"strong_pull_up": False})
        assert begun_s < on_s  # after the selection, which devices answer
        assert off_s - on_s >= 0.75
        assert bus.last is not None
        assert len(bus.last.frames) == 8  # one byte went out under it
        assert DeviceSession(bus, ONE).transact(READ_SCRATCHPAD, 9)[:2] != b"\x50\x05"


def test_without_a_strong_pull_up_the_line_idles(switched: Make) -> None:
    """The same with the pull-up alone: nothing is switched, the time passes."""
    with switched() as (bus, adapter):
        adapter.moves.clear()
        session = DeviceSession(bus, ONE)
        begun_s = bus.clock.now_s()
        session.hold_strong_pull_up(CONVERT, 0.75)
        held_s = bus.clock.now_s()
        assert held_s - begun_s >= 0.75
        session.feed(0.75)
        assert bus.clock.now_s() - held_s >= 0.75
        assert adapter.moves == []


def test_feeding_and_programming_end_however_they_end(switched: Make) -> None:
    """The switch goes back after its time; one that is not wired is an error before."""
    with switched(strong_pull_up_on=Condition.RTS) as (bus, adapter):
        session = DeviceSession(bus, ONE)
        adapter.moves.clear()
        session.feed(0.01)
        assert [states for _, states in adapter.moves] == [
            {"strong_pull_up": True},
            {"strong_pull_up": False},
        ]
        assert adapter.moves[1][0] - adapter.moves[0][0] >= 0.01
        with pytest.raises(CannotSwitch, match="no programming supply"):
            session.program_pulse(0.0005)


def test_alone_and_in_alarm(bus_with: Make) -> None:
    """A search finds whether it is alone; a conditional one whether its alarm stands."""
    with bus_with([ONE]) as bus:
        session = DeviceSession(bus, ONE)
        assert session.is_alone()
        assert not DeviceSession(bus, OTHER).is_alone()
    with bus_with([ONE, OTHER]) as bus:
        session = DeviceSession(bus, ONE)
        assert not session.is_alone()
        session.transact(WRITE_SCRATCHPAD + b"\x14\x13\x7f")  # above 20 degC, below 19
        session.transact(CONVERT)
        bus.clock.sleep(0.8)
        assert session.meets_condition()
        assert not DeviceSession(bus, OTHER).meets_condition()


def test_bytes_without_a_selection_and_without_a_reset(bus_with: Make) -> None:
    """Read ROM needs no selection; more bytes follow where the device stands."""
    with bus_with([ONE]) as bus:
        session = DeviceSession(bus, ONE)
        assert RomCode(session.unselected(b"\x33", 8)) == ONE
        assert session.unselected(b"\xcc") == b""
        whole = session.transact(READ_SCRATCHPAD, 9)
        assert session.transact(READ_SCRATCHPAD, 4) + session.more(read=5) == whole


def test_what_a_session_knows_of_its_socket(bus_with: Make) -> None:
    """Copies: what one session remembers changes no other; notes name the device."""
    facts = SocketFacts(loop_backs={"a": "b"}, memory={"sense": 25.0}, doubt="which?")
    told: list[tuple[str, dict[str, Any]]] = []
    with bus_with([ONE]) as bus:
        session = DeviceSession(
            bus, ONE, facts, note=lambda event, **fields: told.append((event, fields))
        )
        session.memory["sense"] = 1.0
        assert facts.memory["sense"] == 25.0
        assert (session.loop_backs, session.seat_doubt) == ({"a": "b"}, "which?")
        session.note("put back", page=3)
        assert told == [
            ("note", {"text": "put back", "device": str(ONE), "page": 3}),
        ]
        silent = DeviceSession(bus, ONE)
        silent.note("nobody reads this")
        assert (silent.memory, silent.seat_doubt) == ({}, "")


def test_a_proved_device_is_there(bus_with: Make) -> None:
    """One that does not answer as its code does is absent, by name."""
    with bus_with([ONE]) as bus:
        DeviceSession(bus, ONE).verify()
        with pytest.raises(DeviceAbsent, match=f"device {OTHER} does not answer"):
            DeviceSession(bus, OTHER).verify()


def test_beside_a_code_that_cannot_be_nobody_is_alone(bus_with: Make) -> None:
    """A code with a wrong CRC is somebody too."""
    spoilt = RomCode(OTHER.wire[:7] + bytes([OTHER.wire[7] ^ 1]))
    with bus_with([ONE, spoilt]) as bus:
        assert not DeviceSession(bus, ONE).is_alone()


@pytest.mark.parametrize("call", ["feed", "hold_strong_pull_up"])
def test_strays_after_a_feed_through_the_pull_up_are_the_line_s(
    switched: Make, call: str
) -> None:
    """A load that we asked for moves the line: what waits then is in no surplus."""
    with switched() as (bus, adapter):
        session = DeviceSession(bus, ONE)
        if call == "feed":
            session.feed(0.01)
        else:
            session.hold_strong_pull_up(CONVERT, 0.75)
        assert adapter._stirred
        session.settle()
        adapter._stirred = False


def test_a_load_that_takes_the_line_down_is_named(rigged: Make) -> None:
    """A character behind the command: supply or adapter, and the cure of each."""
    adapter, port = rigged()
    with adapter.open():
        bus = Bus(adapter)
        seen = bytes([bus.reset_frame.frame.byte << 1 & 0xFF])

        def write(data: bytes) -> int:
            if len(data) == 1:
                return int(type(port).write(port, seen))
            port.foreign = b"\xf0"
            return int(type(port).write(port, data))

        port.write = write
        with pytest.raises(ExtraEcho, match="as a load through") as raised:
            DeviceSession(bus, ONE).hold_strong_pull_up(CONVERT, 0.75)
    assert raised.value.cause == "supply or adapter"


def test_what_was_odd_counts_no_more_after_settling(rigged: Make) -> None:
    """Late echoes are waited for and dropped, and the account begins anew."""
    adapter, port = rigged()
    with adapter.open():
        bus = Bus(adapter)
        bus._bursts.oddities.miscounted = 2
        port.late = [(port.clock.now_s() + 0.02, b"\x55")]
        DeviceSession(bus, ONE).settle()
        assert bus._bursts.oddities.miscounted == 0
        assert bus.came_late() is None


def test_a_programming_pulse_ends(rigged: Make) -> None:
    """The voltage is on for its time, and off before anything else happens."""
    power = Switching(programming_on=Condition.DTR_WITHOUT_RTS)
    adapter, port = rigged(switching=power)
    with adapter.open():
        session = DeviceSession(Bus(adapter), ONE)
        begun_s = port.clock.now_s()
        session.program_pulse(0.0005)
        assert port.clock.now_s() - begun_s == pytest.approx(0.0005)
        on = Condition.DTR_WITHOUT_RTS
        states = [on.holds(rts=rts, dtr=dtr) for rts, dtr in port.states]
        assert states.count(True) >= 1
        assert states[-1] is False
