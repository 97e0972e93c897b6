"""One suite for every way to a bench: in process, behind a tty, behind RFC 2217."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from itertools import count
from pathlib import Path
from queue import Queue
from threading import Event, Thread
from typing import Any

import pytest

from harness.driver.adapter import Adapter
from harness.driver.bus import Bus
from harness.driver.search import enumerate_devices, verify
from harness.errors import (
    AdapterError,
    AdapterUnplugged,
    CannotSwitch,
    PortAbsent,
    PortBusy,
)
from harness.simulation.servers.bench import Bench
from harness.simulation.settings.bench import bench_settings
from harness.wire.romcode import RomCode

ROMS = [RomCode.build(0x28, 0xA5), RomCode.build(0x01, 0x5A)]

FIXTURE: dict[str, Any] = {
    "adapter": {"kind": "fractional-divider"},
    "line": {"pull_up_ohm": 2200, "cable_m": 1},
    "simulation": {
        "devices": [{"family": r.family, "serial": r.serial} for r in ROMS],
    },
}

RUNS = count(1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Served:
    """A bench that can be opened at an address.

    Attributes:
        url: what the adapter opens.
        locks: True if a second opener is told that the port is busy.
        gone: takes the bench away for good.
    """

    url: str
    locks: bool
    gone: Callable[[], None]


Maker = Callable[[Path], Iterator[Served]]


@contextmanager
def in_process(folder: Path) -> Iterator[Served]:
    """The bench behind ``sim://``."""
    path = folder / "bench.yaml"
    path.write_text(json.dumps(FIXTURE), encoding="utf-8")
    url = f"sim://{path}?run=conformance-{next(RUNS)}"

    def gone() -> None:
        from harness.simulation.servers.bench_registry import benches

        benches.at(url).adapter.unplug()

    yield Served(url=url, locks=True, gone=gone)


@contextmanager
def served_by(serve: Callable[..., None], *, locks: bool) -> Iterator[Served]:
    """A server of ours in a thread, in real time."""
    addresses: Queue[str] = Queue()
    stop = Event()
    bench = Bench(bench_settings(FIXTURE))
    thread = Thread(
        target=partial(serve, bench, announce=addresses.put, stop=stop), daemon=True
    )
    thread.start()

    def gone() -> None:
        stop.set()
        thread.join(timeout=10)

    try:
        yield Served(url=addresses.get(timeout=10), locks=locks, gone=gone)
    finally:
        gone()


@contextmanager
def behind_a_tty(folder: Path) -> Iterator[Served]:
    """A pty of this machine."""
    from harness.simulation.servers.tty import serve_tty

    with served_by(serve_tty, locks=True) as served:
        yield served


@contextmanager
def behind_rfc2217(folder: Path) -> Iterator[Served]:
    """RFC 2217 on loopback; one client at a time, a second one waits."""
    from harness.simulation.servers.rfc2217 import serve_rfc2217

    with served_by(serve_rfc2217, locks=False) as served:
        yield served


@pytest.fixture(
    params=[
        pytest.param(in_process, id="sim"),
        pytest.param(
            behind_a_tty, id="tty", marks=[pytest.mark.slow, pytest.mark.unix]
        ),
        pytest.param(
            behind_rfc2217,
            id="rfc2217",
            marks=[
                pytest.mark.slow,
                # pyserial 3.5 starts its reader by the old spelling
                pytest.mark.filterwarnings(
                    "ignore:set(Daemon|Name):DeprecationWarning"
                ),
            ],
        ),
    ]
)
def served(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Served]:
    """A bench with two devices, reached in each way there is."""
    with request.param(tmp_path) as made:
        yield made


def adapter_at(served: Served) -> Adapter:
    """The adapter that everything here talks through."""
    return Adapter(served.url, kind="fractional-divider")


def test_echoes_rates_and_silence(served: Served) -> None:
    """Bursts of any length come back whole at any rate, and nothing else comes."""
    with adapter_at(served).open() as adapter:
        for baud in (115_200, 142_857, 7_755):
            for length in (0, 1, 62, 63, 300):
                frames = b"\xff" * length
                assert adapter.exchange(frames, baud) == frames
        assert adapter.settle() == b""
        assert adapter.unsolicited == b""


def test_devices_answer(served: Served) -> None:
    """The same population is found, and each device proved, by whatever way."""
    with adapter_at(served).open() as adapter:
        bus = Bus(adapter)
        assert enumerate_devices(bus).found == sorted(ROMS, key=lambda r: r.bits)
        assert all(verify(bus, rom) for rom in ROMS)
        assert not verify(bus, RomCode.build(0x28, 0xA7))


def test_second_opener(served: Served) -> None:
    """A port in use is busy to others of ours, and free again when closed."""
    if not served.locks:
        pytest.skip("a network port has no lock; its server takes one client at a time")
    with adapter_at(served).open() as first:
        with pytest.raises(PortBusy), adapter_at(served).open():
            pass
        assert first.exchange(b"\xff", 115_200) == b"\xff"
    with adapter_at(served).open() as second:
        assert second.exchange(b"\xff", 115_200) == b"\xff"


def test_nothing_to_switch(served: Served) -> None:
    """Without switches in the fixture none is pretended."""
    with adapter_at(served).open() as adapter, pytest.raises(CannotSwitch):
        adapter.switch(strong_pull_up=True)


def test_taken_away_while_open(served: Served) -> None:
    """When the bench goes, the next exchange is an adapter error and closing is quiet."""
    with adapter_at(served).open() as adapter:
        adapter.exchange(b"\xff", 115_200)
        served.gone()
        with pytest.raises(AdapterError) as raised:
            adapter.exchange(b"\xff" * 10, 115_200)
        if served.locks:  # a network server that stops may look merely silent
            assert isinstance(raised.value, AdapterUnplugged)
    with pytest.raises(AdapterUnplugged, match="not open"):
        adapter.exchange(b"\xff", 115_200)


def test_not_there_any_more(served: Served) -> None:
    """A bench that went cannot be opened: the port is absent."""
    served.gone()
    with pytest.raises(PortAbsent), adapter_at(served).open():
        pass
