"""Benches with faults of line, supply and thermometers, other numbers each time. All invented."""

from __future__ import annotations

from collections.abc import Callable
from random import Random
from typing import Any

from harness.driver.bus import Bus
from tests.diagnosis.kinds import healthy_kinds

Bench = dict[str, Any]
Vary = Callable[[Random], Bench]


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
    devices = probes(random, random.randint(1, 5))
    devices += healthy_kinds(random, random.randint(0, 4))
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


def f04_rarely(r: Random) -> Bench:
    """The same in one of twenty commands, as the collection has it."""
    made = f04(r)
    made["faults"][0]["probability"] = 0.05
    return made


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


def f18_together(r: Random, *, one_at_a_time: bool = True) -> Bench:
    """A pull-up that feeds one conversion and not all at once; or one that feeds all.

    By Ohm's law: of 5 V the pull-up leaves at most 1.9 V under all of them and at least
    3.2 V under one; the twin's leaves 3.2 V under all.
    """
    count = r.randint(2, 3) if not one_at_a_time else r.randint(3, 4)
    active_ma = r.uniform(0.9, 1.2)
    low, high = 3.1 / (count * active_ma), 1.8 / active_ma
    pull_up_ohm = 1e3 * (
        r.uniform(low, high) if one_at_a_time else 1.8 / (count * active_ma)
    )
    return bench(
        r,
        devices=probes(r, count, supply="parasite", active_ma=active_ma),
        line={"pull_up_ohm": round(pull_up_ohm)},
    )


def f18_fed(r: Random) -> Bench:
    """Bus power of a pull-up that feeds two or three conversions at once."""
    return f18_together(r, one_at_a_time=False)


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
