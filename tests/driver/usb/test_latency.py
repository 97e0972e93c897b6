"""Low latency is asked for, measured, put back, and never an error."""

from __future__ import annotations

import array
from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import pytest

from harness.driver.adapter import Adapter
from harness.driver.self_check import check_adapter
from harness.driver.usb import latency as latency_module
from harness.driver.usb.latency import Latency, cure, lower, put_back
from tests.device_trees import CONSTELLATIONS, Machine

Make = Callable[..., Any]
"""A fixture that makes something; conftest has the signatures."""


class Port:
    """A port that keeps what it was asked."""

    def __init__(self, refusal: Exception | None = None) -> None:
        self.asked: list[bool] = []
        self._refusal = refusal

    def set_low_latency_mode(self, wanted: bool) -> None:
        """Note the wish, or refuse."""
        if self._refusal is not None:
            raise self._refusal
        self.asked.append(wanted)


def test_taken_and_put_back() -> None:
    """What was lowered is put back, and nothing else is touched."""
    port = Port()
    latency = lower(port)
    assert latency is Latency.LOWERED
    put_back(port, latency)
    assert port.asked == [True, False]
    for other in (Latency.LEFT, Latency.WAS_LOW, Latency.NOT_OFFERED):
        put_back(port, other)
    assert port.asked == [True, False]


@pytest.mark.parametrize(
    "refusal", [ValueError("ENOTTY"), NotImplementedError(), OSError(5, "gone")]
)
def test_refused(refusal: Exception) -> None:
    """A driver that refuses, a system without it, a port that is gone: no error.

    Source: pyserial 3.5, serialposix.py.
    """
    port = Port(refusal)
    assert lower(port) is Latency.NOT_OFFERED
    put_back(port, Latency.LOWERED)
    assert lower(object()) is Latency.NOT_OFFERED  # no such attribute, as on Windows


@pytest.mark.parametrize("wanted", [True, False])
def test_a_port_that_offers_it(open_bus: Make, bench_data: Make, wanted: bool) -> None:
    """A driver that holds replies for 16 ms answers in two when asked, and only then."""
    data = bench_data([], adapter={"latency_ms": 16, "low_latency": True})
    data["adapter"]["latency"] = "low" if wanted else "leave"
    data["sockets"] = [{"name": "S1"}]
    bus = open_bus(data)
    report = check_adapter(bus.adapter, 115_200)
    assert report.latency == (Latency.LOWERED if wanted else Latency.LEFT)
    assert (report.round_trip_median_ms < 3) is wanted
    model = bus.adapter.port.bench.adapter
    bus.adapter._disconnect()
    assert model.latency_ms == 16


def test_the_cure_is_of_this_system(machine: Machine) -> None:
    """One line for each system and port; a link is resolved to the device it names."""
    machine.plug(*CONSTELLATIONS["one of each"])
    link = machine.port("ttyUSB0").links[0]
    refused = Latency.NOT_OFFERED
    assert "/ttyUSB0/latency_timer" in cure(link, refused, "linux")
    assert "another" not in cure(link, refused, "linux")
    assert "adapter" in cure(machine.port("ttyUSB2").device, refused, "linux")
    assert "Device Manager" in cure("COM3", refused, "win32")
    assert "adapter" in cure("/dev/cu.usbserial-1", refused, "darwin")
    assert "machine" in cure("rfc2217://host:4000", refused, "linux")
    assert "latency: leave" in cure(link, Latency.LEFT, "linux")


def test_notes_at_the_start(run_plan: Make, bench_data: Make, new_device: Make) -> None:
    """An unknown chip and slow replies are told before the first step, in figures; a good one not."""
    devices = [new_device(0x28, n) for n in (1, 2)]
    plan = [{"reset": {"times": 10}}, {"repeat": {"times": 3, "steps": [{"verify": {}}]}}]  # fmt: skip
    slow = run_plan(plan, bench_data(devices, adapter={"latency_ms": 16}, kind="auto"))
    notes = [e for e in slow.events if e.get("about") == "adapter"]
    assert [e["event"] for e in notes] == ["note", "note"]
    assert "chip is not known" in notes[0]["text"]
    # 10 resets, 3 times 2 round trips for 2 devices, at 16 instead of 1 ms
    assert "(22 round trips)" in notes[1]["text"]
    assert "at least 0.3 s" in notes[1]["text"]
    good = run_plan(plan, bench_data(devices))
    assert not [e for e in good.events if e.get("about") == "adapter"]


@pytest.mark.parametrize(("latency_ms", "is_told"), [(2, False), (5, True)])
def test_which_replies_are_slow(
    run_plan: Make, bench_data: Make, new_device: Make, latency_ms: int, is_told: bool
) -> None:
    """Three frames of full-speed USB, 1 ms each (USB 2.0, 5.2.3), are not; a timer of 5 ms is."""
    data = bench_data([new_device(0x28, 1)], adapter={"latency_ms": latency_ms})
    events = run_plan([{"verify": {}}], data).events
    notes = [e["text"] for e in events if e.get("about") == "adapter"]
    assert any("holds replies back" in note for note in notes) is is_told


def test_reopened_by_what_it_was(machine: Machine, rigged: Make) -> None:
    """After a replug in another order an adapter opens its own port, under its new name."""
    opened: list[str] = []
    _, port = rigged()

    def open_port(url: str, _baud: int) -> object:
        opened.append(url)
        return port

    one, other = CONSTELLATIONS["two equal serial numbers"]
    machine.plug(one, other)
    adapter = Adapter(machine.name_of(one), opener=open_port)
    with adapter.open():
        assert adapter.grid.kind == "rate-table"
        machine.plug(
            type(one)(**{**vars(one), "device": other.device}),
            type(one)(**{**vars(other), "device": one.device}),
        )
        adapter.reopen()
    assert opened == [machine.name_of(one), machine.name_of(other)]


@pytest.mark.parametrize(
    ("flags", "latency"),
    [
        (0x2000, Latency.WAS_LOW),
        (0x2040, Latency.WAS_LOW),
        (0xDFFF, Latency.LOWERED),
        (0, Latency.LOWERED),
    ],
)
def test_somebody_asked_before(
    monkeypatch: pytest.MonkeyPatch, flags: int, latency: Latency
) -> None:
    """Bit 13 of the fifth number: ASYNC_LOW_LATENCY of struct serial_struct.

    Source: linux/serial.h (type, line, port, irq, flags) and tty_flags.h of the kernel.
    """
    number = pytest.importorskip("termios").TIOCGSERIAL

    def ioctl(handle: int, request: int, state: Any) -> int:  # noqa: ANN401
        assert (handle, request) == (7, number)
        state[:5] = array.array("i", [0x2000, 0, 0x2000, 0x2000, flags])
        state[5] = 0x2000
        return 0

    monkeypatch.setattr(latency_module, "fcntl", SimpleNamespace(ioctl=ioctl))
    port = Port()
    port.fd = 7  # type: ignore[attr-defined]
    assert lower(port) is latency
    assert port.asked == ([True] if latency is Latency.LOWERED else [])


def test_a_port_that_does_not_tell(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the system refuses to say, the wish is made all the same."""
    pytest.importorskip("termios")

    def ioctl(*_: object) -> int:
        raise OSError(25, "no such call")

    monkeypatch.setattr(latency_module, "fcntl", SimpleNamespace(ioctl=ioctl))
    port = Port()
    port.fd = 7  # type: ignore[attr-defined]
    assert lower(port) is Latency.LOWERED


def test_the_cure_of_a_simulated_port() -> None:
    """Its latency is a setting of the fixture."""
    assert "latency_ms" in cure("sim://bench.yaml", Latency.NOT_OFFERED, "linux")
    assert "hub" in cure("/dev/ttyACM7", Latency.NOT_OFFERED, "linux")
