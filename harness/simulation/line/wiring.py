"""What hangs on the line apart from devices: pull-ups, the adapter's stage, disturbances.

Everything here changes the line at the engine's present time and then notifies whatever
watches (``on_change``) that things are no longer as they were.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable
from math import inf

from harness.simulation.line.agenda import Agenda
from harness.simulation.line.engine import Engine
from harness.simulation.line.line import Line
from harness.simulation.settings.bench import BenchSettings


class Wiring:
    """The line and all that is soldered or switched to it.

    Attributes:
        line: the node.
        host_low: True while the adapter's stage pulls.
        cut_off: True while the adapter has no power: its output is open.
        host_low_v: level that its stage pulls to.
        host_lift_v: its ground against the line's.
        host_high_ohm: fault; resistance through which it drives its highs.
        on_change: called after each change that is no part of a character.
    """

    def __init__(self, settings: BenchSettings, agenda: Agenda) -> None:
        self.host_low = False
        self.cut_off = False
        self.host_low_v = settings.adapter.low_v
        self.host_lift_v = 0.0
        self.host_high_ohm: float | None = None
        self.on_change: Callable[[], None] = _nobody_watches
        self._settings = settings
        self._agenda = agenda
        line, adapter = settings.line, settings.adapter
        self.line = Line(
            capacitance_pf=line.cable_m * line.cable_pf_per_m + adapter.input_pf
        )
        self.engine = Engine(self.line)
        self._pull_up_ohm = line.pull_up_ohm
        self._powered = True
        self._fed_v: float | None = None
        self._rail_limits_v: dict[Hashable, float] = {}
        self._strong = False
        self._programming = False
        self._apply_pull_ups()
        self.line.settle(self.line.final_v)

    # the adapter

    def drive(self, level: int) -> None:
        """Let the adapter's stage pull (0) or let go (1)."""
        pulls = level == 0 and not self.cut_off
        now_us = self.engine.now_us
        self.host_low = pulls
        if pulls:
            ohm = self._settings.adapter.low_ohm
            level_v = self.host_low_v + self.host_lift_v
            self.line.pull("host", at_us=now_us, ohm=ohm, level_v=level_v)
        elif self.host_high_ohm is not None and not self.cut_off:
            level_v = self._settings.line.supply_v + self.host_lift_v
            ohm = self.host_high_ohm
            self.line.pull("host", at_us=now_us, ohm=ohm, level_v=level_v)
        else:
            self.line.release("host", at_us=now_us)

    def redrive(self) -> None:
        """The stage has changed: let it do what it does, in its new way."""
        self.drive(0 if self.host_low else 1)
        self.on_change()

    def set_break(self, low: bool) -> None:
        """Hold the transmitter low, or let it go."""
        if low != self.host_low:
            self.drive(0 if low else 1)
            self.on_change()

    def cut(self, cut: bool) -> None:
        """Take the adapter's power away, or give it back."""
        self.cut_off = cut
        self.drive(1)
        self.on_change()

    @property
    def rail_v(self) -> float:
        """What the supply gives now."""
        if not self._powered:
            return 0.0
        source_v = self._settings.line.supply_v if self._fed_v is None else self._fed_v
        return min([source_v, *self._rail_limits_v.values()])

    @property
    def pull_up_a(self) -> float:
        """Current through the pull-up into the line now."""
        return max(0.0, self.rail_v - self.line.volts) / self._pull_up_ohm

    def feed_rail(self, volts: float) -> None:
        """An instrument of the bench gives this, in place of the fixture's supply."""
        self._fed_v = volts
        self._apply_pull_ups()
        self.on_change()

    def limit_rail(self, owner: Hashable, to_v: float) -> None:
        """The supply gives no more than this; infinity ends it."""
        self._rail_limits_v.pop(owner, None)
        if to_v < inf:
            self._rail_limits_v[owner] = to_v
        self._apply_pull_ups()
        self.on_change()

    def switch(self, *, rts: bool, dtr: bool) -> None:
        """Switch supply, strong pull-up and programming supply as the modem lines say."""
        power = self._settings.power
        on = power.supply_on is None or power.supply_on.holds(rts=rts, dtr=dtr)
        strong = power.strong_pull_up_on is not None and power.strong_pull_up_on.holds(
            rts=rts, dtr=dtr
        )
        programming = power.programming_on is not None and power.programming_on.holds(
            rts=rts, dtr=dtr
        )
        states = (on, strong, programming)
        if states != (self._powered, self._strong, self._programming):
            self._powered, self._strong, self._programming = states
            self._apply_pull_ups()
            self.on_change()

    def _apply_pull_ups(self) -> None:
        settings, line, now_us = self._settings, self.line, self.engine.now_us
        level_v = self.rail_v
        line.pull("pull-up", at_us=now_us, ohm=self._pull_up_ohm, level_v=level_v)
        if self._strong and self._powered:
            ohm = settings.power.strong_pull_up_ohm
            line.pull("strong pull-up", at_us=now_us, ohm=ohm, level_v=level_v)
        else:
            line.release("strong pull-up", at_us=now_us)
        volts = settings.power.programming_v
        if self._programming and volts is not None:
            ohm = settings.power.programming_ohm
            line.pull("programming", at_us=now_us, ohm=ohm, level_v=volts)
        else:
            line.release("programming", at_us=now_us)

    # disturbances

    def fit_pull_up(self, ohm: float | None = None) -> None:
        """Fit another pull-up resistor; without a value the fixture's own."""
        self._pull_up_ohm = ohm or self._settings.line.pull_up_ohm
        self._apply_pull_ups()
        self.on_change()

    def tie(self, owner: Hashable, *, ohm: float, level_v: float) -> None:
        """Tie the line to a level; ``untie`` ends it."""
        self.line.pull(owner, at_us=self.engine.now_us, ohm=ohm, level_v=level_v)
        self.on_change()

    def untie(self, owner: Hashable) -> None:
        """End what ``tie`` began."""
        self.line.release(owner, at_us=self.engine.now_us)
        self.on_change()

    def add_capacitance(self, owner: Hashable, *, farad_pf: float) -> None:
        """Hang a capacitance on the line; zero takes it off."""
        self.line.load_capacitance(owner, at_us=self.engine.now_us, farad_pf=farad_pf)
        self.on_change()

    def spike(self, *, volts: float, width_us: float) -> None:
        """Induce a voltage into the cable from now on, for a time."""
        owner = object()
        self.line.induce(owner, at_us=self.engine.now_us, volts=volts)

        def end() -> None:
            self.line.induce(owner, at_us=self.engine.now_us, volts=0.0)

        self._agenda.add(self.engine.absolute_us + width_us, end)
        self.on_change()


def _nobody_watches() -> None:
    """Before the bench is complete."""
