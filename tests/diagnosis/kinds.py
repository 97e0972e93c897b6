"""One device of every kind, some of them in good order, and what of a model must stay."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from random import Random
from typing import Any

import yaml

Device = dict[str, Any]

_EVERY_KIND = Path(__file__).parents[2] / "fixtures" / "all_families.yaml"
CALENDAR = datetime(2024, 1, 1, tzinfo=UTC)
"""Of the bench of these tests, see ``tests.conftest.fixture_data``."""

LOGGERS, CLOCKS, GAUGES = (0x21, 0x41), (0x24, 0x27), (0x26, 0x2E, 0x30, 0x36, 0x51)


def one(random: Random, family: int, **more: Any) -> Device:  # noqa: ANN401
    """A device of a kind, its serial number invented."""
    return {"family": family, "serial": random.randrange(1, 1 << 24), **more}


def every_kind() -> list[Device]:
    """One device of every kind that the shipped bench has."""
    data = yaml.safe_load(_EVERY_KIND.read_text("utf-8"))
    return [
        {key: value for key, value in device.items() if key != "socket"}
        for device in data["simulation"]["devices"]
    ]


def healthy_kinds(random: Random, count: int) -> list[Device]:
    """Some of these kinds in good order: clocks set, no current, or fresh from the shelf."""
    devices = random.sample(every_kind(), count)
    for device in devices:
        device["serial"] = random.randrange(1, 1 << 24)
        family = device["family"]
        if family in LOGGERS and random.random() < 0.5:
            device["oscillator_on"] = False
        elif family in LOGGERS:
            device["clock"] = CALENDAR.isoformat()
            device["clock_ppm"] = random.uniform(-40, 40)
        elif family in CLOCKS:
            device["clock_s"] = int(CALENDAR.timestamp())
        elif family in GAUGES:
            device["offset_counts"] = random.uniform(-1, 1)
            device["current_a"] = random.choice([0.0, 0.0, round(random.random(), 2)])
    return devices


_MOVES = frozenset(
    {
        "alarm", "elapsed_s", "pad", "pads", "scratchpad", "want", "_job", "_measured",
        "_out_of_sequence", "_resumable", "_since_us",
    }
)  # fmt: skip
"""Scratchpads, last readings, the state of a transaction, and what time itself moves."""

_PARTS = ("pins", "calendar")


def state_of(device: object) -> dict[str, object]:
    """What an examination must leave as it was: memory, registers, counters, outputs."""
    state: dict[str, object] = {}
    for name, value in vars(device).items():
        if name in _PARTS:
            state[name] = repr(
                sorted((k, v) for k, v in vars(value).items() if isinstance(v, int))
            )
        elif name not in _MOVES and isinstance(
            value, bool | int | float | str | bytes | bytearray | list | tuple | dict
        ):
            state[name] = repr(value)
    pad = getattr(device, "scratchpad", None)
    if pad is not None:  # alarm bytes and configuration of a thermometer
        state["settings"] = bytes(pad[2:5])
    return state
