"""What loggers share: waiting for samples, judging a log."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from harness.errors import ReadingImplausible
from harness.families.family import Option, OptionKind, Options, Session
from harness.records import Measurement

LOW = Option(name="low_degc", kind=OptionKind.NUMBER, about="lowest allowed sample")
HIGH = Option(name="high_degc", kind=OptionKind.NUMBER, about="highest allowed sample")
SAMPLES = Option(
    name="samples",
    kind=OptionKind.WHOLE,
    about="how many to wait for",
    default=2,
    low=1,
    high=2048,
)

_SUFFIX = {"degC": "degc", "%RH": "rh"}
_SPARE_S = 90.0
"""A first sample may wait for the device's next minute, and some."""


def wait_for_samples(
    session: Session, count: Callable[[Session], int], *, wanted: int, period_s: float
) -> int:
    """Wait until the device has taken so many samples; how many it has then.

    Raises:
        ReadingImplausible: its counter stands still, or is too slow (F26).
    """
    began_s = session.clock.now_s()
    while True:
        taken = count(session)
        if taken >= wanted:
            return taken
        waited_s = session.clock.now_s() - began_s
        if waited_s > (taken + 1) * period_s + _SPARE_S:
            raise ReadingImplausible(
                f"{taken} samples in {waited_s:.0f} s with a period of {period_s:g} s",
                hint="the mission runs but does not sample: look at the oscillator bit, "
                "then at the cell",
            )
        session.clock.sleep(min(period_s / 4, 5.0))


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
