"""Nights of healthy devices: what they share, and how each of them follows it."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from tests.soak_nights import Values, ar1

Night = Callable[[np.random.Generator], Values]

_ROUNDS = 480
_DEVICES = 6
_HOURS = np.arange(_ROUNDS)[:, np.newaxis] / 60


def noise(chance: np.random.Generator, phi: float = 0.0) -> Values:
    """Unit noise of each device, correlated by ``phi`` from round to round."""
    columns = [ar1(chance, length=_ROUNDS, phi=phi) for _ in range(_DEVICES)]
    return np.column_stack(columns)


def wave(chance: np.random.Generator) -> Values:
    """A daily wave of 3 K."""
    return 3 * np.sin(2 * np.pi * (_HOURS / 24 + chance.random()))


def _rounded(night: Night, step: float) -> Night:
    return lambda chance: np.round(night(chance) / step) * step


def _late_wave(chance: np.random.Generator) -> Values:
    late_h, gain = chance.uniform(0, 0.5, _DEVICES), chance.uniform(0.8, 1.2, _DEVICES)
    turns = (_HOURS - late_h) / 24 + chance.random()
    return 20 + 3 * gain * np.sin(2 * np.pi * turns) + 0.05 * noise(chance)


def _door(chance: np.random.Generator) -> Values:
    """Opened for 3 to 40 minutes; each device cools as deep and as fast as its place."""
    since_h, open_h = _HOURS - chance.uniform(0.1, 7.8), chance.uniform(0.05, 0.7)
    lag_h = chance.uniform(0.05, 0.3, _DEVICES)
    depth = chance.uniform(2, 8) * chance.uniform(0.8, 1.2, _DEVICES)
    falls = 1 - np.exp(-np.clip(since_h, 0, open_h) / lag_h)
    returns = np.exp(-np.clip(since_h - open_h, 0, None) / lag_h)
    return np.asarray(20 - depth * falls * returns + 0.05 * noise(chance))


def _door_left_open(chance: np.random.Generator) -> Values:
    since_h = _HOURS - chance.uniform(0.1, 7.8)
    lag_h = chance.uniform(0.05, 0.3, _DEVICES)
    depth = chance.uniform(2, 8) * chance.uniform(0.95, 1.05, _DEVICES)
    falls = 1 - np.exp(-np.clip(since_h, 0, None) / lag_h)
    return np.asarray(20 - depth * falls + 0.05 * noise(chance))


def _ramp(chance: np.random.Generator) -> Values:
    levels = 20 + chance.uniform(0, 1, _DEVICES)
    return levels + chance.uniform(-2, 2) * _HOURS / 8 + 0.01 * noise(chance)


def _ramp_below_a_step(chance: np.random.Generator) -> Values:
    levels = 20 + chance.uniform(0, 0.0625, _DEVICES)
    return levels + 0.06 * chance.random() * _HOURS / 8 + 0.002 * noise(chance)


def _uneven_ramp(chance: np.random.Generator) -> Values:
    return 20 + 5 * chance.uniform(0.9, 1.1, _DEVICES) * _HOURS / 8 + 0.03 * noise(chance)  # fmt: skip


SOUND_NIGHTS: dict[str, Night] = {
    "independent wander, phi 0.9": lambda c: 20 + 0.1 * noise(c, 0.9),
    "wave of 3 K, steps of 1/16 K": _rounded(
        lambda c: 20 + wave(c) + 0.05 * noise(c), 0.0625
    ),
    "gain 0.8 to 1.2, 0 to 30 min late": _late_wave,
    "a door opens for all": _rounded(_door, 0.0625),
    "a door stays open": _door_left_open,
    "common ramp, steps of 1/16 K": _rounded(_ramp, 0.0625),
    "common ramp, steps of 1/2 K": _rounded(_ramp, 0.5),
    "common ramp below one step": _rounded(_ramp_below_a_step, 0.0625),
    "ramp of 5 K, gain 0.9 to 1.1": _rounded(_uneven_ramp, 0.0625),
}
"""Readings of shape (480, 6) in degC, by what happens in them."""
