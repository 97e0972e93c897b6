"""Benches with faults of adapter and host, and with others who speak. All invented."""

from __future__ import annotations

from random import Random

from tests.diagnosis.benches import Bench, bench, probes


def f28(r: Random) -> Bench:
    """A part left in fast mode that a reset of the adapter is too short for."""
    part = {
        "family": 0x2D,
        "serial": r.randrange(1, 1 << 24),
        "time_base": {"reset_min_us": 476},
    }
    return bench(
        r,
        {"kind": "left-in-overdrive", "device": "S1"},
        devices=[part, *probes(r, 2)],
        adapter={"error_ppm": 95_000},
    )


def f28_late_resetter(r: Random) -> Bench:
    """The same with a sound adapter: the part wants a longer reset than most give."""
    part = {
        "family": 0x2D,
        "serial": r.randrange(1, 1 << 24),
        "time_base": {"reset_min_us": r.uniform(560, 640)},
    }
    return bench(
        r,
        {"kind": "left-in-overdrive", "device": "S1"},
        devices=[part, *probes(r, 2)],
    )


def f29(r: Random) -> Bench:
    """Replies held back by the latency timer."""
    return bench(r, adapter={"latency_ms": r.choice([8, 10, 16])})


def f29_late_host(r: Random) -> Bench:
    """Some packets come late: the host has other things to do."""
    fault = {"kind": "latency-jitter", "extra_ms": r.uniform(50, 100)}
    return bench(r, fault | {"probability": r.uniform(0.03, 0.06)})


def f30a(r: Random) -> Bench:
    """The receive line is open."""
    return bench(r, {"kind": "adapter-no-echo"})


def f30b(r: Random) -> Bench:
    """The receive line is inverted."""
    return bench(r, {"kind": "receiver-inverted"})


def f30c(r: Random) -> Bench:
    """A push-pull output, on a fixture that can switch its supply."""
    return bench(r, {"kind": "push-pull-output", "high_ohm": r.choice([30, 50, 80])})


def f30d(r: Random) -> Bench:
    """Each received character is sent out again."""
    return bench(r, {"kind": "doubled-echo", "after_ms": r.uniform(1, 4)})


def f30_escaped(r: Random) -> Bench:
    """A terminal layer escapes FFh, as with marks for framing errors."""
    return bench(r, {"kind": "terminal-layer", "habit": "double-ff"})


def f31a(r: Random) -> Bench:
    """The driver falls back to 9600 baud."""
    return bench(
        r,
        {
            "kind": "wrong-baud",
            "above_baud": 57_600,
            "made_baud": r.choice([9600, 19_200]),
        },
    )


def f31b(r: Random) -> Bench:
    """Several per cent off."""
    percent = r.choice([-9, -7, 6, 9])
    return bench(r, {"kind": "wrong-baud", "error_percent": percent})


def f32(r: Random) -> Bench:
    """A receive buffer that overruns in long bursts."""
    return bench(
        r,
        {
            "kind": "buffer-overrun",
            "buffer_bytes": r.choice([96, 128]),
            "stall_ms": 12.3,
            "mean_gap_ms": 25,
        },
    )


def f33(r: Random) -> Bench:
    """The adapter is gone for a while."""
    return bench(
        r,
        {
            "kind": "adapter-unplugged",
            "at_s": r.uniform(0.5, 4),
            "for_s": r.uniform(1, 3),
        },
    )


def f33_blink(r: Random) -> Bench:
    """A handshake line feeds the bus and lets go for a moment at each opening."""
    return bench(r, {"kind": "power-blink", "blink_ms": r.uniform(20, 80)})


def f34_stretched(r: Random) -> Bench:
    """A part whose interrupt is pending holds each reset low for longer."""
    low_us = r.uniform(1200, 3800)
    return bench(r, {"kind": "stretched-reset", "device": "S1", "low_us": low_us})


def f34_signals(r: Random) -> Bench:
    """A part pulls the idle line once, presence of all follows."""
    fault = {"kind": "signalling-part", "low_us": r.uniform(1000, 4800)}
    return bench(r, fault | {"at_s": r.uniform(2.5, 4), "period_s": 1000})


def f34(r: Random) -> Bench:
    """Another master, not synchronised."""
    return bench(
        r,
        {
            "kind": "other-master",
            "period_s": r.uniform(4, 8),
            "at_s": r.uniform(0.1, 3),
            "reset_us": 500,
            "slots": r.choice([64, 72]),
        },
    )
