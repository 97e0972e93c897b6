"""What the driver costs in virtual time, and the simulator in real time, as tables.

Run with ``pytest -m benchmark tests/benchmarks/test_driver_numbers.py -s``.
"""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from resource import RUSAGE_CHILDREN, getrusage
from statistics import median
from time import perf_counter, process_time
from typing import Any

import pytest

from harness.driver.bus import Bus
from harness.driver.search import Enumeration, enumerate_devices, verify
from harness.driver.session import AllDevices, DeviceSession
from harness.families.registry import family_of, quantities
from harness.wire.romcode import RomCode

pytestmark = pytest.mark.benchmark

Make = Callable[..., Any]
"""A fixture that makes something; conftest has the signatures."""

SLOT_US, RESET_US = 65.0, 960.0
"""Fastest published slot (15.4 kbit/s) and shortest reset; source: part DS2431, p. 3."""

LATENCIES_MS = (1, 16)
MOST_ROUND_TRIPS, RATE_CHANGES = 64, 2
"""Of a search: trips a device; changes a reset, which has a rate of its own."""

COUNTS = (1, 8, 100)

WANTED_FIRST_RUN_CPU_S = 5.0
WANTED_TIMES_REAL = 40.0
WANTED_TIMES_BUS = 1.5
"""For the tables only: no verdict hangs on how fast a machine is."""

ROOT = Path(__file__).parents[2]


def limited_s(slots: int, times: int) -> float:
    """What a bus without any host would need: resets and slots alone."""
    return times * (RESET_US + slots * SLOT_US) * 1e-6


@pytest.fixture
def thermometers(
    open_bus: Make, bench_data: Make, new_device: Make
) -> Callable[..., tuple[Bus, list[RomCode]]]:
    """Open a bus with a number of thermometers of scattered serial numbers."""

    def opened(count: int, latency_ms: float) -> tuple[Bus, list[RomCode]]:
        serials = [(n * 2_654_435_761) % (1 << 32) + 1 for n in range(count)]
        devices = [
            new_device(0x28, serial, temperature_degc=20 + n % 80 / 16)
            for n, serial in enumerate(serials)
        ]
        bus = open_bus(bench_data(devices, adapter={"latency_ms": latency_ms}))
        return bus, [RomCode.build(0x28, serial) for serial in serials]

    return opened


def row(what: str, *cells: str) -> None:
    """One line of a table."""
    print(f"  {what:<34}", *(f"{cell:>12}" for cell in cells))  # noqa: T201


def head(title: str, *cells: str) -> None:
    """Title and column heads."""
    print(f"\n{title}")  # noqa: T201
    row("", *cells)


def measured(bus: Bus, action: Callable[[], object]) -> tuple[float, dict[str, int]]:
    """Virtual time and traffic of an action."""
    before, started_s = bus.traffic.as_dict(), bus.clock.now_s()
    action()
    after = bus.traffic.as_dict()
    return bus.clock.now_s() - started_s, {k: after[k] - before[k] for k in after}


def tell(
    what: str, count: int, bus: Bus, action: Callable[[], object], limit_s: float
) -> dict[str, int]:
    """Run an action and print its row."""
    took_s, traffic = measured(bus, action)
    row(
        what,
        f"{took_s:.3f} s",
        f"{limit_s:.3f} s",
        f"{took_s / limit_s:.2f}",
        f"{traffic['bursts'] / count:.1f}",
        f"{traffic['rate_changes'] / count:.1f}",
    )
    return traffic


@pytest.mark.parametrize("latency_ms", LATENCIES_MS)
def test_table_of_virtual_times(thermometers: Make, latency_ms: float) -> None:
    """Enumeration, proof and reading beside the bus-limited time; round trips as promised."""
    head(
        f"adapter latency {latency_ms} ms",
        "took", "bus alone", "times", "trips/dev", "rates/dev",
    )  # fmt: skip
    for count in COUNTS:
        bus, roms = thermometers(count, latency_ms)
        searches: list[Enumeration] = []

        def enumerate_all(bus: Bus = bus, to: list[Enumeration] = searches) -> None:
            to.append(enumerate_devices(bus))

        limit_s = limited_s(200, count)
        traffic = tell(f"enumerate {count} unknown", count, bus, enumerate_all, limit_s)
        search = searches[0]
        assert sorted(search.found) == sorted(roms)
        assert search.passes == count
        assert traffic["bursts"] <= MOST_ROUND_TRIPS * count
        # a reset for each way down, for each that a wrong guess began anew, for READ ROM;
        # what wrong guesses may cost in time is held by test_enumeration_numbers
        resets = count + search.wrong_guesses + 1
        assert traffic["rate_changes"] <= RATE_CHANGES * resets
    bus, roms = thermometers(100, latency_ms)
    traffic = tell(
        "verify 100 known",
        100,
        bus,
        lambda: [verify(bus, rom) for rom in roms],
        limited_s(200, 100),
    )
    assert traffic["bursts"] == 200
    common = family_of(0x28).convert_all
    reread = quantities(0x28)["temperature"].reread
    assert common is not None
    assert reread is not None
    took_s, _ = measured(bus, lambda: common(AllDevices(bus), False))
    row("one common conversion", f"{took_s:.3f} s")
    traffic = tell(
        "read 100 after it",
        100,
        bus,
        lambda: [reread(DeviceSession(bus, rom)) for rom in roms],
        limited_s(8 + 64 + 8 + 72, 100),
    )
    assert traffic["bursts"] == 200  # a reset and one burst each


def test_budget_of_reading_many(thermometers: Make) -> None:
    """Where each millisecond of a match and read of 100 devices goes, at 1 ms of latency.

    Reset and slots want two rates, and a rate changes only while nothing is in flight: two
    changes and two round trips a device are the least that a UART allows.
    """
    bus, roms = thermometers(100, 1)
    truth = bus.adapter.port.bench.settings.adapter

    def read_all() -> None:
        for rom in roms:
            bus.transact(rom, b"\xbe", 9)

    read_all()
    took_s, traffic = measured(bus, read_all)
    slots = traffic["slots"] - traffic["resets"]
    reset_us = 10 * 1e6 / bus.reset_frame.request_baud
    parts_ms = {
        "slots as published": slots * SLOT_US * 1e-3,
        "resets as published": traffic["resets"] * RESET_US * 1e-3,
        "slots, more by this clock grid": slots * (bus.slots.slot_us - SLOT_US) * 1e-3,
        "resets, more by this clock grid": traffic["resets"] * (reset_us - RESET_US) * 1e-3,
        "changes of the rate": traffic["rate_changes"] * truth.baud_change_ms,
        "from write to the first start bit": traffic["bursts"] * truth.out_latency_us * 1e-3,
    }  # fmt: skip
    parts_ms["wait for the latency timer"] = took_s * 1e3 - sum(parts_ms.values())
    limit_s = limited_s(8 + 64 + 8 + 72, 100)
    head("match and read of 100 at 1 ms", "ms/device", "times bus")
    for what, took_ms in parts_ms.items():
        row(what, f"{took_ms / 100:.3f}", f"{took_ms / limit_s * 1e-3:.2f}")
    row(
        "all",
        f"{took_s * 10:.3f}",
        f"{took_s / limit_s:.2f}",
        f"{WANTED_TIMES_BUS} wanted",
    )
    assert slots == 100 * (8 + 64 + 8 + 72)
    assert parts_ms["wait for the latency timer"] > 0


def test_table_of_simulator_speed(thermometers: Make) -> None:
    """A saturated bus with 8 devices, on one core: virtual time by CPU time."""
    bus, roms = thermometers(8, 1)

    def saturate() -> None:
        for _ in range(200):
            for rom in roms:
                bus.transact(rom, b"\xbe", 9)

    saturate()  # every slot was met once
    started_s = process_time()
    took_s, traffic = measured(bus, saturate)
    cpu_s = process_time() - started_s
    slots_s = limited_s(1, 0) + traffic["slots"] * bus.slots.slot_us * 1e-6
    head("simulator, 8 devices", "virtual", "CPU", "times real", "line busy")
    row(
        "match and read, 1600 times",
        f"{took_s:.2f} s",
        f"{cpu_s:.2f} s",
        f"{took_s / cpu_s:.0f}",
        f"{slots_s / took_s:.0%}",
        f"{WANTED_TIMES_REAL:.0f} wanted",
    )
    burst = b"\xff" * 4000
    started_s = process_time()
    took_s, _ = measured(
        bus,
        lambda: [bus.exchange(burst, bus.slots.request_baud) for _ in range(50)],
    )
    cpu_s = process_time() - started_s
    row(
        "read slots without a gap",
        f"{took_s:.2f} s",
        f"{cpu_s:.2f} s",
        f"{took_s / cpu_s:.0f}",
        f"{50 * len(burst) * bus.slots.slot_us * 1e-6 / took_s:.0%}",
    )


def test_table_of_a_night(run_plan: Make, bench_data: Make, new_device: Make) -> None:
    """Eight hours of soak, 8 devices, one reading a minute, rehearsed."""
    devices = [new_device(0x28, 100 + n, temperature_degc=4 + n / 16) for n in range(8)]
    soak = {
        "for_s": 8 * 3600,
        "every_s": 60,
        "family": 0x28,
        "quantity": "temperature",
        "low": 2.0,
        "high": 8.0,
    }
    steps = [{"enumerate": {"count": 8}}, {"soak": soak}]
    started_s = process_time()
    ran = run_plan(steps, bench_data(devices))
    cpu_s = process_time() - started_s
    head("8 h of soak, 8 devices", "CPU", "times real", "exit code")
    row(
        "one reading a minute",
        f"{cpu_s:.1f} s",
        f"{8 * 3600 / cpu_s:.0f}",
        str(ran.code),
    )
    assert ran.code == 0


@pytest.fixture
def command() -> Path:
    """The installed command."""
    path = Path(sys.executable).with_name("slotproof")
    if not path.exists():
        pytest.skip("slotproof is not installed beside this Python")
    return path


def test_table_of_the_first_run(command: Path, tmp_path: Path) -> None:
    """CPU seconds of README's first command; the first of them may compile bytecode."""
    head("README's first command", "user", "system", "wanted")
    for number in range(3):
        before = getrusage(RUSAGE_CHILDREN)
        subprocess.run(
            [command, "run", "test_plans/incoming_thermometers.yaml", "--fixture",
             "fixtures/demo_bench.yaml", "--into", tmp_path / str(number)],
            cwd=ROOT, check=True, capture_output=True,
        )  # fmt: skip
        after = getrusage(RUSAGE_CHILDREN)
        row(
            f"run {number + 1}",
            f"{after.ru_utime - before.ru_utime:.2f} s",
            f"{after.ru_stime - before.ru_stime:.2f} s",
            f"{WANTED_FIRST_RUN_CPU_S:.0f} s",
        )


def test_table_of_start_up(command: Path) -> None:
    """Real time until the help is shown."""
    head("start-up", "median", "best")
    for arguments in (["--help"], ["run", "--help"]):
        times_s = []
        for _ in range(7):
            started_s = perf_counter()
            subprocess.run([command, *arguments], check=True, capture_output=True)
            times_s.append(perf_counter() - started_s)
        row(
            "slotproof " + " ".join(arguments),
            f"{median(times_s):.3f} s",
            f"{min(times_s):.3f} s",
        )
