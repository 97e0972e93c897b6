"""Benches drawn at random: what a draw is, and the healthy bench behind it.

Every number of a draw comes from its seed, so that a draw can be repeated by its name and
number. Two benches take part: the simulated one of the house, and a second one that was
written apart from it (``second``), where that is at hand.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from random import Random
from typing import Any

from tests.diagnosis.kinds import healthy_kinds

Bench = dict[str, Any]
"""Keyword arguments of ``tests.conftest.fixture_data``."""

Change = Callable[[Random, Bench], None]
"""Puts a mechanism into a healthy bench."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Truth:
    """What may be said of a mechanism: fixed before any diagnosis was looked at.

    Attributes:
        kinds: findings that name it, as ``cause: kind``.
        alike: findings that name it among others which cannot be distinguished on a bus
            without a meter or without a switched supply.
        words: words of which an undecided finding must hold one.
    """

    kinds: frozenset[str]
    alike: frozenset[str] = frozenset()
    words: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Mechanism:
    """One way in which a bench goes wrong."""

    name: str
    change: Change
    truth: Truth
    of: tuple[str, ...] = ()
    """Names of the mechanisms that it is made of, where it is two."""


def truth(
    *kinds: str, alike: tuple[str, ...] = (), words: tuple[str, ...] = ()
) -> Truth:
    """Shorter to write."""
    return Truth(kinds=frozenset(kinds), alike=frozenset(alike), words=words)


def thermometers(random: Random, count: int) -> list[Bench]:
    """Thermometers, all different, some of them clones that read right."""
    found = []
    for serial in random.sample(range(1, 1 << 24), count):
        device: Bench = {
            "family": random.choice([0x28, 0x28, 0x28, 0x22]),
            "serial": serial,
            "temperature_degc": round(random.uniform(-20, 60), 2),
        }
        if device["family"] == 0x28 and random.random() < 0.1:
            device |= {
                "serial": random.randrange(1 << 40, 1 << 48),
                "conversion_ms": random.uniform(25, 600),
                "silicon": "clone",
            }
        found.append(device)
    return found


def healthy(random: Random) -> Bench:
    """Nothing wrong: any devices, pull-ups, cables and adapters within their limits."""
    devices = thermometers(random, random.randint(1, 6))
    devices += healthy_kinds(random, random.randint(0, 4))
    random.shuffle(devices)
    return {
        "devices": devices,
        "faults": [],
        "line": {
            "pull_up_ohm": random.choice([1000, 1500, 2200, 3300, 4700]),
            "cable_m": round(random.uniform(0.5, 8.0), 1),
        },
        "seed": random.randrange(1 << 30),
        "adapter": {
            "error_ppm": random.randint(-3000, 3000),
            "latency_ms": random.choice([1, 1, 1, 2, 4]),
        },
    }
