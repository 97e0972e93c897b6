"""What a kind is made for: supply and temperature at which its data sheet promises values.

Source: data sheets of families 10h, 22h, 28h (part DS18B20) and 42h, electrical
characteristics, supply 3.0 to 5.5 V; 10h, 22h and 28h from -55 to 125 degC, 42h from -40
to 85 degC. Family 3Bh is shared by parts of 3.0 to 3.7 V, the narrowest of which goes from
-40 to 125 degC. Figures from memory. Of a kind without a row nothing is known.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class OperatingRange:
    """Lowest and highest supply in volts and temperature in degC."""

    supply_v: tuple[float, float]
    temperature_degc: tuple[float, float]


_WIDE = OperatingRange((3.0, 5.5), (-55.0, 125.0))

OPERATING_RANGES = {
    0x10: _WIDE,
    0x22: _WIDE,
    0x28: _WIDE,
    0x3B: OperatingRange((3.0, 3.7), (-40.0, 125.0)),
    0x42: OperatingRange((3.0, 5.5), (-40.0, 85.0)),
}
"""Operating range by family code."""


def outside_range(
    family: int, *, supply_v: float | None = None, temperature_degc: float | None = None
) -> str:
    """Which of these a kind is not made for, in words; empty if none, or not known.

    Args:
        family: its family code.
        supply_v: supply in force, or None where nothing sets it.
        temperature_degc: temperature in force, or None where nothing sets it.
    """
    known = OPERATING_RANGES.get(family)
    if known is None:
        return ""
    asked = (
        (supply_v, known.supply_v, "V"),
        (temperature_degc, known.temperature_degc, "degC"),
    )
    return "; ".join(
        f"{value:g} {unit} lies outside {low:g} to {high:g} {unit}, for which family "
        f"{family:02X}h is made"
        for value, (low, high), unit in asked
        if value is not None and not low <= value <= high
    )
