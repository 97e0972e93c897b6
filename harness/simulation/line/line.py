"""The line: one node whose voltage runs in exponentials between events.

Everything that pulls is a resistance to a level; everything that draws is a
current. Together they are one source with one resistance, which charges the one
capacitance of cable and pins:

    v(t) = final + (v - final) exp(-t / tau)     tau = C / sum(1/R)
    final = (sum(level/R) - sum(I)) / sum(1/R)

A voltage induced into the cable (``induced_v``) adds to what every listener sees.
Distances are short against the edges, so there is one voltage for all.
"""

from __future__ import annotations

from collections.abc import Hashable
from math import exp, fsum, inf, log

from harness.simulation.line.trace import LineCourse, LineWatch, Pull, Segment


class Line:
    """Voltage of the node at any time, and when it will cross a level.

    Times count from the bench's present origin (``rebase``), so that equal
    situations give equal numbers whatever the hour.

    Attributes:
        at_us: time that the voltage has run to.
        volts: voltage then, without what is induced.
        final_v: voltage that it runs to.
        tau_us: time constant of that.
        induced_v: voltage induced into the cable.
        watch: who takes down what the line does, if anybody.
    """

    def __init__(self, *, capacitance_pf: float) -> None:
        self.at_us = 0.0
        self.volts = 0.0
        self.final_v = 0.0
        self.tau_us = 1.0
        self.induced_v = 0.0
        self.watch: LineWatch | None = None
        self._events: list[Segment | Pull] = []
        self._segment_us = 0.0
        self._segment_v = 0.0
        self._pulls: dict[Hashable, tuple[float, float]] = {}
        self._induced_v: dict[Hashable, float] = {}
        self._loads_a: dict[Hashable, float] = {}
        self._leaks_a: dict[Hashable, float] = {}
        self._capacitances_pf: dict[Hashable, float] = {"cable": capacitance_pf}
        self._signature: Hashable = None

    @property
    def signature(self) -> Hashable:
        """Equal for lines that behave alike."""
        if self._signature is None:
            self._signature = (
                frozenset(self._pulls.items()),
                frozenset(self._loads_a.items()),
                frozenset(self._leaks_a.values()),
                frozenset(self._capacitances_pf.items()),
            )
        return self._signature

    @property
    def source_ohm(self) -> float:
        """Resistance that the capacitance charges through."""
        siemens = sum(pull[0] for pull in self._pulls.values())
        return 1 / siemens if siemens else inf

    def record(self, watch: LineWatch | None, *, origin_us: float) -> None:
        """Have ``watch`` take down all from now on; None ends that."""
        self.hand_over(origin_us)
        self.watch = watch
        self._segment_us, self._segment_v = self.at_us, self.volts

    def hand_over(self, origin_us: float) -> LineCourse | None:
        """Give the watch what happened since the origin; None if nothing did."""
        self._end_segment()
        if self.watch is None or not self._events:
            return None
        course = LineCourse(events=tuple(self._events), length_us=self.at_us)
        self._events.clear()
        self.watch.take(origin_us, course)
        return course

    @property
    def is_loaded(self) -> bool:
        """True while a device draws its working current from the line."""
        return bool(self._loads_a)

    def pull(
        self, owner: Hashable, *, at_us: float, ohm: float, level_v: float
    ) -> None:
        """From ``at_us`` on ``owner`` pulls towards ``level_v`` through ``ohm``."""
        self.move_to(at_us)
        self._pulls[owner] = (1 / ohm, level_v / ohm)
        self._solve()
        if self.watch is not None:
            self._events.append(Pull(owner, at_us, level_v < self._most_v() / 2))

    def release(self, owner: Hashable, *, at_us: float) -> None:
        """From ``at_us`` on ``owner`` does not pull."""
        if owner in self._pulls:
            self.move_to(at_us)
            del self._pulls[owner]
            self._solve()
            if self.watch is not None:
                self._events.append(Pull(owner, at_us, False))

    def _most_v(self) -> float:
        """The highest level that anybody pulls to."""
        return max(level / siemens for siemens, level in self._pulls.values())

    def draw(self, owner: Hashable, *, at_us: float, amperes: float) -> None:
        """From ``at_us`` on ``owner`` draws a current; zero ends it."""
        self.move_to(at_us)
        if amperes:
            self._loads_a[owner] = amperes
        else:
            self._loads_a.pop(owner, None)
        self._solve()

    def leak(self, owner: Hashable, *, at_us: float, amperes: float) -> None:
        """From ``at_us`` on a current leaks to ground all the time; zero ends it."""
        self.move_to(at_us)
        self._leaks_a.pop(owner, None)
        if amperes:
            self._leaks_a[owner] = amperes
        self._solve()

    def load_capacitance(
        self, owner: Hashable, *, at_us: float, farad_pf: float
    ) -> None:
        """``owner`` hangs a capacitance on the line; zero takes it off."""
        self.move_to(at_us)
        if farad_pf:
            self._capacitances_pf[owner] = farad_pf
        else:
            self._capacitances_pf.pop(owner, None)
        self._solve()

    def induce(self, owner: Hashable, *, at_us: float, volts: float) -> None:
        """``owner`` couples a voltage into the cable from ``at_us`` on; zero ends it."""
        self.move_to(at_us)
        self._end_segment()
        if volts:
            self._induced_v[owner] = volts
        else:
            self._induced_v.pop(owner, None)
        self.induced_v = fsum(self._induced_v.values())

    def _solve(self) -> None:
        self._end_segment()
        self._signature = None
        # exact sums: equal lines are equal to the last bit, whatever came first
        siemens = fsum(pull[0] for pull in self._pulls.values())
        capacitance_pf = fsum(self._capacitances_pf.values())
        if siemens == 0:  # nothing pulls: it stays where it is
            self.final_v, self.tau_us = self.volts, inf
            return
        current = fsum(pull[1] for pull in self._pulls.values())
        current -= fsum((*self._loads_a.values(), *self._leaks_a.values()))
        # no load can pull a line below ground
        self.final_v = max(0.0, current / siemens)
        self.tau_us = max(capacitance_pf * 1e-6 / siemens, 1e-9)

    def move_to(self, at_us: float) -> None:
        """Let the voltage run up to ``at_us``."""
        elapsed_us = at_us - self.at_us
        if elapsed_us > 0:
            distance_v = self.volts - self.final_v
            self.volts = self.final_v + distance_v * exp(-elapsed_us / self.tau_us)
        self.at_us = at_us

    def _end_segment(self) -> None:
        """From here on the voltage runs otherwise, or time counts otherwise."""
        if self.watch is None:
            return
        if self.at_us > self._segment_us:
            self._events.append(
                Segment(
                    start_us=self._segment_us,
                    end_us=self.at_us,
                    start_v=self._segment_v,
                    end_v=self.volts,
                    final_v=self.final_v,
                    tau_us=self.tau_us,
                    induced_v=self.induced_v,
                )
            )
        self._segment_us, self._segment_v = self.at_us, self.volts

    def settle(self, volts: float) -> None:
        """Put the voltage where it is for all that matters."""
        self._end_segment()
        self.volts = self._segment_v = volts

    def rebase(self, by_us: float, origin_us: float) -> None:
        """Count time from a point ``by_us`` later; it counted from ``origin_us``."""
        self.hand_over(origin_us)
        self.at_us -= by_us
        self._segment_us = self.at_us

    def crossing_us(self, level_v: float, *, rising: bool) -> float:
        """When listeners next see the voltage at ``level_v``; inf if never.

        A voltage that is beyond the level already crosses it now.
        """
        level_v -= self.induced_v
        distance_v = self.volts - level_v
        if (distance_v >= 0) if rising else (distance_v <= 0):
            return self.at_us
        remaining_v = self.final_v - level_v
        if (remaining_v <= 0) if rising else (remaining_v >= 0):
            return inf
        ratio = (self.volts - self.final_v) / (level_v - self.final_v)
        return self.at_us + self.tau_us * log(ratio)
