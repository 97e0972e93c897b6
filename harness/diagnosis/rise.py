"""How long the line rises to two thresholds, by the supply that is in force.

A resistor charges the line from 0.2 V (a device's low, published limit 0.4 V) to what the
host's receiver takes for high, 1.5 V, and to the 2.2 V above which each device surely
sees high (published, family 28h). In time constants that is ln((V - 0.2) / (V - level)).
"""

from __future__ import annotations

from math import log

_FROM_V, _HOST_V, _DEVICE_V = 0.2, 1.5, 2.2

USUAL_V = 5.0
"""Supply at which limits of a rise were worked out."""

_MOST_OF_SUPPLY = 0.95
"""A level is taken to lie no nearer to the supply than this share of it (own choice: below
2.3 V a device may never see high, and a rise without end helps nobody)."""


def _constants(level_v: float, supply_v: float) -> float:
    level_v = min(level_v, _MOST_OF_SUPPLY * supply_v)
    return log((supply_v - _FROM_V) / (supply_v - level_v))


def device_share(supply_v: float) -> float:
    """Rise until a device sees high, for each that the host's receiver takes."""
    return _constants(_DEVICE_V, supply_v) / _constants(_HOST_V, supply_v)


def slower_by(supply_v: float) -> float:
    """How much longer the host's rise takes than with the usual supply."""
    return _constants(_HOST_V, supply_v) / _constants(_HOST_V, USUAL_V)
