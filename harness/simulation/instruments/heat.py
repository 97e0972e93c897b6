"""The temperature of a chamber after a step of its set-point: a damped oscillation.

    x'' + 2 d x' + (d^2 + w^2) x = 0,  x the distance to the set-point, d = 1 / tau

The first overshoot of a step is exp(-pi d / w) of it (second-order systems, any book of
control engineering), from which w follows; without overshoot the decay is exponential.
"""

from __future__ import annotations

from math import cos, exp, log, pi, sin


class Heat:
    """A temperature that follows a set-point.

    Args:
        start: temperature at time zero, degC.
        time_constant_s: of the envelope's decay.
        overshoot: share of a step, 0 for none.
    """

    def __init__(
        self, *, start: float, time_constant_s: float, overshoot: float
    ) -> None:
        self.target = start
        self._damping = 1 / time_constant_s
        self._turn = pi * self._damping / -log(overshoot) if overshoot > 0 else 0.0
        self._since_s = 0.0
        self._distance = 0.0
        self._speed = 0.0

    def aim(self, target: float, at_s: float) -> None:
        """A new set-point from a time on."""
        distance, speed = self._state(at_s)
        self._distance = distance + self.target - target
        self._speed, self._since_s, self.target = speed, at_s, target

    def at(self, time_s: float) -> float:
        """The temperature at a time, from the last set-point on."""
        return self.target + self._state(time_s)[0]

    def _state(self, time_s: float) -> tuple[float, float]:
        t = max(0.0, time_s - self._since_s)
        d, w, x, v = self._damping, self._turn, self._distance, self._speed
        fade = exp(-d * t)
        if w == 0.0:
            # no overshoot: what speed is left does not carry the temperature on
            return x * fade, -d * x * fade
        side = (v + d * x) / w
        now = x * cos(w * t) + side * sin(w * t)
        turn = -x * w * sin(w * t) + side * w * cos(w * t)
        return fade * now, fade * (turn - d * now)
