"""Round trips of an enumeration, for populations that are easy, hard and made to defeat it.

Run with ``pytest -m benchmark tests/benchmarks/test_enumeration_numbers.py -s``.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterable
from itertools import pairwise
from typing import Any

import pytest

from harness.driver.bus import Bus
from harness.driver.search import Enumeration, enumerate_devices
from harness.wire.romcode import RomCode
from tests.logic_bus import LogicBus, PlainSearch, searched

pytestmark = pytest.mark.benchmark

Make = Callable[..., Any]
"""A fixture that makes something; conftest has the signatures."""

BASE = 0xA4B30000


def lot(count: int, spread: int, base: int = BASE) -> list[int]:
    """Serial numbers of one lot, drawn from 2^spread numbers that follow each other."""
    return [base + n for n in random.Random(1).sample(range(1 << spread), count)]


def scattered(count: int, bits: int) -> list[int]:
    """Serial numbers drawn from all of so many bits."""
    return [random.Random(n + 1).getrandbits(bits) for n in range(count)]


def two_lots(count: int) -> list[int]:
    """Half of one lot, half of another."""
    return lot(count // 2, 14) + lot(count // 2, 14, base=0x3_17C4_0000)


POPULATIONS: dict[str, tuple[list[int], float]] = {
    "1 unknown": ([0xA4B3C2D1], 5),
    "100 of one lot, 2^18": (lot(100, 18), 17),
    "100 of one lot, 2^12": (lot(100, 12), 11),
    "100 scattered in 32 bits": (scattered(100, 32), 30),
    "100 scattered in 48 bits": (scattered(100, 48), 48.4),
    "100 of two lots, 2^14": (two_lots(100), 48.4),
    "8 of one lot, 2^18": (lot(8, 18), 53.9),
    "8 scattered in 32 bits": (scattered(8, 32), 53.9),
    "2 scattered in 32 bits": (scattered(2, 32), 60),
}
"""Serial numbers, and the most round trips a device (of the last five: today's and a tenth)."""


def plain_trips(serials: Iterable[int]) -> int:
    """What a search without guesses needs: reset, burst, one each bit below the branch, CRC."""
    codes = sorted(RomCode.build(0x28, serial).bits for serial in serials)
    total = 58
    for one, other in pairwise(codes):
        branch = next(n for n in range(64) if one[n] != other[n])
        total += max(2, 58 - branch - 1)
    return total


def enumerated(
    bench: Callable[[list[int], float], Bus],
    serials: list[int],
    latency_ms: float,
    **known: Any,  # noqa: ANN401 - as the search takes it
) -> tuple[Enumeration, Bus, float]:
    """A search of a new bus: what it found, its traffic, how long it took."""
    roms = [RomCode.build(0x28, serial) for serial in serials]
    bus = bench(serials, latency_ms)
    started_s = bus.clock.now_s()
    result = enumerate_devices(bus, **known)
    assert result.found == sorted(roms, key=lambda rom: rom.bits)
    return result, bus, bus.clock.now_s() - started_s


@pytest.fixture
def bench(
    open_bus: Make, bench_data: Make, new_device: Make
) -> Callable[[list[int], float], Bus]:
    """Open a bus with thermometers of these serial numbers behind a latency."""

    def opened(serials: list[int], latency_ms: float) -> Bus:
        devices = [new_device(0x28, serial) for serial in serials]
        bus: Bus = open_bus(bench_data(devices, adapter={"latency_ms": latency_ms}))
        return bus

    return opened


def row(what: str, *cells: str) -> None:
    """One line of a table."""
    print(f"  {what:<30}", *(f"{cell:>11}" for cell in cells))  # noqa: T201


@pytest.mark.parametrize("latency_ms", [1, 16])
def test_table_of_round_trips(
    bench: Callable[[list[int], float], Bus], latency_ms: float
) -> None:
    """Round trips a device, wrong guesses and time, at most what was promised."""
    print(f"\nadapter latency {latency_ms} ms")  # noqa: T201
    row("", "trips/dev", "at most", "no guesses", "wrong/dev", "took")
    for name, (serials, most) in POPULATIONS.items():
        result, bus, took_s = enumerated(bench, serials, latency_ms)
        count = len(serials)
        each = bus.traffic.bursts / count
        row(
            name,
            f"{each:.1f}",
            f"{most:g}",
            f"{plain_trips(serials) / count:.1f}",
            f"{result.wrong_guesses / count:.2f}",
            f"{took_s:.2f} s",
        )
        assert each <= most
    serials = scattered(100, 32)
    roms = [RomCode.build(0x28, serial) for serial in serials]
    _, bus, took_s = enumerated(bench, serials, latency_ms, expected=roms)
    row("100 known", f"{bus.traffic.bursts / 100:.2f}", "2.3", "", "", f"{took_s:.2f} s")  # fmt: skip
    assert bus.traffic.bursts / 100 <= 2.3


def defeating(choice: random.Random, count: int) -> list[RomCode]:
    """Codes made to be guessed wrongly: alike at the top but for a bit here and there."""
    pattern = choice.choice([0, (1 << 48) - 1, choice.getrandbits(48)])
    codes = {
        RomCode.build(
            0x28,
            (
                pattern
                ^ sum(
                    1 << choice.randrange(48) for _ in range(choice.choice([0, 1, 2]))
                )
            )
            & 0xFFFF_FFFF_FF80
            | choice.getrandbits(7),
        )
        for _ in range(count)
    }
    return sorted(codes)


def changed(choice: random.Random, codes: list[RomCode]) -> list[RomCode]:
    """The same with one bit of one serial number turned."""
    one = choice.choice(codes)
    other = RomCode.build(one.family, one.serial ^ 1 << choice.randrange(48))
    return sorted({*codes, other} - {one})


def overheads(codes: list[RomCode], trip_s: float) -> tuple[float, float]:
    """Round trips and time against a search without guesses."""
    plain, bus = LogicBus(codes, trip_s=trip_s), LogicBus(codes, trip_s=trip_s)
    assert searched(plain, PlainSearch).found == searched(bus).found
    return bus.trips / plain.trips, bus.now_s / plain.now_s


@pytest.mark.parametrize("latency_ms", [1, 16])
def test_table_of_worst_cases(latency_ms: float) -> None:
    """Serial numbers drawn to defeat the guesses, then changed bit by bit for the worse."""
    print(f"\nworst cases at {latency_ms} ms: trips, time against no guesses")  # noqa: T201
    for count in (1, 2, 4, 10, 40):
        choice = random.Random(count)
        worst_trips = worst_s = 0.0
        for _ in range(10):
            codes = defeating(choice, count)
            hardest = max(overheads(codes, (latency_ms + 0.5) * 1e-3))
            for _ in range(10):
                other = changed(choice, codes)
                trips, took = overheads(other, (latency_ms + 0.5) * 1e-3)
                worst_trips, worst_s = max(worst_trips, trips), max(worst_s, took)
                if max(trips, took) > hardest:
                    codes, hardest = other, max(trips, took)
        row(f"{count} devices, 100 populations", f"{worst_trips:.3f}", f"{worst_s:.3f}")
        assert max(worst_trips, worst_s) <= 1.1
