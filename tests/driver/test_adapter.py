"""``exchange``: every way in which it fails has its own error, and nothing foreign escapes."""

from __future__ import annotations

import errno
from collections.abc import Callable
from contextlib import suppress
from importlib.util import find_spec
from typing import Any

import pytest
import serial

from harness.driver.bursts import Bursts
from harness.driver.bus import Bus
from harness.driver.port import translated
from harness.driver.self_check import check_adapter
from harness.errors import (
    AdapterError,
    AdapterUnplugged,
    ExtraEcho,
    LineNotReady,
    LineShorted,
    NoEcho,
    PortUnsuitable,
    ShortEcho,
    WrongRate,
)
from harness.simulation.faults import settings as fs
from harness.wire.clock_grid import GRIDS
from harness.wire.romcode import RomCode
from harness.wire.slots.time_slots import choose_slots
from tests import without_unix
from tests.read_rom import read_rom

Make = Callable[..., Any]
"""A fixture that makes something; conftest has the signatures."""

BAUD = 115_200
ONE = RomCode.build(0x28, 1)

GONE: list[Exception] = [
    serial.SerialException("device reports readiness to read but returned no data"),
    OSError(errno.EIO, "Input/output error"),
    serial.PortNotOpenError(),
]
"""What pyserial raises with the line gone (source of pyserial 3.5); Unix has one more."""

if not without_unix.WANTED and find_spec("termios"):
    import termios

    GONE.append(termios.error(errno.EIO, "Input/output error"))


def test_echoes_come_back_in_order(rigged: Make) -> None:
    """As many echoes as characters, whatever the burst is cut into."""
    frames = bytes(range(256)) * 3
    for max_burst in (1, 62, 255, 768, 5000):
        adapter, _ = rigged(max_burst=max_burst)
        with adapter.open():
            assert adapter.exchange(frames, BAUD) == frames


def test_no_burst_is_longer_than_the_fixture_allows(rigged: Make) -> None:
    """A long transaction goes out in pieces, each read back before the next."""
    adapter, port = rigged(max_burst=100)
    with adapter.open():
        adapter.exchange(b"\xff" * 250, BAUD)
    assert [call for call in port.calls if call in {"write", "read"}] == [
        "write",
        "read",
    ] * 3


def test_no_echo(rigged: Make) -> None:
    """Nothing comes back: the loop-back is doubted, and the hint names RX and the pull-up."""
    adapter, port = rigged()
    with adapter.open():
        port.lose = 3
        with pytest.raises(NoEcho, match="none came back") as raised:
            adapter.exchange(b"\xff\xff\xff", BAUD)
    assert "RX listens" in raised.value.hint


def test_no_echo_after_the_loop_back_was_proved(rigged: Make) -> None:
    """Silence after a good exchange is told as such, with both causes."""
    adapter, port = rigged()
    with adapter.open():
        adapter.exchange(b"\xff", BAUD)
        port.lose = 1
        with pytest.raises(NoEcho, match="loop-back worked before") as raised:
            adapter.exchange(b"\xff", BAUD)
    assert "held low" in raised.value.hint


def test_short_echo_keeps_what_came(rigged: Make) -> None:
    """Fewer come back than were sent: nothing is paired, the rest is kept as evidence."""
    adapter, port = rigged()
    with adapter.open():
        port.lose = 2
        with pytest.raises(ShortEcho, match="sent 5 characters, 3 came back") as raised:
            adapter.exchange(b"\x01\x02\x03\x04\x05", BAUD)
        assert adapter.partial == b"\x03\x04\x05"
    assert "max_burst" in raised.value.hint


def test_short_echo_ends_the_transaction(rigged: Make) -> None:
    """After a gap in one burst the next one is not sent at all."""
    adapter, port = rigged(max_burst=4)
    with adapter.open():
        port.lose = 1
        with pytest.raises(ShortEcho):
            adapter.exchange(b"\xff" * 12, BAUD)
    assert port.calls.count("write") == 1


def test_extra_echo(rigged: Make) -> None:
    """More come back than were sent: they cannot be paired, so none is used."""
    adapter, port = rigged()
    with adapter.open():
        port.foreign = b"\xf0"
        with pytest.raises(ExtraEcho, match="sent 2 characters, 3 came back") as raised:
            adapter.exchange(b"\xff\xff", BAUD)
        assert adapter.unsolicited == b"\xf0"
        assert adapter.exchange(b"\xff\xff", BAUD) == b"\xff\xff"
    assert "second controller" in raised.value.hint


def test_unsolicited_characters_never_pair_with_later_slots(rigged: Make) -> None:
    """What waits before a burst is set aside and told, not taken for its echo."""
    adapter, port = rigged()
    with adapter.open():
        port.write(b"\xe0")  # it arrived while nobody asked
        assert adapter.exchange(b"\xff\xfe", BAUD) == b"\xff\xfe"
        assert adapter.unsolicited == b"\xe0"
        assert Bus(adapter).evidence()["unsolicited"] == "E0"


def test_settle_gives_up_on_a_line_that_never_falls_silent(rigged: Make) -> None:
    """A chattering line ends the wait after a second instead of hanging the harness."""
    adapter, port = rigged()
    with adapter.open():
        port.chatter = b"\x55"
        started_s = port.clock.now_s()
        assert set(adapter.settle()) == {0x55}
        assert port.clock.now_s() - started_s <= 1.01


@pytest.mark.parametrize("cause", GONE, ids=lambda cause: type(cause).__name__)
@pytest.mark.parametrize("call", ["write", "read", "in_waiting", "baudrate"])
def test_unplugged_in_an_exchange(rigged: Make, call: str, cause: Exception) -> None:
    """Whichever call finds the adapter gone, it is AdapterUnplugged with its cause."""
    adapter, port = rigged()
    with adapter.open():
        port.fail[call] = cause
        with pytest.raises(AdapterUnplugged, match="is gone") as raised:
            adapter.exchange(b"\xff", BAUD)
    assert raised.value.__cause__ is cause
    assert "USB cable" in raised.value.hint
    assert port.closed


@pytest.mark.parametrize("cause", GONE, ids=lambda cause: type(cause).__name__)
@pytest.mark.parametrize(
    "call", ["write", "read", "in_waiting", "baudrate", "reset_input_buffer"]
)
def test_unplugged_in_the_self_check(rigged: Make, call: str, cause: Exception) -> None:
    """The self-check translates every call alike, the buffer reset included."""
    adapter, port = rigged()
    with adapter.open():
        port.fail[call] = cause
        with pytest.raises(AdapterUnplugged):
            check_adapter(adapter, BAUD)


@pytest.mark.parametrize("action", ["settle", "release", "close"])
@pytest.mark.parametrize("call", ["in_waiting", "read", "close", "rts", "dtr"])
def test_nothing_foreign_escapes(rigged: Make, action: str, call: str) -> None:
    """Settling, releasing and closing raise our errors or none, whatever call fails."""
    adapter, port = rigged()
    with adapter.open():
        port.fail[call] = GONE[-1]
        if action != "close":
            with suppress(AdapterUnplugged):
                getattr(adapter, action)()
    assert adapter.port is None


def test_write_that_blocks(rigged: Make) -> None:
    """An adapter that takes no more characters is an adapter error about bursts."""
    adapter, port = rigged()
    with adapter.open():
        port.fail["write"] = serial.SerialTimeoutException("Write timeout")
        with pytest.raises(AdapterError, match="does not take more") as raised:
            adapter.exchange(b"\xff", BAUD)
    assert type(raised.value) is AdapterError
    assert "max_burst" in raised.value.hint


@pytest.mark.parametrize(
    "cause",
    [
        ValueError("Failed to set custom baud rate"),
        OverflowError("too large"),
        OSError(errno.EINVAL, "Invalid argument"),
    ],
    ids=lambda cause: type(cause).__name__,
)
def test_refused_rate(rigged: Make, cause: Exception) -> None:
    """A port that refuses the rate is unsuitable, not unplugged."""
    adapter, port = rigged()
    with adapter.open():
        port.fail["baudrate"] = cause
        with pytest.raises(PortUnsuitable, match="refuses 115200 baud"):
            adapter.exchange(b"\xff", BAUD)


def test_not_open(rigged: Make) -> None:
    """Traffic on a closed adapter says so."""
    adapter, _ = rigged()
    with pytest.raises(AdapterUnplugged, match="not open"):
        adapter.exchange(b"\xff", BAUD)


def test_other_exceptions_pass_through() -> None:
    """A mistake in our own code is not dressed up as a lost adapter."""
    with pytest.raises(KeyError), translated("here"):
        raise KeyError("x")


# -- on the simulated adapter ---------------------------------------------------


def test_simulated_adapter_without_echo(bus_with: Make) -> None:
    """An open receive lead is the adapter's fault on the first exchange and in the self-check."""
    faults = [{"kind": "adapter-no-echo"}]
    with bus_with([ONE], faults=faults) as bus:
        with pytest.raises(NoEcho):
            bus.exchange(b"\xff", BAUD)
        with pytest.raises(NoEcho):
            check_adapter(bus.adapter, BAUD)


def test_simulated_adapter_that_drops_bytes(bus_with: Make) -> None:
    """Lost characters are a short echo, never a device that answers wrongly."""
    faults = [{"kind": "adapter-drops-bytes", "probability": 0.05}]
    with (
        bus_with([ONE], faults=faults) as bus,
        pytest.raises(ShortEcho, match="sent 400 characters"),
    ):
        bus.exchange(b"\xff" * 400, BAUD)


def test_simulated_adapter_unplugged_and_back(bus_with: Make, bench_of: Make) -> None:
    """An unplugged adapter is gone until it is re-opened; then everything works again."""
    with bus_with([ONE]) as bus:
        bus.require_presence()
        unplugged = bench_of(bus).faults.start(
            fs.UnpluggedFault(kind="adapter-unplugged")
        )
        for _ in range(2):
            with pytest.raises(AdapterUnplugged):
                bus.reset()
        with pytest.raises(AdapterError):
            bus.adapter.reopen()
        unplugged.stop()
        bus.adapter.reopen()
        assert read_rom(bus) == ONE


def test_unplugged_in_the_middle_of_a_burst(bus_with: Make, bench_of: Make) -> None:
    """Pulled out while echoes are under way: unplugged, not short."""
    with bus_with([ONE]) as bus:
        bus.exchange(b"\xff", BAUD)
        now_s = bench_of(bus).clock.now_s()
        bench_of(bus).faults.plan(
            fs.UnpluggedFault(kind="adapter-unplugged", at_s=now_s + 0.02)
        )
        with pytest.raises(AdapterUnplugged):
            bus.exchange(b"\xff" * 1000, BAUD)


def test_latency_jitter_is_no_fault(bus_with: Make) -> None:
    """Packets that come up to 30 ms late are waited for."""
    faults = [{"kind": "latency-jitter", "probability": 0.5, "extra_ms": 30}]
    with bus_with([ONE], faults=faults) as bus:
        for _ in range(50):
            assert read_rom(bus) == ONE


# -- self-check -------------------------------------------------------------------


@pytest.mark.parametrize("latency_ms", [1, 16])
def test_self_check_of_a_good_adapter(bus_with: Make, latency_ms: float) -> None:
    """Round trip and rate are measured: latency within 2 ms, rate within 3 %."""
    with bus_with([ONE], adapter={"latency_ms": latency_ms}) as bus:
        report = check_adapter(bus.adapter, bus.slots.request_baud)
        assert read_rom(bus) == ONE
    assert latency_ms <= report.round_trip_median_ms <= latency_ms + 2
    assert report.measured_baud == pytest.approx(report.expected_baud, rel=0.03)
    assert report.idle_echo == "FF"
    assert report.as_dict()["kind"] == "fractional-divider"


@pytest.mark.parametrize("latency_ms", [1, 16])
@pytest.mark.parametrize("declared", ["fractional-divider", "integer-divider"])
def test_self_check_finds_an_adapter_that_falls_back(
    bus_with: Make, declared: str, latency_ms: float
) -> None:
    """A rate table makes 153600 of 142857 baud, whose write-0 of 58.6 us breaks the limit.

    Source: application note AN205 of the maker of such chips; arithmetic of an 8N1 character.
    """
    adapter = {"kind": "rate-table", "latency_ms": latency_ms}
    with (
        bus_with([ONE], kind=declared, adapter=adapter) as bus,
        pytest.raises(WrongRate, match="asked for 142857 baud") as raised,
    ):
        check_adapter(bus.adapter, bus.slots.request_baud)
    assert "adapter.kind" in raised.value.hint


def test_self_check_is_not_fooled_by_one_late_burst(rigged: Make) -> None:
    """A host that stumbles once makes one burst late; the next one counts."""
    adapter, port = rigged()
    with adapter.open():
        true_write = port.write
        late_s = iter([0.5])

        def stumbling_write(data: bytes) -> int:
            if len(data) > 100:
                port.clock.sleep(next(late_s, 0.0))
            return int(true_write(data))

        port.write = stumbling_write
        assert check_adapter(adapter, BAUD).measured_baud == pytest.approx(
            BAUD, rel=0.03
        )


def test_self_check_on_a_shorted_line(bus_with: Make) -> None:
    """A line that is low before the first reset is never a device's failure."""
    faults = [{"kind": "line-shorted"}]
    with bus_with([ONE], faults=faults) as bus, pytest.raises(AdapterError) as raised:
        check_adapter(bus.adapter, BAUD)
    assert isinstance(raised.value, LineNotReady | NoEcho)
    assert "idle line" in raised.value.hint or "RX listens" in raised.value.hint


def test_self_check_with_foreign_traffic(rigged: Make) -> None:
    """Characters that were not sent are somebody else on the bus or the port."""
    adapter, port = rigged()
    with adapter.open():
        port.chatter = b"AT\r"
        with pytest.raises(ExtraEcho, match="were not sent"):
            check_adapter(adapter, BAUD)


def test_self_check_with_a_line_that_goes_low(rigged: Make) -> None:
    """A single 00h that was not sent is the line going low."""
    adapter, port = rigged()
    with adapter.open():
        port.chatter = b"\x00"
        with pytest.raises(LineNotReady, match="went low"):
            check_adapter(adapter, BAUD)


def test_self_check_with_a_low_line(rigged: Make) -> None:
    """Read slots that come back as 00h are a line held low."""
    adapter, port = rigged()
    with adapter.open():
        port.write = lambda _: type(port).write(port, b"\x00")
        with pytest.raises(LineNotReady, match="before the first reset"):
            check_adapter(adapter, BAUD)


# -- whose fault a gap is ---------------------------------------------------------


def test_break_in_the_middle_is_the_line(bus_with: Make, bench_of: Make) -> None:
    """A line that goes low in a burst gives one 00h and then silence: shorted."""
    with bus_with([ONE]) as bus:
        bus.require_presence()
        bench_of(bus).faults.plan(
            fs.ShortedLineFault(
                kind="line-shorted", at_s=bench_of(bus).clock.now_s() + 0.005
            )
        )
        with pytest.raises(LineShorted, match="of 400 slots came back"):
            bus.exchange(b"\xff" * 400, BAUD)
        assert bus.last is not None
        assert len(bus.last.echoes) < 400


@pytest.mark.parametrize(
    ("third", "kind"), [(0xFF, LineShorted), (0x80, LineShorted), (0x00, NoEcho)]
)
def test_a_late_break_counts_where_nothing_low_was_sent(
    rigged: Make, third: int, kind: type[Exception]
) -> None:
    """After two of four echoes a 00h comes late, then silence: low, or the echo of a 00h."""
    adapter, port = rigged()
    frames = bytes([0xFF, 0xFF, third, 0xFF])
    answers = [frames[:2]]

    def write(data: bytes) -> int:
        if answers:
            port.foreign = answers.pop()
            # behind the last read of the burst: it waits for twice its own time and a
            # latency timer with a slow host (0.1 s), the port's reads end after 0.05 s
            wait_s = 3 * len(data) * 10 / BAUD + 0.1 + 0.05
            port.late = [(port.clock.now_s() + wait_s, b"\0")]
        port.lose = len(data)
        return int(type(port).write(port, data))

    with adapter.open():
        bursts = Bursts(adapter)
        port.write = write
        with pytest.raises(kind):
            bursts.exchange(frames, BAUD, 1, choose_slots(GRIDS["exact"]))


def test_lost_echo_lead_in_the_middle_is_the_adapter(
    bus_with: Make, bench_of: Make
) -> None:
    """Silence that begins without a break and lasts is no dropped character: RX or the line."""
    with bus_with([ONE]) as bus:
        bus.require_presence()
        bench_of(bus).faults.plan(
            fs.AdapterNoEcho(
                kind="adapter-no-echo", at_s=bench_of(bus).clock.now_s() + 0.02
            )
        )
        with pytest.raises(NoEcho, match="of 4000 slots nothing comes back") as raised:
            bus.exchange(b"\xff" * 4000, BAUD)
    assert "RX has lost the line" in raised.value.hint


def test_dropped_characters_stay_a_short_echo(bus_with: Make, bench_of: Make) -> None:
    """If the adapter still hears afterwards, some characters were lost and no more."""
    with bus_with([ONE]) as bus:
        bus.require_presence()
        now_s = bench_of(bus).clock.now_s()
        bench_of(bus).faults.plan(
            fs.AdapterDropsBytes(
                kind="adapter-drops-bytes", probability=0.5, at_s=now_s, for_s=0.02
            )
        )
        with pytest.raises(ShortEcho, match="sent 400 characters"):
            bus.exchange(b"\x00" * 400, BAUD)
        assert read_rom(bus) == ONE


def test_a_probe_leaves_the_evidence(bus_with: Make, bench_of: Make) -> None:
    """What is kept of a failed burst is that burst, not the question asked after it."""
    with bus_with([ONE]) as bus:
        bus.require_presence()
        bench_of(bus).faults.start(
            fs.AdapterDropsBytes(kind="adapter-drops-bytes", probability=0.5)
        )
        with pytest.raises(ShortEcho):
            bus.exchange(b"\xff" * 300, BAUD)
        assert bus.evidence()["sent"] == "FF" * 300
        assert 0 < len(bus.evidence()["echoes"]) < 600
