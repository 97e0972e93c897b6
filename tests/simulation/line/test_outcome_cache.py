"""Known outcomes must be what the exact engine would do."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.simulation.servers.bench import Bench
from harness.simulation.servers.port import SimulatedPort
from harness.simulation.settings.bench import bench_settings
from harness.wire.romcode import RomCode

BYTES = st.sampled_from([0xFF, 0x00, 0x80, 0xC0, 0xFE, 0xF8, 0xF0, 0xA5, 0x0F])
BAUDS = st.sampled_from([142_857, 115_200, 100_000, 7200, 9600, 57_600, 1_000_000])
OVERDRIVE_BAUDS = st.sampled_from([1_000_000, 800_000])
PAUSES_S = st.sampled_from([0.0, 0.0, 0.0005, 0.3, 0.7])
COMMANDS = st.sampled_from(
    [b"\xcc\x44", b"\xcc\xbe", b"\xf0", b"\xec", b"\x33", b"\xcc\xb4", b"\xcc\x4e\x01"]
)


@st.composite
def bursts(draw: st.DrawFn) -> list[tuple[int, bytes, float]]:
    """Traffic that means something, mixed with traffic that does not."""
    steps: list[tuple[int, bytes, float]] = []
    for _ in range(draw(st.integers(1, 5))):
        steps.append((7200, b"\xf8", 0.0))
        command = draw(COMMANDS)
        frames = bytes(
            0xFF if byte >> place & 1 else 0x00
            for byte in command
            for place in range(8)
        )
        steps.append(
            (142_857, frames + b"\xff" * draw(st.integers(0, 30)), draw(PAUSES_S))
        )
        if draw(st.booleans()):
            junk = bytes(draw(st.lists(BYTES, min_size=1, max_size=12)))
            steps.append((draw(BAUDS), junk, 0.0))
        if draw(st.booleans()):
            steps += _into_overdrive(draw)
    return steps


def _slots(data: bytes, zero: int) -> bytes:
    return bytes(
        0xFF if byte >> place & 1 else zero for byte in data for place in range(8)
    )


def _into_overdrive(draw: st.DrawFn) -> list[tuple[int, bytes, float]]:
    """A command for overdrive, then traffic there, with resets that should not be."""
    steps = [(7200, b"\xf8", 0.0)]
    baud = draw(OVERDRIVE_BAUDS)
    if draw(st.booleans()):
        rom = RomCode.build(draw(st.sampled_from([0x2D, 0x0C])), 3)
        steps += [(142_857, _slots(b"\x69", 0x00), 0.0)]
        steps += [(baud, _slots(rom.wire, 0x80), 0.0)]
    else:
        steps += [(142_857, _slots(b"\x3c", 0x00), 0.0)]
    for _ in range(draw(st.integers(1, 3))):
        # 57600: a reset that keeps overdrive; 30000: one that is none of the two
        steps += [(draw(st.sampled_from([57_600, 57_600, 30_000])), b"\xf8", 0.0)]
        command = draw(st.sampled_from([b"\xf0", b"\x33", b"\xcc\xf0\x00\x00"]))
        reads = b"\xff" * draw(st.integers(0, 40))
        steps += [(baud, _slots(command, 0x80) + reads, draw(PAUSES_S))]
    return steps


@st.composite
def fixtures(draw: st.DrawFn) -> dict[str, Any]:
    """One to four devices on lines that are well, or not so well."""
    devices = [
        {
            "family": draw(st.sampled_from([0x28, 0x10, 0x01, 0x2D, 0x0C])),
            "serial": 17 * index + 3,
            "supply": draw(st.sampled_from(["external", "external", "parasite"])),
        }
        for index in range(draw(st.integers(1, 4)))
    ]
    return {
        "line": {
            "pull_up_ohm": draw(st.sampled_from([1000, 2200, 4700])),
            "cable_m": draw(st.sampled_from([1, 20, 60])),
        },
        "simulation": {"seed": draw(st.integers(0, 1000)), "devices": devices},
    }


def _play(
    fixture: dict[str, Any],
    steps: list[tuple[int, bytes, float]],
    *,
    shortcuts: bool,
    line: Path | None = None,
) -> list[Any]:
    bench = Bench(bench_settings(fixture))
    bench.core.shortcuts_allowed = shortcuts
    if line is not None:
        bench.record_line(line)
    port = SimulatedPort.for_bench(bench, timeout_s=0.5)
    course: list[Any] = []
    for baud, frames, pause_s in steps:
        port.baudrate = baud
        port.write(frames)
        echo = port.read(len(frames) + 3)
        port.clock.sleep(pause_s)
        pads = [getattr(s.device, "scratchpad", b"") for s in bench.stations]
        course.append(
            (
                echo,
                port.clock.now_us,
                bench.core.now_us,
                [bytes(pad) for pad in pads],
                [s.pin.phase for s in bench.stations],
                [(s.pin.is_fast, s.device.fast) for s in bench.stations],
                [s.device.level() for s in bench.stations],
            )
        )
    if line is not None:
        port.close()
    return course


@pytest.mark.slow
@settings(max_examples=60, deadline=None)
@given(fixture=fixtures(), steps=bursts())
def test_known_outcomes_and_exact_engine_agree(
    fixture: dict[str, Any], steps: list[tuple[int, bytes, float]]
) -> None:
    """Echoes, times and device states are the same with and without shortcuts."""
    assert _play(fixture, steps, shortcuts=True) == _play(
        fixture, steps, shortcuts=False
    )


@settings(max_examples=12, deadline=None)
@given(fixture=fixtures(), steps=bursts())
def test_the_recorded_line_is_the_same_without_known_outcomes(
    tmp_path_factory: pytest.TempPathFactory,
    fixture: dict[str, Any],
    steps: list[tuple[int, bytes, float]],
) -> None:
    """Byte by byte the same file, known outcomes or not; the traffic comes twice."""
    folder = tmp_path_factory.mktemp("line")
    known, exact = folder / "known.vcd", folder / "exact.vcd"
    course = _play(fixture, steps + steps, shortcuts=True, line=known)
    assert course == _play(fixture, steps + steps, shortcuts=False, line=exact)
    assert known.read_bytes() == exact.read_bytes()
    assert known.stat().st_size > 2_000


@pytest.mark.parametrize("others", [(), (0x28, 0x01, 0x28)])
def test_overdrive_traffic_is_looked_up(others: tuple[int, ...]) -> None:
    """A search in overdrive runs without the exact engine once its slots are known.

    Devices that stayed at standard speed wait for a reset and do not slow it down.
    """
    devices = [
        {"family": family, "serial": place}
        for place, family in enumerate((0x2D, 0x0C, *others))
    ]
    bench = Bench(bench_settings({"simulation": {"devices": devices}}))
    port = SimulatedPort.for_bench(bench)

    def search_bits() -> bytes:
        echoes = b""
        for baud, frames in (
            (7200, b"\xf8"),
            (142_857, _slots(b"\x3c", 0x00)),
            (57_600, b"\xf8"),
            (1_000_000, _slots(b"\xf0", 0x80) + b"\xff\xff\x80" * 20),
        ):
            port.baudrate = baud
            port.write(frames)
            echoes = port.read(len(frames))
        return echoes

    search_bits()
    first = search_bits()  # from here on every round begins in overdrive
    before = bench.core.worked_out
    assert search_bits() == first
    assert bench.core.worked_out == before


def test_second_burst_is_looked_up() -> None:
    """A burst seen before runs without the exact engine."""
    fixture = {"simulation": {"devices": [{"family": 0x28}]}}
    bench = Bench(bench_settings(fixture))
    port = SimulatedPort.for_bench(bench)
    port.baudrate = 142_857
    port.write(b"\xff\x00" * 30)
    port.read(60)
    before = bench.core.worked_out
    port.write(b"\xff\x00" * 30)
    assert port.read(60) == b"\xff\x00" * 30
    assert bench.core.worked_out == before
