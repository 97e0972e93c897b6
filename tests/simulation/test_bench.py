"""The bench as a whole: names, determinism, punctuality."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import pytest

from harness.simulation.servers.bench import Bench
from harness.simulation.servers.clocks import VirtualClock, WallClock
from harness.simulation.servers.punctuality import Punctuality
from harness.simulation.settings.bench import bench_settings

if TYPE_CHECKING:
    from tests.simulation.conftest import MakeHost


def bench_with(**simulation: object) -> Bench:
    """A bench from its simulation section."""
    return Bench(bench_settings({"simulation": simulation}))


def test_station_is_found_by_socket_and_code() -> None:
    """And nothing else is."""
    bench = bench_with(devices=[{"family": 0x28, "serial": 1, "socket": "A1"}])
    (station,) = bench.stations
    assert bench.station("A1") is station
    assert bench.station(str(station.device.rom)) is station
    with pytest.raises(ValueError, match="no device 'A2'"):
        bench.station("A2")


def test_fault_on_a_missing_code_is_refused() -> None:
    """A well-formed ROM code that is not on the bench."""
    with pytest.raises(ValueError, match="no device"):
        bench_with(faults=[{"kind": "zero-rom", "device": "0" * 16}])


def test_same_seed_same_bench(make_host: MakeHost) -> None:
    """Time bases, readings and noise repeat with the seed, and differ without."""

    def course(seed: int) -> list[Any]:
        host = make_host(
            {"family": 0x28, "noise_degc": 0.5},
            seed=seed,
            faults=[{"kind": "noise-burst", "for_s": 5, "rate_per_s": 100}],
        )
        host.port.timeout = 0.05
        return [host.exchange(b"\xff" * 200, baud=115_200) for _ in range(20)] + [
            station.time_base for station in host.bench.stations
        ]

    assert course(3) == course(3)
    assert course(3) != course(4)


def test_virtual_clock_jumps() -> None:
    """Waiting a day costs nothing; the calendar goes along."""
    start = datetime(2030, 1, 1, tzinfo=UTC)
    clock = VirtualClock(calendar_start=start)
    clock.sleep(86_400)
    clock.sleep(-5)
    assert clock.now_s() == pytest.approx(86_400)
    assert clock.calendar().replace(microsecond=0) == datetime(2030, 1, 2, tzinfo=UTC)


def test_no_sleep_is_short() -> None:
    """Sleeping up to a moment always gets there, as with a real clock."""
    clock = VirtualClock()
    clock.sleep(0.1234567)
    start_s = clock.now_s()
    for round_number in range(1, 2000):
        due_s = start_s + 60.1 * round_number
        clock.sleep(due_s - clock.now_s())
        assert clock.now_s() - start_s >= 60.1 * round_number


def test_wall_clock_goes_on_from_the_bench() -> None:
    """Following real time starts where virtual time stood."""
    bench = bench_with()
    bench.clock.sleep(1000)
    bench.follow_wall_clock()
    assert isinstance(bench.clock, WallClock)
    assert 1000 <= bench.clock.now_s() < 1060


def test_lateness_is_reported_once_per_worst() -> None:
    """Up to the limit nothing is said; then each new worst, and no device is blamed."""
    bench = bench_with()
    said: list[str] = []
    punctuality = Punctuality(bench, said.append)
    for late_s in (0.019, 0.050, 0.040, 0.080):
        bench.clock = VirtualClock()
        bench.clock.sleep(late_s)
        punctuality.check()
    assert ["50 ms" in said[0], "80 ms" in said[1]] == [True, True]
    assert len(said) == 2
    assert "no device is to blame" in said[0]


def test_long_idle_is_cheap(make_host: MakeHost) -> None:
    """A day of virtual time with eight devices needs no work on the line."""
    host = make_host(*[{"family": 0x28}] * 8)
    before = host.bench.core.worked_out
    host.wait(86_400)
    assert host.bench.core.worked_out == before
    assert host.bench.core.now_us == pytest.approx(host.port.clock.now_us)
