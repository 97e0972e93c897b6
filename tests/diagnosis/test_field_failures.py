"""Field failures end to end: fault on, right cause first; fault off, no such finding.

The cases F01 to F34 and their verdicts are those of the collection of field failures
(public reports and device documentation, retold). All benches are invented.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from random import Random
from typing import Any

import pytest

from harness.diagnosis.diagnose import Diagnosis, Effort, Examination
from harness.diagnosis.finding import Cause, Sure, Weight
from harness.driver.bus import Bus
from harness.plans.connection import connect
from harness.plans.steps.context import selected
from harness.plans.steps.diagnose_step import expected_of

Bench = dict[str, Any]
Vary = Callable[[Random], Bench]
Make = Callable[..., Any]
"""A fixture that makes something; conftest has the signatures."""

QUICK = Effort(
    listen_s=2.0, resets=8, slots=2000, scans=3, verifies=12, reads=8, rounds=2, alone=2
)


@dataclass(frozen=True, kw_only=True)
class Case:
    """One field failure.

    Attributes:
        vary: a bench with the fault, other numbers each time.
        right: causes and kinds that may stand first.
        measured: words that the first finding's numbers must hold.
        forbidden: kinds that must not be found as faults at all.
        effort: of the examination.
        weight: of the first finding.
        prepare: what the host did before, on the open bus.
        twin: a bench without the fault; the same with no faults unless given.
        names: what an undecided finding must list.
    """

    vary: Vary
    right: tuple[tuple[Cause, str], ...]
    measured: str
    forbidden: tuple[str, ...] = ()
    effort: Effort = QUICK
    weight: Weight = Weight.FAULT
    prepare: Callable[[Bus], None] | None = None
    twin: Vary | None = None
    names: str = ""
    keys: dict[str, Any] = field(default_factory=dict)


def probes(random: Random, count: int | None = None, **more: Any) -> list[Bench]:  # noqa: ANN401
    """Thermometers of an invented maker, all different."""
    count = count or random.randint(3, 5)
    serials = random.sample(range(1, 1 << 24), count)
    return [
        {
            "family": 0x28,
            "serial": serial,
            "temperature_degc": round(random.uniform(2, 30), 2),
            **more,
        }
        for serial in serials
    ]


def line(random: Random, **more: Any) -> Bench:  # noqa: ANN401
    """A line well within what it can bear."""
    return {
        "pull_up_ohm": random.choice([1500, 2200, 3300, 4700]),
        "cable_m": round(random.uniform(1, 6), 1),
        **more,
    }


def bench(
    random: Random,
    *faults: Bench,
    devices: list[Bench] | None = None,
    **more: Any,  # noqa: ANN401
) -> Bench:
    """Keyword arguments of ``bench_data``."""
    return {
        "devices": probes(random) if devices is None else devices,
        "faults": list(faults),
        "line": line(random),
        "seed": random.randrange(1 << 30),
        **more,
    }


def healthy(random: Random) -> Bench:
    """No fault at all: other populations, lines and adapters each time."""
    others = [
        {"family": 0x01, "serial": random.randrange(1, 1 << 24)},
        {"family": 0x2D, "serial": random.randrange(1, 1 << 24)},
    ]
    devices = probes(random, random.randint(1, 5)) + random.sample(
        others, random.randint(0, 2)
    )
    adapter = {
        "error_ppm": random.randint(-2000, 2000),
        "latency_ms": random.choice([1, 2]),
    }
    return bench(random, devices=devices, adapter=adapter)


def f01(r: Random) -> Bench:
    """A dip of the supply lead in each conversion of one probe."""
    when = {"command": 0x44, "wait_ms": r.uniform(50, 400)}
    return bench(
        r,
        {
            "kind": "supply-dip",
            "device": "S1",
            "to_v": 0.0,
            "for_s": r.uniform(0.002, 0.006),
            "when": when,
        },
    )


def f02(r: Random) -> Bench:
    """Supply pins open on bus power, all convert together."""
    devices = probes(
        r,
        4,
        supply="parasite",
        active_ma=0.5,
        starved_result="full-scale",
        starved_share=r.uniform(0.3, 0.6),
    )
    return bench(r, devices=devices, line={"pull_up_ohm": r.choice([1100, 1200, 1300])})


def f03_zeros(r: Random) -> Bench:
    """A wet probe: the line too slow while a block is read."""
    return bench(
        r,
        {
            "kind": "extra-capacitance",
            "extra_nf": r.uniform(15, 20),
            "for_s": 0.008,
            "when": {"command": 0xBE, "wait_ms": 0.085, "chance": r.uniform(0.3, 0.6)},
        },
        line={"pull_up_ohm": 4700},
    )


def f03_ones(r: Random) -> Bench:
    """A ground lead that opens whenever a block is read."""
    return bench(
        r,
        {
            "kind": "device-drops-off",
            "device": "S1",
            "contact": "ground",
            "for_s": r.uniform(0.01, 0.02),
            "when": {"command": 0xBE, "wait_ms": 0.085, "chance": r.uniform(0.3, 0.6)},
        },
    )


def f04(r: Random) -> Bench:
    """A convert command that one device takes for another."""
    return bench(
        r,
        {
            "kind": "damaged-command",
            "device": "S1",
            "command": 0x44,
            "probability": r.uniform(0.5, 0.7),
        },
    )


def f05(r: Random) -> Bench:
    """Clone silicon among originals."""
    clone = {
        "family": 0x28,
        "serial": r.randrange(1 << 40, 1 << 48),
        "conversion_ms": r.uniform(25, 40),
        "silicon": "clone",
    }
    return bench(r, devices=[*probes(r, 2), clone])


def f06(r: Random) -> Bench:
    """The line low from the search command on."""
    return bench(
        r,
        {
            "kind": "extra-capacitance",
            "extra_nf": r.uniform(15, 20),
            "for_s": 0.5,
            "when": {"command": 0xF0, "wait_ms": 0.085},
        },
        line={"pull_up_ohm": 4700},
    )


def f07(r: Random) -> Bench:
    """Single slots turned round at random."""
    return bench(r, {"kind": "bit-flips", "probability": r.uniform(0.002, 0.006)})


def f08(r: Random) -> Bench:
    """A star: dips on the rising edge of one branch."""
    devices = probes(r, 4)
    devices[2] |= {
        "threshold_low_v": 1.9,
        "time_base": {"hold_off_us": 0.1, "min_low_us": 0.2},
    }
    fault = {
        "kind": "branch-dips",
        "device": "S3",
        "dip_v": 1.2,
        "dip_us": 0.8,
        "after_us": 1.1,
        "probability": r.uniform(0.003, 0.02),
    }
    return bench(
        r,
        fault,
        devices=devices,
        line={"pull_up_ohm": 4700, "cable_m": 6},
    )


def f09(r: Random) -> Bench:
    """Two probes with one ROM code and different temperatures."""
    devices = probes(r, 3)
    first, second = devices[:2]
    second["temperature_degc"] = first["temperature_degc"] + r.uniform(0.5, 5)
    return bench(
        r, {"kind": "duplicate-rom", "device": "S2", "original": "S1"}, devices=devices
    )


def f10(r: Random) -> Bench:
    """A surge in the shared ground hides one slot from the devices."""
    return bench(
        r,
        {
            "kind": "ground-lift",
            "side": "adapter",
            "ohm": 1,
            "current_ma": 4000,
            "for_s": 30e-6,
            "when": {"command": 0xBE, "slot": 1, "chance": r.uniform(0.2, 0.5)},
        },
    )


def f11(r: Random) -> Bench:
    """A long cable on a pull-up that was right for a short one."""
    return bench(
        r,
        line={
            "pull_up_ohm": 4700,
            "cable_m": r.uniform(90, 150),
            "cable_pf_per_m": 50,
        },
    )


def f12(r: Random) -> Bench:
    """47 kohm fitted for 4.7 kohm, and nobody there."""
    return bench(
        r,
        {"kind": "weak-pull-up", "pull_up_ohm": r.choice([39_000, 47_000, 56_000])},
        {"kind": "extra-capacitance", "extra_nf": r.uniform(3.5, 4.5)},
        devices=[],
    )


def f12_hot(r: Random) -> Bench:
    """Leakage of many hot parts through one pull-up: the line cannot rise."""
    devices = probes(r, 40)
    for device in devices:
        device["temperature_degc"] = r.uniform(48, 55)
    fault = {
        "kind": "leakage",
        "per_device_ua": 5,
        "at_degc": 25,
        "doubles_every_k": 10,
    }
    return bench(r, fault, devices=devices, line={"pull_up_ohm": 4700})


def f13(r: Random) -> Bench:
    """A presence pulse between two samples of the customary reset."""
    times = {
        "presence_wait_us": r.uniform(59, 60),
        "presence_low_us": r.uniform(61, 66),
    }
    return bench(r, devices=probes(r, 1, time_base=times), adapter={"grid_phase": 0.5})


def f14(r: Random) -> Bench:
    """The line goes low for good while it is examined."""
    return bench(r, {"kind": "line-shorted", "at_s": r.uniform(0.3, 1.2)})


def f14_from_the_start(r: Random) -> Bench:
    """A short that was there before the port was opened."""
    return bench(r, {"kind": "line-shorted", "short_ohm": r.uniform(0.5, 5)})


def f14_thermostat(r: Random) -> Bench:
    """A thermostat left in its own mode, hot."""
    return bench(
        r,
        {
            "kind": "thermostat-output",
            "temperature_degc": r.uniform(29, 35),
            "trip_degc": 25,
            "cools_k_per_min": 0.5,
        },
    )


def f15(r: Random) -> Bench:
    """Lows of the host do not go low enough for any device."""
    return bench(
        r, {"kind": "lifted-low", "low_v": r.uniform(0.95, 1.2)}, devices=probes(r, 3)
    )


def f16(r: Random) -> Bench:
    """Spikes in bursts, as from a relay."""
    return bench(
        r,
        {
            "kind": "noise-burst",
            "at_s": r.uniform(0, 0.4),
            "for_s": r.uniform(0.008, 0.02),
            "every_s": r.uniform(0.2, 0.5),
            "rate_per_s": 2000,
            "amplitude_v": 3.5,
            "width_us": r.uniform(2, 6),
        },
    )


def f17(r: Random) -> Bench:
    """A probe plugged in while others convert."""
    fault = {
        "kind": "hot-plugging",
        "device": "S3",
        "store_nf": r.uniform(20, 100),
        "for_s": 1000,
        "when": {"command": 0x44, "wait_ms": r.uniform(10, 300), "times": 1},
    }
    return bench(r, fault, devices=probes(r, 4))


def f18(r: Random) -> Bench:
    """Bus power through a plain pull-up of 4.7 kohm."""
    devices = probes(
        r, r.randint(1, 4), supply="parasite", active_ma=r.uniform(0.9, 1.5)
    )
    return bench(r, devices=devices, line={"pull_up_ohm": r.choice([3900, 4700])})


def f19(r: Random) -> Bench:
    """One supply wire broken."""
    return bench(r, {"kind": "supply-lead-open", "device": "S3"}, devices=probes(r, 5))


def f20(r: Random) -> Bench:
    """Brown-out of many bus-powered probes that convert together."""
    devices = probes(
        r,
        20,
        supply="parasite",
        active_ma=1.0,
        starved_result="wander",
        starved_share=r.uniform(0.2, 0.4),
        starved_spread_k=8,
    )
    return bench(r, devices=devices, line={"pull_up_ohm": 120}, adapter={"low_ohm": 5})


def f21(r: Random) -> Bench:
    """A dip between writing settings and reading them again."""
    fault = {
        "kind": "supply-dip",
        "device": "S1",
        "to_v": 0.0,
        "for_s": r.uniform(0.001, 0.003),
        "when": {"command": 0x4E, "wait_ms": r.uniform(100, 700), "times": 3},
    }
    return bench(r, fault)


def f23(r: Random) -> Bench:
    """Hot enough for an alarm; the threshold is lowered later."""
    return bench(
        r,
        devices=[
            d
            | {
                "temperature_degc": r.uniform(33, 38),
                "alarm_high_degc": 75,
                "alarm_low_degc": -10,
            }
            for d in probes(r, 2)
        ],
    )


def lower_thresholds(bus: Bus) -> None:
    """One conversion with the stored thresholds, then TH 30, TL -10 without another."""
    bus.transact_bits(None, b"\x44", 1)
    bus.clock.sleep(0.76)
    bus.transact(None, bytes([0x4E, 30, 0xF6, 0x7F]))


def f24(r: Random) -> Bench:
    """An output that is off and held low from outside."""
    switch = {
        "family": 0x3A,
        "serial": r.randrange(1, 1 << 24),
        "held_low": [r.choice("ab")],
    }
    return bench(r, devices=[switch, *probes(r, 1)])


def f24_twin(r: Random) -> Bench:
    """The same switch with nothing at its outputs."""
    return bench(
        r,
        devices=[{"family": 0x3A, "serial": r.randrange(1, 1 << 24)}, *probes(r, 1)],
    )


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


def f29(r: Random) -> Bench:
    """Replies held back by the latency timer."""
    return bench(r, adapter={"latency_ms": r.choice([8, 10, 16])})


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


LONG = Effort(
    listen_s=25.0, resets=8, slots=2000, scans=3, verifies=8, reads=6, rounds=1, alone=1
)
MANY_ROUNDS = Effort(
    listen_s=1.0, resets=8, slots=1000, scans=2, verifies=6, reads=4, rounds=8, alone=6
)
MANY_SLOTS = Effort(
    listen_s=1.0,
    resets=40,
    slots=8000,
    scans=3,
    verifies=20,
    reads=20,
    rounds=1,
    alone=1,
)
SUPPLY_SWITCH = {"power": {"supply_on": "rts"}}

CASES: dict[str, Case] = {
    "F01 restart while converting": Case(
        vary=f01,
        right=((Cause.SUPPLY, "restart"),),
        measured="marker in the alarm bytes gone",
        forbidden=("spikes", "slow-edge", "duplicate"),
    ),
    "F02 supply pin open": Case(
        vary=f02,
        right=((Cause.SUPPLY, "supply-pin-open"),),
        measured="degC",
        forbidden=("spikes", "slow-edge"),
        effort=MANY_ROUNDS,
    ),
    "F03 zeros": Case(
        vary=f03_zeros,
        right=((Cause.BUS_WIRING, "low-while-reading"),),
        measured="blocks all zero",
        forbidden=("absent",),
        effort=MANY_SLOTS,
    ),
    "F03 ones": Case(
        vary=f03_ones,
        right=((Cause.DEVICE, "loose-contact"), (Cause.DEVICE, "comes-and-goes")),
        measured="of",
        forbidden=("low-while-reading", "slow-edge"),
        effort=MANY_SLOTS,
    ),
    "F04 command lost": Case(
        vary=f04,
        right=((Cause.NOISE, "command-lost"),),
        measured="busy not seen",
        forbidden=("restart", "slow-edge", "spikes"),
        effort=MANY_ROUNDS,
    ),
    "F05 clone": Case(
        vary=f05,
        right=((Cause.CONFIGURATION, "clone-like"),),
        measured="conversion",
        forbidden=("restart", "odd-block"),
        weight=Weight.WARNING,
        twin=healthy,
    ),
    "F06 low in search": Case(
        vary=f06,
        right=((Cause.BUS_WIRING, "low-in-search"),),
        measured="zeros throughout",
        forbidden=("absent", "phantom"),
    ),
    "F07 random slots": Case(
        vary=f07,
        right=tuple(
            (Cause.NOISE, k) for k in ("spikes", "pulled-highs", "lifted-lows")
        ),
        measured="pulled low",
        forbidden=("slow-edge", "duplicate", "attached"),
        effort=MANY_SLOTS,
    ),
    "F08 star": Case(
        vary=f08,
        right=((Cause.BUS_WIRING, "branch"),),
        measured="directed searches",
        forbidden=("spikes", "absent"),
        effort=MANY_SLOTS,
    ),
    "F09 duplicate": Case(
        vary=f09,
        right=((Cause.DEVICE, "duplicate"),),
        measured="wrong check value",
        forbidden=("spikes", "slow-edge"),
    ),
    "F10 slip": Case(
        vary=f10,
        right=((Cause.NOISE, "slip"),),
        measured="moved by one slot",
        forbidden=("odd-block", "duplicate"),
        effort=MANY_SLOTS,
    ),
    "F11 slow edge": Case(
        vary=f11,
        right=((Cause.BUS_WIRING, "slow-edge"),),
        measured="margin",
        forbidden=("spikes", "pull-up", "absent"),
        twin=healthy,
    ),
    "F12 weak pull-up": Case(
        vary=f12,
        right=((Cause.BUS_WIRING, "pull-up"),),
        measured="rise",
        forbidden=("drops", "inverted"),
    ),
    "F12 leakage": Case(
        vary=f12_hot,
        right=((Cause.UNDECIDED, "silent"), (Cause.BUS_WIRING, "stuck-low")),
        measured="characters echoed",
        names="stuck-low",
        twin=healthy,
    ),
    "F13 late presence": Case(
        vary=f13,
        right=((Cause.DEVICE, "late-presence"),),
        measured="9600",
        forbidden=("nobody", "absent"),
        weight=Weight.NOTE,
        twin=healthy,
    ),
    "F14 short": Case(
        vary=f14,
        right=((Cause.BUS_WIRING, "stuck-low"),),
        measured="echoed at first",
        forbidden=("absent", "drops"),
    ),
    "F14 short from the start": Case(
        vary=f14_from_the_start,
        right=((Cause.UNDECIDED, "silent"),),
        measured="echoed",
        forbidden=("absent", "receive-open"),
        names="stuck-low",
    ),
    "F14 thermostat": Case(
        vary=f14_thermostat,
        right=((Cause.UNDECIDED, "silent"), (Cause.BUS_WIRING, "stuck-low")),
        measured="echoed",
        forbidden=("absent",),
        names="thermostat",
    ),
    "F15 low level": Case(
        vary=f15,
        right=((Cause.BUS_WIRING, "low-level"),),
        measured="9600",
        forbidden=("absent", "wrong-rate", "push-pull"),
    ),
    "F16 bursts": Case(
        vary=f16,
        right=tuple(
            (Cause.NOISE, k)
            for k in ("spikes", "pulled-highs", "lifted-lows", "idle-spikes")
        ),
        measured="",
        forbidden=("slow-edge", "duplicate", "second-master"),
        effort=MANY_SLOTS,
    ),
    "F17 plugged in": Case(
        vary=f17,
        right=((Cause.DEVICE, "attached"),),
        measured="new since the first scan",
        forbidden=("absent", "phantom", "spikes"),
        weight=Weight.NOTE,
    ),
    "F18 no strong pull-up": Case(
        vary=f18,
        right=((Cause.SUPPLY, "no-strong-pull-up"),),
        measured="fed from the data line",
        forbidden=("third-wire", "spikes"),
        twin=healthy,
    ),
    "F19 third wire": Case(
        vary=f19,
        right=((Cause.SUPPLY, "third-wire"),),
        measured="S3=0",
        forbidden=("spikes", "no-strong-pull-up"),
    ),
    "F20 brown-out": Case(
        vary=f20,
        right=((Cause.SUPPLY, "brown-out"),),
        measured="K off",
        forbidden=("spikes", "slow-edge"),
        effort=MANY_ROUNDS,
    ),
    "F21 settings reloaded": Case(
        vary=f21,
        right=((Cause.CONFIGURATION, "reloaded"),),
        measured="alarm bytes",
        forbidden=("restart", "spikes"),
    ),
    "F23 alarm": Case(
        vary=f23,
        right=((Cause.CONFIGURATION, "alarm-stale"),),
        measured="disagree before",
        forbidden=("alarm-wrong",),
        weight=Weight.WARNING,
        prepare=lower_thresholds,
    ),
    "F24 load at an output": Case(
        vary=f24,
        right=((Cause.BUS_WIRING, "output-load"),),
        measured="latch 1, pin 0",
        forbidden=("status-torn",),
        twin=f24_twin,
    ),
    "F28 fast mode": Case(
        vary=f28,
        right=(
            (Cause.CONFIGURATION, "left-in-fast-mode"),
            (Cause.ADAPTER, "wrong-rate"),
        ),
        measured="",
        twin=healthy,
    ),
    "F29 latency": Case(
        vary=f29,
        right=((Cause.ADAPTER, "latency"),),
        measured="round trip",
        forbidden=("absent", "drops"),
        weight=Weight.WARNING,
        twin=healthy,
    ),
    "F30a no echo": Case(
        vary=f30a,
        right=((Cause.UNDECIDED, "silent"),),
        measured="echoed",
        forbidden=("absent", "stuck-low"),
        names="receive-open",
    ),
    "F30b inverted": Case(
        vary=f30b,
        right=((Cause.ADAPTER, "inverted"),),
        measured="00h",
        forbidden=("stuck-low", "pull-up", "absent"),
    ),
    "F30c push-pull": Case(
        vary=f30c,
        right=((Cause.ADAPTER, "push-pull"),),
        measured="supply off",
        keys=SUPPLY_SWITCH,
    ),
    "F30d doubled echo": Case(
        vary=f30d,
        right=((Cause.ADAPTER, "doubled-echo"),),
        measured="extra characters",
        forbidden=("second-master", "spikes"),
    ),
    "F31a fallback rate": Case(
        vary=f31a,
        right=((Cause.ADAPTER, "wrong-rate"),),
        measured="1000 slots take",
        forbidden=("absent", "low-level"),
    ),
    "F31b rate": Case(
        vary=f31b,
        right=((Cause.ADAPTER, "wrong-rate"),),
        measured="slot rate",
    ),
    "F32 overrun": Case(
        vary=f32,
        right=((Cause.ADAPTER, "drops"),),
        measured="came back whole",
        forbidden=("phantom", "absent"),
    ),
    "F33 adapter lost": Case(
        vary=f33,
        right=((Cause.ADAPTER, "lost"),),
        measured="port lost",
    ),
    "F34 second master": Case(
        vary=f34,
        right=((Cause.BUS_WIRING, "second-master"),),
        measured="bursts of",
        forbidden=("doubled-echo",),
        effort=LONG,
    ),
}


ELSEWHERE = {
    "F22 store of an EEPROM": "an examination stores nothing: check memory_write judges it",
    "F25 output toggled by a look": "an examination never matches family 05h by its ROM",
    "F26 logger clock": "an examination starts no mission: the family's checks judge it",
    "F27 current offset": "only a proven zero current shows it: an operator opens the load",
}
"""Field failures that an examination without a plan cannot or must not provoke."""


@pytest.mark.parametrize("name", ELSEWHERE)
def test_not_for_an_examination(name: str) -> None:
    """Told by the checks of their families, not by an examination."""
    pytest.skip(ELSEWHERE[name])


@pytest.fixture
def examine(write_fixture: Make, bench_data: Make) -> Make:
    """Examine a bench; what the fixture expects is what sits in its sockets."""

    def run(
        made: Bench,
        effort: Effort,
        *,
        prepare: Callable[[Bus], None] | None = None,
        keys: dict[str, Any] | None = None,
    ) -> Diagnosis:
        data = bench_data(**made) | (keys or {})
        data["sockets"] = data["sockets"] or [{"name": "S1", "expect": {}}]
        for device, socket in zip(made["devices"], data["sockets"], strict=False):
            if device.get("supply") == "parasite":
                socket["expect"]["supply"] = "parasite"
        loaded = write_fixture(data)
        with connect(loaded) as bus:
            if prepare is not None:
                prepare(bus)
            return Examination(
                bus,
                expected=expected_of(loaded),
                feed=lambda rom, write, hold_s: selected(bus, rom).hold_strong_pull_up(
                    write, hold_s
                ),
                effort=effort,
            ).run()

    return run


def told(found: Diagnosis) -> list[str]:
    """Findings in short, for failing tests and the table."""
    return [f"{f.weight} {f.sure} {f.cause}: {f.kind}" for f in found.findings]


@pytest.mark.slow
@pytest.mark.parametrize("name", CASES)
def test_right_cause_first(examine: Make, name: str) -> None:
    """Fault on: the right cause stands first, with its numbers; the wrong ones do not."""
    case = CASES[name]
    random = Random(f"{name} 0")
    found = examine(
        case.vary(random), case.effort, prepare=case.prepare, keys=case.keys
    )
    assert found.findings, "nothing was found"
    first = found.findings[0]
    assert (first.cause, first.kind) in case.right, told(found)
    assert first.weight is case.weight
    assert case.measured in " ".join(first.measured)
    assert case.names in " ".join((*first.tells_apart, first.says))
    assert first.try_first
    wrong = [
        f.kind
        for f in found.findings
        if f.kind in case.forbidden
        and f.weight is Weight.FAULT
        and f.sure is not Sure.POSSIBLE
    ]
    assert not wrong, told(found)


@pytest.mark.slow
@pytest.mark.parametrize("name", CASES)
def test_twin_without_the_fault(examine: Make, name: str) -> None:
    """Fault off: the same bench does not raise the finding."""
    case = CASES[name]
    random = Random(f"{name} 0")
    made = (case.twin or case.vary)(random) | {"faults": []}
    if not made["devices"]:
        made["devices"] = probes(random)
    for device in made["devices"]:
        if "starved_result" in device:
            device["supply"] = "external"
    found = examine(made, case.effort, keys=case.keys)
    assert not {(f.cause, f.kind) for f in found.findings} & set(case.right), told(
        found
    )


@pytest.mark.benchmark
def test_confusion_matrix(examine: Make) -> None:
    """Right cause first in at least 95 % of 20 variations of each case."""
    rows: dict[str, Counter[str]] = {}
    right = total = 0
    for name, case in CASES.items():
        rows[name] = Counter()
        for number in range(20):
            random = Random(f"{name} {number}")
            found = examine(
                case.vary(random), case.effort, prepare=case.prepare, keys=case.keys
            )
            first = found.findings[0] if found.findings else None
            hit = first is not None and (first.cause, first.kind) in case.right
            right, total = right + hit, total + 1
            said = f"{first.cause}: {first.kind}" if first else "nothing"
            rows[name][said if hit else f"NOT {said}"] += 1
    print()  # noqa: T201 - the benchmark's table
    for name, counts in rows.items():
        said = ", ".join(f"{what} {times}" for what, times in counts.most_common())
        print(f"{name:28} {said}")  # noqa: T201 - the benchmark's table
    print(f"right cause first: {right} of {total} ({right / total:.1%})")  # noqa: T201 - the benchmark's table
    assert right >= 0.95 * total


@pytest.mark.benchmark
def test_healthy_runs_are_never_called_faulty(examine: Make) -> None:
    """1,000 benches with nothing wrong: not one fault, not one warning."""
    faulty = Counter[str]()
    for number in range(1000):
        random = Random(f"healthy {number}")
        found = examine(healthy(random), QUICK)
        faulty.update(
            f"{f.cause}: {f.kind}"
            for f in found.findings
            if f.weight is not Weight.NOTE
        )
    print(f"\nof 1000 healthy runs called faulty: {dict(faulty) or 0}")  # noqa: T201 - the benchmark's table
    assert not faulty
