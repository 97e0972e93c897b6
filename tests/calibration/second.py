"""Mechanisms of the second bench: written apart from the house's own, extended here.

The bench lies beside the project, outside of it; where it is missing nothing of it runs.
Devices that restart, vanish or do not hear are made of its devices here, since it has
none of its own.
"""

from __future__ import annotations

import sys
from pathlib import Path
from random import Random
from typing import Any

from tests.calibration.draws import Bench, Change, Mechanism, truth
from tests.calibration.ours import drawn

TOOLS = Path(__file__).parents[3] / "shared" / "tools"
"""Where the second bench lies, if it is at hand."""


def tools() -> Path | None:
    """The folder of the second bench; None where it is missing."""
    return TOOLS if (TOOLS / "second_bench.py").exists() else None


def _ready() -> Any:  # noqa: ANN401 - a module that has no types
    """The port's module, its bench extended by the devices below."""
    import serial

    folder = tools()
    assert folder is not None
    if str(folder) not in sys.path:
        sys.path.insert(0, str(folder))
    if "second_port" not in serial.protocol_handler_packages:
        serial.protocol_handler_packages.append("second_port")
    from second_port import protocol_second  # type: ignore[import-not-found]

    return protocol_second


def healthy(random: Random) -> Bench:
    """Nothing wrong, within the limits of the sheets."""
    devices: list[Bench] = []
    for _ in range(random.randint(1, 6)):
        device: Bench = {
            "family": random.choice(["0x28", "0x28", "0x22"]),
            "temperature": round(random.uniform(-20, 60), 2),
            "conv_scale": round(random.uniform(0.72, 0.95), 2),
        }
        if random.random() < 0.15:
            device["own"] = [0xA5, 0x81, 0x66]  # a clone's constants, always the same
        devices.append(device)
    devices += [{"family": "0x2D"} for _ in range(random.randint(0, 2))]
    devices += [
        {"family": random.choice(["0x01", "0x05"])} for _ in range(random.randint(0, 1))
    ]
    for device in devices:
        device |= {
            "sample_us": round(random.uniform(20, 50), 1),
            "hold_us": round(random.uniform(20, 50), 1),
            "pdh_us": round(random.uniform(18, 55), 1),
            "pdl_us": round(random.uniform(70, 220), 1),
            "serial": random.getrandbits(24),
        }
    return {
        "devices": devices,
        "seed": random.randrange(1 << 30),
        "pull_up_ohm": random.choice([1000, 1500, 2200, 3300, 4700]),
        "c_nf": round(random.uniform(0.1, 0.5), 2),
        "ppm": random.randint(-3000, 3000),
        "latency_s": random.choice([0.001, 0.001, 0.002]),
    }


def _bench(**spans: Any) -> Change:  # noqa: ANN401 - numbers of the bench
    def change(random: Random, bench: Bench) -> None:
        bench |= drawn(random, spans)

    return change


def _device(family: str = "", **spans: Any) -> Change:  # noqa: ANN401 - numbers of a device
    def change(random: Random, bench: Bench) -> None:
        able = [
            d for d in bench["devices"] if not family or d["family"] in {"0x28", "0x22"}
        ]
        random.choice(able).update(drawn(random, spans))

    return change


def _every(**spans: Any) -> Change:  # noqa: ANN401 - numbers of all devices
    def change(random: Random, bench: Bench) -> None:
        numbers = drawn(random, spans)
        for device in bench["devices"]:
            device.update(numbers)

    return change


def _edge(random: Random, bench: Bench) -> None:
    """A rise to the receiver's threshold of 3.5 to 14 us; 4.3 us pass before its sample."""
    rise_us = random.uniform(3.5, 14)
    bench["c_nf"] = round(rise_us / (0.316 * bench["pull_up_ohm"] * 1e-3), 3)


def _twins(random: Random, bench: Bench) -> None:
    first: Bench = {
        "family": "0x28",
        "serial": random.getrandbits(24),
        "temperature": random.uniform(0, 20),
    }
    bench["devices"] += [
        first,
        first | {"temperature": first["temperature"] + random.uniform(0.6, 9)},
    ]


_NOISE = (
    "noise: spikes",
    "noise: pulled-highs",
    "noise: lifted-lows",
    "noise: idle-spikes",
)
_GONE = (
    "device: loose-contact",
    "device: comes-and-goes",
    "device: vanished",
    "bus wiring: branch",
)

MECHANISMS = (
    Mechanism(
        name="slow edge",
        change=_edge,
        truth=truth("bus wiring: slow-edge", "bus wiring: pull-up"),
    ),
    Mechanism(
        name="rate off",
        change=_bench(
            ppm=[-95_000, -80_000, -60_000, -45_000, 45_000, 60_000, 80_000, 95_000]
        ),
        truth=truth("adapter: wrong-rate"),
    ),
    Mechanism(
        name="line low",
        change=_bench(stuck_low=True),
        truth=truth(
            "bus wiring: stuck-low", alike=("undecided: silent",), words=("stuck-low",)
        ),
    ),
    Mechanism(
        name="receive wire open",
        change=_bench(no_echo=True),
        truth=truth(
            "adapter: receive-open",
            alike=("undecided: silent",),
            words=("receive-open",),
        ),
    ),
    Mechanism(
        name="read bits hit at random",
        change=_bench(flip=(0.001, 0.05)),
        truth=truth(*_NOISE),
    ),
    Mechanism(
        name="characters dropped",
        change=_bench(drop=(0.0005, 0.02)),
        truth=truth("adapter: drops"),
    ),
    Mechanism(
        name="latency timer",
        change=_bench(latency_s=[0.008, 0.010, 0.016]),
        truth=truth("adapter: latency"),
    ),
    Mechanism(
        name="device absent",
        change=_device(absent=True),
        truth=truth(
            "device: absent",
            alike=("undecided: nobody", "bus wiring: low-level"),
            words=("absent",),
        ),
    ),
    Mechanism(
        name="equal ROM codes",
        change=_twins,
        truth=truth("device: duplicate", "device: wrong-check"),
    ),
    Mechanism(
        name="restarts in conversions",
        change=_device("t", restarts=(0.4, 1.0)),
        truth=truth("supply: restart"),
    ),
    Mechanism(
        name="restarts at any time",
        change=_device("t", restarts_every_s=(1.0, 4.0)),
        truth=truth("configuration: reloaded", "supply: restart"),
    ),
    Mechanism(
        name="lead comes loose",
        change=_device(away_every_s=(0.7, 3.0), away_share=(0.1, 0.4)),
        truth=truth(*_GONE, "supply: restart", "configuration: reloaded"),
    ),
    Mechanism(
        name="all lose contact together",
        change=_every(away_every_s=(2.0, 9.0), away_share=(0.2, 0.5)),
        truth=truth(
            "bus wiring: common-loss",
            "supply: common-loss",
            "supply: vanished-together",
        ),
    ),
    Mechanism(
        name="deaf to convert",
        change=_device("t", deaf=(0.3, 1.0)),
        truth=truth("noise: command-lost", "device: deaf-to-convert"),
    ),
    Mechanism(
        name="says bus power",
        change=_device("t", parasite=True),
        truth=truth(
            "supply: third-wire", "supply: supply-differs", "supply: no-strong-pull-up"
        ),
    ),
    Mechanism(
        name="damaged bytes in a device",
        change=_device("t", pad_fixed="50 01 4B 46 7F FF 0C 10 55"),
        truth=truth("device: duplicate", "device: wrong-check", "device: odd-block"),
    ),
    Mechanism(
        name="packets of 64 kept back",
        change=_bench(holds_full_packets=True),
        truth=truth("adapter: packet-boundary", "adapter: drops"),
    ),
    Mechanism(
        name="slow conversions",
        change=_device("t", conv_scale=(1.15, 1.7)),
        truth=truth("device: slow-conversion", "supply: slow-conversion"),
    ),
)


def build(spec: Bench) -> Any:  # noqa: ANN401 - a bench without types
    """A bench of the second kind, with the devices that its spec asks for."""
    protocol = _ready()
    from tests.calibration.second_devices import build as made

    del protocol
    return made(spec)


def fixture_of(spec: Bench, name: str) -> dict[str, Any]:
    """The fixture of such a bench; its devices are put where the port looks for them."""
    protocol = _ready()
    bench = build(spec)
    protocol.BENCHES.clear()
    protocol.BENCHES[f"/{name}"] = bench
    codes = list(dict.fromkeys(str(_printed(d.rom)) for d in bench.devices))
    sockets = [
        {"name": f"S{n}", "expect": {"rom_code": code}}
        for n, code in enumerate(codes, 1)
    ]
    return {
        "fixture": "second bench",
        "adapter": {"port": f"second:///{name}", "kind": "exact"},
        "line": {"pull_up_ohm": spec["pull_up_ohm"], "supply_v": 5.0, "cable_m": 3},
        "sockets": sockets,
    }


def _printed(rom: bytes) -> str:
    return rom[::-1].hex().upper()
