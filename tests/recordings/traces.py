"""Recordings for tests: the real ones, and ones made here from lists of lows."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path

from harness.recordings.reading.opening import open_recording
from harness.recordings.record.quantity import JudgedQuantity
from harness.recordings.trace import RecordingTracer
from harness.recordings.trace_record import TraceRecord

DATA = Path(__file__).parent / "data"


def traced(path: Path, channel: str = "") -> TraceRecord:
    """The whole way from file to verdict."""
    return RecordingTracer(open_recording(path, channel=channel)).run()


def quantity(
    trace: TraceRecord, name: str, *, overdrive: bool = False
) -> JudgedQuantity:
    """One judged quantity by name and speed."""
    for judged in trace.quantities:
        if judged.row.name == name and judged.row.overdrive == overdrive:
            return judged
    raise AssertionError(f"no {name} among {[q.row.name for q in trace.quantities]}")


class LineMaker:
    """A line in ticks of 0.1 us, written low by low.

    Standard slots take 70 us, overdrive ones 10 us.
    """

    def __init__(self, start_us: float = 1000) -> None:
        self.now = start_us
        self.lows: list[tuple[float, float]] = []
        self.fast = False

    def low(self, length_us: float, then_high_us: float) -> None:
        self.lows.append((self.now, self.now + length_us))
        self.now += length_us + then_high_us

    def wait(self, high_us: float) -> None:
        self.now += high_us

    def reset(self, *, fast: bool = False, presence: bool = True) -> None:
        self.fast = fast
        low, wait, answer = (60, 3, 10) if fast else (500, 30, 120)
        self.low(low, wait)
        if presence:
            self.low(answer, 0)
        self.wait(60 if fast else 480)

    def bits(self, bits: Iterable[int], *, held_us: float = 0) -> None:
        """Slots; a zero lasts ``held_us`` where a device holds it."""
        slot, one, zero = (10, 1.5, 8) if self.fast else (70, 6, 62)
        for bit in bits:
            length = one if bit else held_us or zero
            self.low(length, slot - length)

    def send(self, *data: int, held_us: float = 0) -> None:
        for byte in data:
            self.bits((byte >> n & 1 for n in range(8)), held_us=held_us)

    def search(self, rom: bytes, *, held_us: float = 30, bits: int = 64) -> None:
        """A search that finds one device alone, or its first bits."""
        self.send(0xF0)
        for place in range(bits):
            bit = rom[place // 8] >> place % 8 & 1
            self.bits((bit,), held_us=held_us)
            self.bits((1 - bit,), held_us=held_us)
            self.bits((bit,))


def write_vcd(
    path: Path,
    lows: Sequence[tuple[float, float]],
    *,
    end_us: float | None = None,
    step_us: float = 0.1,
) -> Path:
    """Lows as a VCD in ticks of 100 ns, sampled every ``step_us``."""

    def tick(at_us: float) -> int:
        return round(round(at_us / step_us) * step_us * 10)

    text = [
        "$timescale 100 ns $end\n$scope module top $end\n"
        "$var wire 1 ! data $end\n$upscope $end\n$enddefinitions $end\n#0\n1!\n"
    ]
    for start, end in lows:
        text.append(f"#{tick(start)}\n0!\n#{tick(end)}\n1!\n")
    if end_us is not None:
        text.append(f"#{tick(end_us)}\n")
    path.write_text("".join(text))
    return path
