"""Changes to sound evidence of adapter and line, each beside what its rule must say."""

from __future__ import annotations

from dataclasses import replace

from harness.diagnosis.evidence.bus import (
    AdapterFacts,
    IdleFacts,
)
from harness.diagnosis.evidence.probed import ProbeNote
from harness.diagnosis.finding import Cause, Confidence
from tests.diagnosis.sound import (
    ADAPTER,
    LATE,
    LINE,
    NOTHING,
    OTHER,
    RESETS,
    Speaks,
    echoes,
    nobody,
    probe,
    scans,
)

SPEAKS_LINE: Speaks = {
    "lost": ({"lost": 1}, Cause.ADAPTER, "lost", Confidence.CERTAIN),
    "inverted": (
        {"adapter": replace(ADAPTER, ones=echoes(x00=60), slow_ones=echoes(4, x00=4))},
        Cause.ADAPTER,
        "inverted",
        Confidence.CERTAIN,
    ),
    "doubled echo": (
        {
            "adapter": replace(
                ADAPTER,
                quiet_ones=replace(ADAPTER.quiet_ones, extra=12, followed=9),
                zeros=replace(ADAPTER.zeros, extra=11, followed=10),
            )
        },
        Cause.HOST,
        "doubled-echo",
        Confidence.CERTAIN,
    ),
    "escaped characters": (
        {
            "adapter": replace(
                ADAPTER, quiet_ones=replace(ADAPTER.quiet_ones, extra=10, followed=10)
            )
        },
        Cause.HOST,
        "terminal-layer",
        Confidence.CERTAIN,
    ),
    "supply blinks": (
        {
            "devices": (
                probe(openings=2, lost_at_openings=2),
                probe(OTHER, openings=2, lost_at_openings=2),
            )
        },
        Cause.ADAPTER,
        "supply-blinks",
        Confidence.CERTAIN,
    ),
    "stretched reset": (
        {
            "resets": tuple(
                replace(r, echoes=replace(echoes(20, x00=20), extra=20, followed=20))
                for r in RESETS
            )
        },
        Cause.DEVICE,
        "stretches-reset",
        Confidence.LIKELY,
    ),
    "wrong rate": (
        {"adapter": replace(ADAPTER, measured_baud=125_500.0)},
        Cause.ADAPTER,
        "wrong-rate",
        Confidence.UNDECIDED,
    ),
    "drops": (
        {
            "adapter": replace(
                ADAPTER, bursts={512: (3, 8), 256: (8, 8)}, burst_missing=70
            )
        },
        Cause.ADAPTER,
        "drops",
        Confidence.UNDECIDED,
    ),
    "latency": (
        {"adapter": replace(ADAPTER, round_trip_ms=(16.0, 16.1, 17.0))},
        Cause.ADAPTER,
        "latency",
        Confidence.CERTAIN,
    ),
    "late host": (
        {"adapter": replace(ADAPTER, round_trip_ms=(1.0, 1.2, 31.0))},
        Cause.HOST,
        "late-now-and-then",
        Confidence.UNDECIDED,
    ),
    "push-pull": (
        {"adapter": replace(ADAPTER, echo_without_supply="FF")},
        Cause.ADAPTER,
        "push-pull",
        Confidence.UNDECIDED,
    ),
    "silent": (
        {
            "adapter": AdapterFacts(ones=NOTHING, slow_ones=NOTHING, zeros=NOTHING),
            "resets": (),
            "line": None,
            "scans": None,
            "devices": (),
        },
        Cause.UNDECIDED,
        "silent",
        Confidence.UNDECIDED,
    ),
    "fell low": (
        {
            "adapter": AdapterFacts(ones=NOTHING, slow_ones=NOTHING, zeros=NOTHING),
            "seen_low": True,
            "resets": (),
            "line": None,
            "scans": None,
            "devices": (),
        },
        Cause.BUS_WIRING,
        "stuck-low",
        Confidence.LIKELY,
    ),
    "stuck low": (
        {
            "resets": tuple(replace(r, echoes=NOTHING) for r in RESETS),
            "line": None,
            "scans": None,
            "devices": (),
        },
        Cause.BUS_WIRING,
        "stuck-low",
        Confidence.LIKELY,
    ),
    "second master": (
        {
            "idle": IdleFacts(
                for_s=25.0,
                arrivals=((2.0, 73), (9.3, 73), (16.6, 73), (23.9, 73)),
                values={"00": 4, "FF": 288},
            )
        },
        Cause.BUS_WIRING,
        "second-master",
        Confidence.CERTAIN,
    ),
    "second master, heard from the middle of a burst on": (
        {
            "idle": IdleFacts(
                for_s=25.0,
                arrivals=((0.05, 20), (7.35, 73), (14.65, 73), (21.95, 73)),
                values={"00": 3, "FF": 236},
            )
        },
        Cause.BUS_WIRING,
        "second-master",
        Confidence.CERTAIN,
    ),
    "idle spikes": (
        {
            "idle": IdleFacts(
                for_s=15.0, arrivals=((2.0, 3), (4.1, 1)), values={"FF": 4}
            )
        },
        Cause.NOISE,
        "idle-spikes",
        Confidence.CERTAIN,
    ),
    "comes and goes": (
        {
            "idle": IdleFacts(
                for_s=15.0,
                arrivals=((2.0, 1), (4.1, 1), (7.0, 1)),
                values={"00": 3},
            )
        },
        Cause.DEVICE,
        "comes-and-goes",
        Confidence.UNDECIDED,
    ),
    "slow edge": (
        {
            "line": replace(
                LINE,
                ones=echoes(1000, xFE=1000),
                rise_us=(6.5, 8.7),
                crossing_us=23.5,
            )
        },
        Cause.BUS_WIRING,
        "slow-edge",
        Confidence.CERTAIN,
    ),
    "weak pull-up": (
        {
            "line": replace(
                LINE,
                ones=echoes(1000, x80=1000),
                rise_us=(56.0, 65.0),
                crossing_us=119.0,
            )
        },
        Cause.BUS_WIRING,
        "pull-up",
        Confidence.CERTAIN,
    ),
    "late presence": (
        {"resets": LATE},
        Cause.DEVICE,
        "late-presence",
        Confidence.LIKELY,
    ),
    "none of several": (nobody(3), Cause.BUS_WIRING, "low-level", Confidence.LIKELY),
    "the only one": (nobody(1), Cause.UNDECIDED, "nobody", Confidence.UNDECIDED),
    "fast mode, presence inside the character": (
        {
            "adapter": replace(
                ADAPTER, fast_resets=echoes(10, x40=9, xC0=1), zeros=echoes(10, x00=10)
            ),
        },
        Cause.CONFIGURATION,
        "left-in-fast-mode",
        Confidence.UNDECIDED,
    ),
    "wall clock set": (
        {"clock_step_s": -3600.0},
        Cause.HOST,
        "clock-step",
        Confidence.CERTAIN,
    ),
    "a burst comes and singles do not": (
        {
            "adapter": replace(
                ADAPTER, ones=NOTHING, slow_ones=NOTHING, bursts={512: (1, 1)}
            )
        },
        Cause.ADAPTER,
        "holds-short-writes",
        Confidence.LIKELY,
    ),
    "pulled meanwhile": (
        {"pulls": (24.0,), "probes": (ProbeNote(name="x", did="y", took_s=30.0),)},
        Cause.DEVICE,
        "signals",
        Confidence.UNDECIDED,
    ),
    "fast mode": (
        {
            "line": replace(LINE, answers_in_zeros=250, answers_after_long_reset=0),
            "adapter": replace(
                ADAPTER, zeros=replace(ADAPTER.zeros, extra=10, followed=10)
            ),
        },
        Cause.CONFIGURATION,
        "left-in-fast-mode",
        Confidence.CERTAIN,
    ),
    "low in search": (
        scans(whole=0, found={}, first=(), last=(), troubles={"line-shorted": 3}),
        Cause.BUS_WIRING,
        "low-in-search",
        Confidence.LIKELY,
    ),
    "zero ROM": (
        scans(rejected={"0" * 16: 3}),
        Cause.DEVICE,
        "zero-rom",
        Confidence.CERTAIN,
    ),
    "impossible ROM": (
        scans(rejected={"1F0000008DBE4428": 3}),
        Cause.DEVICE,
        "rom-code",
        Confidence.CERTAIN,
    ),
    "terminal layer": (
        {
            "adapter": replace(
                ADAPTER, characters={"0D": {"0A": 4}, "0F": {"0F": 4}, "FF": {"FF": 4}}
            )
        },
        Cause.HOST,
        "terminal-layer",
        Confidence.CERTAIN,
    ),
    "packet boundary": (
        {
            "adapter": replace(
                ADAPTER,
                bursts={512: (0, 8), 16: (8, 8)},
                burst_missing=4096,
                boundaries={63: (3, 3), 64: (0, 3), 65: (3, 3), 128: (0, 3)},
            )
        },
        Cause.ADAPTER,
        "packet-boundary",
        Confidence.CERTAIN,
    ),
    "long presence": (
        {"resets": tuple(replace(r, echoes=echoes(20, x00=20)) for r in RESETS)},
        Cause.DEVICE,
        "long-presence",
        Confidence.CERTAIN,
    ),
    "presence only": (
        {
            "devices": (probe(verified=0), probe(OTHER, verified=0)),
            **scans(found={}, first=(), last=()),
        },
        Cause.UNDECIDED,
        "presence-only",
        Confidence.UNDECIDED,
    ),
}
