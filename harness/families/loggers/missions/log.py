"""Logs of missions, judged: how many samples, the lowest and the highest of them."""

from __future__ import annotations

from collections.abc import Sequence

from harness.families.family import Option, Options
from harness.records import Measurement

LOW = Option.number("low_degc", "lowest allowed sample")
HIGH = Option.number("high_degc", "highest allowed sample")

_SUFFIX = {"degC": "degc", "%RH": "rh"}


def judged_log(
    samples: Sequence[float], options: Options, *, name: str = "log", unit: str = "degC"
) -> tuple[Measurement, ...]:
    """Number, lowest and highest of a log; limits are options such as ``low_degc``."""
    values = [Measurement(name=f"{name}_samples", value=len(samples), unit="samples")]
    if samples:
        low, high = (
            options.number(limit) if options.given(limit) else None
            for limit in (f"low_{_SUFFIX[unit]}", f"high_{_SUFFIX[unit]}")
        )
        values += [
            Measurement(name=f"{name}_lowest", value=min(samples), unit=unit, low=low),
            Measurement(
                name=f"{name}_highest", value=max(samples), unit=unit, high=high
            ),
        ]
    return tuple(values)
