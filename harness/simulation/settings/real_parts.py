"""Times of real parts, around which the units of a simulated lot are drawn.

Medians in us of the devices in six recordings of real lines (a public-domain collection;
the files lie with the tests, ``recordings``): wait before presence, presence, and how
long a zero is held. One line of values each; None where the recording shows none.

The parts are of five families and unknown age, so their spread is that of parts from
anywhere: units of one lot lie closer together. A fixture that knows better gives
``typical.time_base`` and ``time_spread``.
"""

from __future__ import annotations

from dataclasses import dataclass
from random import Random
from statistics import mean, stdev

_MEDIANS_US: tuple[tuple[float, float, float | None], ...] = (
    (27.0, 120.0, 29.0),  # two thermometers 28h, sampled every 1 us
    (27.0, 116.0, 30.0),  # authenticator 33h, 1 us
    (36.0, 116.0, None),  # octal switch 29h, 2 us
    (34.0, 116.0, 30.0),  # octal switch 29h, 2 us, another recording
    (29.25, 130.125, 34.5),  # write-once memory 0Bh, 0.125 us
    (28.0, 111.0, 28.0),  # thermometers 28h and 42h, 1 us
)


@dataclass(frozen=True, slots=True)
class Seen:
    """What real parts show of one time: mean and standard deviation, in us."""

    mean_us: float
    deviation_us: float


def _seen(place: int) -> Seen:
    values = [us for row in _MEDIANS_US if (us := row[place]) is not None]
    return Seen(mean(values), stdev(values))


REAL_PARTS_US = {
    "presence_wait_us": _seen(0),
    "presence_low_us": _seen(1),
    "read_0_us": _seen(2),
    # no recording shows when a device samples; the sheets give one window for both
    # (15 to 60 us, family 0Ch, part DS1996, p. 16-17)
    "sample_us": _seen(2),
}
"""30.2 +- 3.9 us, 118.2 +- 6.4 us, 30.3 +- 2.5 us."""


def draw_times(random: Random, factor: float | None = None) -> dict[str, float]:
    """The times of one unit; they are fast or slow together: a chip has one oscillator.

    Args:
        random: of the unit.
        factor: of the unit's times where the lot says how they spread; None to spread
            as real parts do.
    """
    if factor is not None:
        return {name: seen.mean_us * factor for name, seen in REAL_PARTS_US.items()}
    deviate = random.gauss(0.0, 1.0)
    return {
        name: seen.mean_us + deviate * seen.deviation_us
        for name, seen in REAL_PARTS_US.items()
    }
