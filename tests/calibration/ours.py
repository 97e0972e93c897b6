"""Mechanisms of the simulated bench of the house, their numbers drawn widely."""

from __future__ import annotations

from random import Random
from typing import Any

from tests.calibration.draws import Bench, Change, Mechanism, Truth, thermometers, truth


def fault(kind: str, **spans: Any) -> Change:  # noqa: ANN401 - numbers, spans, choices
    """A fault by its kind; a pair of numbers is a span, a list a choice."""

    def change(random: Random, bench: Bench) -> None:
        bench["faults"].append({"kind": kind, **drawn(random, spans)})

    return change


def drawn(random: Random, spans: dict[str, Any]) -> dict[str, Any]:
    """Numbers from spans and choices."""
    found: dict[str, Any] = {}
    for name, span in spans.items():
        if isinstance(span, tuple):
            found[name] = random.uniform(*span)
        elif isinstance(span, list):
            found[name] = random.choice(span)
        elif isinstance(span, dict):
            found[name] = drawn(random, span)
        else:
            found[name] = span
    return found


def of_one(kind: str, *, thermometer: bool = False, **spans: Any) -> Change:  # noqa: ANN401
    """A fault of one device of the bench, of a thermometer where it needs one."""

    def change(random: Random, bench: Bench) -> None:
        places = [
            f"S{n}"
            for n, device in enumerate(bench["devices"], 1)
            if not thermometer or device["family"] in {0x28, 0x22}
        ]
        device = random.choice(places)
        bench["faults"].append({"kind": kind, "device": device, **drawn(random, spans)})

    return change


def on_line(**spans: Any) -> Change:  # noqa: ANN401 - numbers of the line
    """Another line."""

    def change(random: Random, bench: Bench) -> None:
        bench["line"] |= drawn(random, spans)

    return change


def of_adapter(**spans: Any) -> Change:  # noqa: ANN401 - numbers of the adapter
    """Another adapter."""

    def change(random: Random, bench: Bench) -> None:
        bench["adapter"] |= drawn(random, spans)

    return change


def _duplicate(random: Random, bench: Bench) -> None:
    places = [n for n, d in enumerate(bench["devices"], 1) if d["family"] == 0x28]
    first = thermometers(random, 1)[0] | {
        "family": 0x28,
        "serial": random.randrange(1 << 24),
    }
    first.pop("silicon", None)
    first.pop("conversion_ms", None)
    second = first | {
        "serial": random.randrange(1 << 24),
        "temperature_degc": first["temperature_degc"] + random.uniform(0.5, 8),
    }
    del places
    bench["devices"] += [first, second]
    count = len(bench["devices"])
    bench["faults"].append(
        {"kind": "duplicate-rom", "device": f"S{count}", "original": f"S{count - 1}"}
    )


def _fast_mode(random: Random, bench: Bench) -> None:
    part = {
        "family": random.choice([0x2D, 0x29]),
        "serial": random.randrange(1, 1 << 24),
        "time_base": {"reset_min_us": random.uniform(560, 640)},
    }
    bench["devices"].append(part)
    bench["faults"].append(
        {"kind": "left-in-overdrive", "device": f"S{len(bench['devices'])}"}
    )


def _parasite(random: Random, bench: Bench) -> None:
    active_ma = random.uniform(0.9, 1.5)
    bench["devices"] = [
        d | {"supply": "parasite", "active_ma": active_ma}
        for d in thermometers(random, random.randint(1, 4))
    ]
    for device in bench["devices"]:
        device.pop("silicon", None)
        device.pop("conversion_ms", None)
    bench["line"]["pull_up_ohm"] = random.choice([3300, 3900, 4700])


def _starved(result: str, **more: Any) -> Change:  # noqa: ANN401 - numbers of devices
    def change(random: Random, bench: Bench) -> None:
        devices = thermometers(random, random.randint(4, 12))
        for device in devices:
            device.pop("silicon", None)
            device.pop("conversion_ms", None)
            device |= {
                "supply": "parasite",
                "starved_result": result,
                **drawn(random, more),
            }
        bench["devices"] = devices
        drop_ma = sum(d["active_ma"] for d in devices)
        # the line falls to about 2.6 V while all convert, too little and not nothing
        bench["line"]["pull_up_ohm"] = round(2400 / drop_ma)
        bench["adapter"]["low_ohm"] = 5

    return change


def _hot_plug(random: Random, bench: Bench) -> None:
    bench["devices"] += thermometers(random, 1)
    when = {"command": 0x44, "wait_ms": random.uniform(10, 300), "times": 1}
    bench["faults"].append(
        {
            "kind": "hot-plugging",
            "device": f"S{len(bench['devices'])}",
            "store_nf": random.uniform(20, 100),
            "for_s": 1000,
            "when": when,
        }
    )


def _hot_leak(random: Random, bench: Bench) -> None:
    bench["devices"] = [
        d | {"temperature_degc": random.uniform(40, 60)}
        for d in thermometers(random, 30)
    ]
    bench["faults"].append({"kind": "leakage", "per_device_ua": random.uniform(3, 8)})
    bench["line"]["pull_up_ohm"] = 4700


REPLACES_DEVICES = (
    "hot leaking inputs",
    "bus power too weak",
    "conversions given up",
    "brown-out",
)
"""Mechanisms that put other devices on the bench."""

_NOISE = (
    "noise: spikes",
    "noise: pulled-highs",
    "noise: lifted-lows",
    "noise: idle-spikes",
)
_EDGE = ("bus wiring: slow-edge", "bus wiring: pull-up")
_SILENT = ("undecided: silent",)
_NOBODY = ("undecided: nobody", "undecided: presence-only", "bus wiring: low-level")
_GONE = (
    "device: loose-contact",
    "device: comes-and-goes",
    "device: vanished",
    "bus wiring: branch",
)


def _row(name: str, change: Change, what: Truth) -> Mechanism:
    return Mechanism(name=name, change=change, truth=what)


MECHANISMS = (
    _row(
        "short from the start",
        fault("line-shorted", short_ohm=(0.5, 20)),
        truth("bus wiring: stuck-low", alike=_SILENT, words=("stuck-low",)),
    ),
    _row(
        "short later",
        fault("line-shorted", at_s=(0.3, 12), short_ohm=(0.5, 20)),
        truth("bus wiring: stuck-low", alike=_SILENT, words=("stuck-low",)),
    ),
    _row(
        "line tied high",
        fault("line-stuck-high", source_ohm=(0.5, 5)),
        truth("bus wiring: stuck-high", alike=_SILENT, words=("stuck-high",)),
    ),
    _row("weak pull-up", fault("weak-pull-up", pull_up_ohm=(15e3, 1e5)), truth(*_EDGE)),
    _row(
        "long cable",
        on_line(cable_m=(60, 200), pull_up_ohm=[2200, 3300, 4700]),
        truth(*_EDGE),
    ),
    _row(
        "water in the cable",
        fault("extra-capacitance", extra_nf=(2, 12)),
        truth(*_EDGE),
    ),
    _row(
        "slots hit at random",
        fault("bit-flips", probability=(0.001, 0.02), polarity=["up", "down", "both"]),
        truth(*_NOISE),
    ),
    _row(
        "noise in bursts",
        fault(
            "noise-burst",
            for_s=(0.005, 0.03),
            every_s=(0.15, 0.8),
            amplitude_v=(3.2, 5),
            width_us=(2, 6),
            polarity=["up", "down", "both"],
        ),
        truth(*_NOISE),
    ),
    _row(
        "lows too high",
        fault("lifted-low", low_v=(0.85, 1.4)),
        truth(
            "bus wiring: low-level", alike=("undecided: nobody",), words=("low-level",)
        ),
    ),
    _row(
        "dips in one branch",
        of_one(
            "branch-dips", probability=(0.003, 0.03), dip_v=(1.2, 3), dip_us=(0.8, 3)
        ),
        truth("bus wiring: branch", *_GONE),
    ),
    _row(
        "hot leaking inputs",
        _hot_leak,
        truth(
            *_EDGE,
            "bus wiring: stuck-low",
            "bus wiring: low-level",
            alike=_SILENT,
            words=("pull-up", "stuck-low"),
        ),
    ),
    _row(
        "thermostat on the line",
        fault("thermostat-output", temperature_degc=(29, 60)),
        truth(
            "configuration: thermostat",
            alike=(*_SILENT, "bus wiring: stuck-low"),
            words=("thermostat",),
        ),
    ),
    _row(
        "second master",
        fault(
            "other-master",
            period_s=(2, 9),
            at_s=(0.1, 3),
            reset_us=(490, 700),
            slots=[16, 40, 64, 72],
        ),
        truth("bus wiring: second-master"),
    ),
    _row(
        "part that signals",
        fault(
            "signalling-part",
            low_us=(960, 4800),
            at_s=(2.0, 12),
            period_s=[1000, 3.1, 5.3],
        ),
        truth("device: signals", "device: comes-and-goes"),
    ),
    _row(
        "device absent",
        of_one("device-absent"),
        truth("device: absent", alike=_NOBODY, words=("absent",)),
    ),
    _row(
        "lead comes loose",
        of_one(
            "device-drops-off",
            contact=["data", "ground", "all"],
            for_s=(0.02, 0.3),
            every_s=(0.4, 3),
        ),
        truth(*_GONE, "supply: restart", "configuration: reloaded"),
    ),
    _row(
        "presence too long",
        of_one("presence-long", low_us=(260, 900)),
        truth("device: long-presence", "device: stretches-reset"),
    ),
    _row(
        "equal ROM codes", _duplicate, truth("device: duplicate", "device: wrong-check")
    ),
    _row(
        "ROM code with a wrong CRC",
        of_one("wrong-rom-crc", flip=[1, 2, 0x10, 0x80, 0xFF]),
        truth("device: rom-code"),
    ),
    _row(
        "ROM code of zeros",
        of_one("zero-rom"),
        truth("device: zero-rom", "bus wiring: low-in-search"),
    ),
    _row(
        "restarts in conversions",
        of_one("stuck-at-power-on", thermometer=True),
        truth("supply: restart"),
    ),
    _row(
        "supply dips in conversions",
        of_one(
            "supply-dip",
            thermometer=True,
            to_v=(0.0, 1.0),
            for_s=(0.002, 0.01),
            when={"command": 0x44, "wait_ms": (5, 400), "chance": (0.5, 1.0)},
        ),
        truth("supply: restart", "configuration: reloaded"),
    ),
    _row(
        "supply dips between reads",
        of_one(
            "supply-dip",
            thermometer=True,
            to_v=(0.0, 1.0),
            for_s=(0.002, 0.01),
            when={
                "command": 0x4E,
                "layer": "function",
                "wait_ms": (100, 700),
                "times": 3,
            },
        ),
        truth("configuration: reloaded", "supply: restart"),
    ),
    _row(
        "supply wire broken",
        of_one("supply-lead-open", thermometer=True),
        truth(
            "supply: third-wire", "supply: supply-differs", "supply: no-strong-pull-up"
        ),
    ),
    _row("plugged in", _hot_plug, truth("device: attached")),
    _row(
        "convert command damaged",
        of_one(
            "damaged-command", thermometer=True, command=0x44, probability=(0.25, 1.0)
        ),
        truth("noise: command-lost", "device: deaf-to-convert"),
    ),
    _row(
        "resets stretched",
        of_one("stretched-reset", low_us=(1000, 4700)),
        truth("device: stretches-reset"),
    ),
    _row("left in overdrive", _fast_mode, truth("configuration: left-in-fast-mode")),
    _row(
        "receive wire open",
        fault("adapter-no-echo"),
        truth("adapter: receive-open", alike=_SILENT, words=("receive-open",)),
    ),
    _row(
        "characters dropped",
        fault("adapter-drops-bytes", probability=(0.0005, 0.02)),
        truth("adapter: drops"),
    ),
    _row(
        "buffer overrun",
        fault(
            "buffer-overrun",
            buffer_bytes=[64, 96, 128, 200],
            stall_ms=(8, 25),
            mean_gap_ms=(15, 60),
        ),
        truth("adapter: drops"),
    ),
    _row(
        "adapter unplugged",
        fault("adapter-unplugged", at_s=(0.5, 12), for_s=(0.5, 3)),
        truth("adapter: lost"),
    ),
    _row(
        "replies late at times",
        fault("latency-jitter", extra_ms=(30, 150), probability=(0.01, 0.08)),
        truth("host: late-now-and-then"),
    ),
    _row(
        "latency timer",
        of_adapter(latency_ms=[8, 10, 12, 16]),
        truth("adapter: latency"),
    ),
    _row(
        "receive line inverted", fault("receiver-inverted"), truth("adapter: inverted")
    ),
    _row(
        "output drives high",
        fault("push-pull-output", high_ohm=(20, 80)),
        truth(
            "adapter: push-pull",
            alike=_NOBODY,
            words=("push-pull",),
        ),
    ),
    _row(
        "echo doubled",
        fault("doubled-echo", after_ms=(0.5, 8)),
        truth("adapter: doubled-echo", "host: doubled-echo"),
    ),
    _row(
        "terminal layer",
        fault(
            "terminal-layer", habit=["double-ff", "cr-to-lf", "swallow-flow-control"]
        ),
        truth(
            "host: terminal-layer",
            "host: escaped-characters",
            "adapter: escaped-characters",
        ),
    ),
    _row(
        "rate off",
        fault("wrong-baud", error_percent=[-10, -8, -6, -5, 5, 6, 8, 10]),
        truth("adapter: wrong-rate"),
    ),
    _row(
        "rate falls back",
        fault("wrong-baud", above_baud=57_600, made_baud=[9600, 19_200, 38_400]),
        truth("adapter: wrong-rate"),
    ),
    _row(
        "supply blinks at opening",
        fault("power-blink", blink_ms=(10, 200)),
        truth("adapter: supply-blinks"),
    ),
    _row("bus power too weak", _parasite, truth("supply: no-strong-pull-up")),
    _row(
        "conversions given up",
        _starved("full-scale", active_ma=(0.4, 0.8), starved_share=(0.3, 0.7)),
        truth("supply: supply-pin-open", "supply: brown-out"),
    ),
    _row(
        "brown-out",
        _starved(
            "wander", active_ma=1.0, starved_share=(0.25, 0.5), starved_spread_k=(4, 10)
        ),
        truth("supply: brown-out"),
    ),
)
"""In the order of the settings."""
