"""Plays the host's lows of a recording to simulated devices, and decodes what comes.

Nothing of the driver takes part: the lows are those that a real host made, the devices
are the models, and the line between them is the simulated one. Where a real device held
the line, the host's own low is not seen: then the median of its read lows is played.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from statistics import median
from typing import Any

import numpy as np

from harness.recordings.decoding.lows import Lows
from harness.recordings.decoding.sides import SlotSide
from harness.recordings.decoding.slots import DecodedLows, LowKind, SlotDecoder
from harness.recordings.decoding.transactions import TransactionReader
from harness.recordings.reading.opening import open_recording
from harness.recordings.trace import RecordingTracer
from harness.simulation.line.core import Core
from harness.simulation.settings.bench import bench_settings

LEVEL_V = 2.5
"""Half of the supply: the simulated line falls and rises through it within 0.5 us."""

_WARM_UP_US = 5_000


@dataclass(frozen=True, slots=True)
class HostLow:
    """One low of the host, in us of the recording."""

    start_us: float
    end_us: float


@dataclass(frozen=True, slots=True)
class Recorded:
    """A recording taken apart.

    Attributes:
        decoded: its lows.
        sides: who held each.
        tick_us: of its times.
    """

    decoded: DecodedLows
    sides: np.ndarray[Any, Any]
    tick_us: float

    def lengths(self, kind: LowKind, side: SlotSide, bit: int) -> list[float]:
        """Lengths in us of slots of a side and value."""
        d = self.decoded
        chosen = (d.kinds == kind) & (self.sides == side) & (d.bits == bit)
        ticks = (d.lows.ends - d.lows.starts)[chosen]
        return [float(t) * self.tick_us for t in ticks]

    def bits(self) -> list[int]:
        """The bit of each slot, in order."""
        d = self.decoded
        return [int(b) for b in d.bits[d.kinds == LowKind.SLOT]]


class _Keeping(RecordingTracer):
    """A tracer that keeps what it decodes, with the sides that transactions give."""

    def __init__(self, *args: Any, **more: Any) -> None:  # noqa: ANN401
        super().__init__(*args, **more)
        self.kept: list[tuple[DecodedLows, np.ndarray[Any, Any]]] = []
        feed = self._meter.feed

        def keep(
            decoded: DecodedLows, sides: np.ndarray[Any, Any], step_us: float
        ) -> np.ndarray[Any, Any]:
            self.kept.append((decoded, sides.copy()))
            return feed(decoded, sides, step_us)

        self._meter.feed = keep  # type: ignore[method-assign]


def recorded(path: Path, families: Sequence[int] = ()) -> Recorded:
    """A recording as lows with who held each.

    Args:
        path: the file.
        families: family codes that are known to be on its bus.
    """
    source = open_recording(path)
    tracer = _Keeping(source)
    tracer._reader = TransactionReader(tuple(families))
    tracer.run()
    parts = tracer.kept
    lows = Lows.joined(*(d.lows for d, _ in parts))
    offsets = np.cumsum([0, *(len(d.lows) for d, _ in parts)])
    decoded = DecodedLows(
        lows=lows,
        kinds=np.concatenate([d.kinds for d, _ in parts]),
        overdrive=np.concatenate([d.overdrive for d, _ in parts]),
        bits=np.concatenate([d.bits for d, _ in parts]),
        unclear=np.concatenate([d.unclear for d, _ in parts]),
        frames=np.concatenate(
            [d.frames + o for (d, _), o in zip(parts, offsets, strict=False)]
        ),
    )
    return Recorded(decoded, np.concatenate([s for _, s in parts]), source.tick_s * 1e6)


def host_lows(found: Recorded) -> list[HostLow]:
    """What the host alone did to the line."""
    decoded, tick = found.decoded, found.tick_us
    read = found.lengths(LowKind.SLOT, SlotSide.DEVICE, 1) or found.lengths(
        LowKind.SLOT, SlotSide.HOST, 1
    )
    own = median(read)
    lows = []
    for at, kind in enumerate(decoded.kinds):
        if kind == LowKind.PRESENCE:
            continue
        start = float(decoded.lows.starts[at]) * tick
        end = float(decoded.lows.ends[at]) * tick
        held = (
            kind == LowKind.SLOT
            and found.sides[at] == SlotSide.DEVICE
            and decoded.bits[at] == 0
        )
        lows.append(HostLow(start, start + own if held else end))
    return lows


def play(
    lows: Sequence[HostLow], core: Core, *, from_us: float
) -> list[tuple[float, float]]:
    """The line's lows while a host makes these, both in us of the recording.

    Args:
        lows: what the host does.
        core: the bench.
        from_us: bench time that the recording's zero falls on.
    """
    trace = core.record_trace()
    for low in lows:
        core.idle_until(from_us + low.start_us)
        core.wiring.set_break(True)
        core.idle_until(from_us + low.end_us)
        core.wiring.set_break(False)
    core.idle_until(core.now_us + 2_000)
    core.stop_trace()
    return [
        (low.start_us - from_us, low.end_us - from_us) for low in trace.lows(LEVEL_V)
    ]


def bench(*devices: dict[str, Any], **sections: Any) -> Core:  # noqa: ANN401
    """A bench on a short line, its devices powered."""
    simulation = {"devices": list(devices), **sections.pop("simulation", {})}
    core = Core(bench_settings({"simulation": simulation, **sections}))
    core.idle_until(_WARM_UP_US)
    return core


def convert_all(core: Core) -> None:
    """Reset, skip, convert, and 900 ms: what a host did before the recording began."""
    at_us = core.now_us + 1_000
    lows = [HostLow(at_us, at_us + 500)]
    at_us += 1_000
    for byte in (0xCC, 0x44):
        for place in range(8):
            lows.append(HostLow(at_us, at_us + (6 if byte >> place & 1 else 60)))
            at_us += 70
    play(lows, core, from_us=0.0)
    core.idle_until(core.now_us + 900_000)


def measured_times(found: Recorded) -> dict[str, float]:
    """The devices' own times in a recording, in us: medians."""
    decoded, tick = found.decoded, found.tick_us
    presence = np.flatnonzero(decoded.kinds == LowKind.PRESENCE)
    lows = decoded.lows
    wait = np.median(lows.starts[presence] - lows.ends[presence - 1])
    low = np.median(lows.ends[presence] - lows.starts[presence])
    zeros = found.lengths(LowKind.SLOT, SlotSide.DEVICE, 0)
    times = {
        "presence_wait_us": float(wait) * tick,
        "presence_low_us": float(low) * tick,
    }
    return times | ({"read_0_us": median(zeros)} if zeros else {})


def decode(lows: Sequence[tuple[float, float]]) -> DecodedLows:
    """Lows of the line to slots, by the decoder of recordings; a tick is 10 ns."""
    ticks = np.rint(np.array(lows, np.float64) * 100).astype(np.int64)
    found = Lows(
        starts=ticks[:, 0],
        ends=ticks[:, 1],
        flags=np.zeros(len(ticks), np.uint8),
        volts=np.full(len(ticks), np.nan, np.float32),
    )
    decoder = SlotDecoder(0.01)
    parts = [*decoder.feed(found), *decoder.finish()]
    joined = Lows.joined(*(p.lows for p in parts))
    return replace(
        parts[0],
        lows=joined,
        kinds=np.concatenate([p.kinds for p in parts]),
        overdrive=np.concatenate([p.overdrive for p in parts]),
        bits=np.concatenate([p.bits for p in parts]),
        frames=parts[0].frames,
    )
