"""Where a device's power comes from.

A supply pin is in ``supply_pin``. On parasite power a capacitor feeds the chip; it
charges from the line through a diode while the line is high and is drained by the
chip while the line is low:

    low    v falls by I t / C, and by Q / C for each time slot
    high   v runs towards line - diode with R C N (R the pull-up, N such devices)

Below its brown-out level the chip loses all volatile state. Recharging does not
bend the line's edge: it happens above all thresholds (first-order model).
"""

from __future__ import annotations

from collections.abc import Callable
from math import exp, inf

from harness.simulation.devices.supply_pin import Chip, ExternalSupply
from harness.simulation.line.engine import Action, Engine, Timer
from harness.simulation.settings.device import SupplyNodeSettings

POWER_ON_US = 20.0
"""From a charged capacitor to a running chip (invented; no figure is published)."""

HYSTERESIS_V = 0.05


class ParasiteSupply:
    """A capacitor fed from the data line.

    Args:
        engine: the line and its events.
        settings: capacitor, diode and currents.
        chip: the device.
        crowd: how many devices charge from the line together.
    """

    is_parasite = True
    takes_time = True

    def __init__(
        self,
        *,
        engine: Engine,
        settings: SupplyNodeSettings,
        chip: Chip,
        crowd: Callable[[], int],
    ) -> None:
        self.volts = engine.line.volts - settings.diode_v
        self.is_good = True
        self._engine = engine
        self.settings = settings
        self._chip = chip
        self._crowd = crowd
        self.feed_v = settings.brown_out_v + settings.diode_v
        self._since_us = 0.0
        self._fed = True
        self._target_v = self.volts
        self._tau_us = 1.0
        self._drain_ua = settings.idle_ua
        self._timer: Timer | None = None
        self._on_sag: Action | None = None
        self._working_ua = 0.0
        self._stands_low_us = 0.0
        self._grace: Timer | None = None

    @property
    def is_working(self) -> bool:
        """True while the chip draws its working current."""
        return self._on_sag is not None

    @property
    def draws_ua(self) -> float:
        """Current into a supply pin: there is none; the line shows what it draws."""
        return 0.0

    def feed(self, rail_v: float) -> None:
        """The bench's supply acts through the line only."""

    def dip(self, to_v: float = inf) -> None:
        """There is no supply lead."""

    def connect(self, connected: bool) -> None:
        """There is no supply lead."""

    def attach(self) -> None:
        """The data lead is on the line."""
        comparator = self._engine.listen(
            self,
            low_v=self.feed_v,
            high_v=self.feed_v + HYSTERESIS_V,
            on_edge=self._on_feed,
        )
        self.refresh()
        if comparator.is_high != self._fed:
            self._on_feed(comparator.is_high)

    def detach(self) -> None:
        """The data lead is off."""
        self._engine.ignore(self)
        if self._fed:
            self._on_feed(False)

    def retire(self) -> None:
        """Something else feeds the chip from now on."""
        self.rest()
        self._call_off()
        self._engine.ignore(self)

    def refresh(self) -> None:
        """Book what happened so far; the line's source changed."""
        self._book()
        self._look_at_line()

    def present_v(self) -> float:
        """Voltage of the capacitor now."""
        self._book()
        return self.volts

    def assume(self, volts: float) -> None:
        """Set the capacitor's voltage, as after a lumped account of many slots."""
        self.volts = volts
        self._since_us = self._engine.now_us

    def spend_slot(self) -> None:
        """One time slot costs its charge."""
        self._book()
        settings = self.settings
        self.volts -= settings.slot_charge_nc * 1000 / settings.store_pf
        if self.is_good and self.volts < settings.brown_out_v:
            self._brown_out()

    def work(
        self,
        amperes: float,
        *,
        least_v: float,
        on_sag: Action,
        stands_low_us: float = 0.0,
    ) -> None:
        """Draw a working current; ``on_sag`` is called if the line falls below ``least_v``.

        Work that stands a low for a time draws its current from the line alone, as a
        charge pump does, and pauses meanwhile; the capacitor keeps the chip going.
        """
        self._book()
        self._on_sag = on_sag
        self._working_ua = self._drain_ua = amperes * 1e6
        self._stands_low_us = stands_low_us
        engine = self._engine
        engine.line.draw(self, at_us=engine.now_us, amperes=amperes)
        watch = engine.listen(
            (id(self), "sag"),
            low_v=least_v,
            high_v=least_v + HYSTERESIS_V,
            on_edge=self._on_line_sag,
        )
        if not watch.is_high:
            self._on_line_sag(False)
        self.refresh()
        if not self._fed:
            self._wait_for_brown_out()

    def rest(self) -> None:
        """The work is done."""
        if self._on_sag is None:
            return
        self._book()
        self._on_sag = None
        self._end_grace()
        self._drain_ua = self.settings.idle_ua
        engine = self._engine
        engine.line.draw(self, at_us=engine.now_us, amperes=0.0)
        engine.ignore((id(self), "sag"))
        self.refresh()
        if not self._fed and self.is_good:
            self._wait_for_brown_out()

    def rebase(self, by_us: float) -> None:
        """Times now count from a point ``by_us`` later."""
        self._since_us -= by_us

    def _on_line_sag(self, is_high: bool) -> None:
        if self._on_sag is None:
            return
        if is_high:
            self._book()
            self._end_grace()
            self._drain_ua = self._working_ua
        elif self._stands_low_us:
            self._book()
            self._drain_ua = self.settings.idle_ua
            self._end_grace()
            self._grace = self._engine.after(self._stands_low_us, self._low_too_long)
        else:
            self._on_sag()

    def _low_too_long(self) -> None:
        self._grace = None
        self._book()
        self._drain_ua = self._working_ua
        if self._on_sag is not None:
            self._on_sag()
        if not self._fed and self.is_good:
            self._wait_for_brown_out()

    def _end_grace(self) -> None:
        if self._grace is not None:
            self._grace.cancel()
            self._grace = None

    def _on_feed(self, is_high: bool) -> None:
        self._book()
        self._fed = is_high
        if is_high:
            self._look_at_line()
            self._call_off()
            if not self.is_good:
                self._timer = self._engine.after(POWER_ON_US, self._power_on)
        elif self.is_good:
            self._wait_for_brown_out()
        else:
            self._call_off()

    def _look_at_line(self) -> None:
        line = self._engine.line
        if self._fed:
            settings = self.settings
            self._target_v = max(0.0, line.final_v - settings.diode_v)
            crowd = max(1, self._crowd())
            self._tau_us = line.source_ohm * settings.store_pf * crowd * 1e-6

    def _book(self) -> None:
        """Bring the capacitor's voltage up to now."""
        now_us = self._engine.now_us
        elapsed_us = now_us - self._since_us
        self._since_us = now_us
        if elapsed_us <= 0:
            return
        if self._fed:
            missing_v = self._target_v - self.volts
            if missing_v > 0:  # the diode lets nothing flow back
                missing_v *= exp(-elapsed_us / self._tau_us)
                self.volts = self._target_v - missing_v
                return
        drained_v = self._drain_ua * elapsed_us / self.settings.store_pf
        floor_v = max(0.0, self._target_v) if self._fed else 0.0
        self.volts = max(min(floor_v, self.volts), self.volts - drained_v)

    def _wait_for_brown_out(self) -> None:
        self._call_off()
        spare_v = max(0.0, self.volts - self.settings.brown_out_v)
        if self._drain_ua > 0:
            hold_us = self.settings.store_pf * spare_v / self._drain_ua
            self._timer = self._engine.after(hold_us, self._brown_out)

    def _brown_out(self) -> None:
        self._call_off()
        self.is_good = False
        self.volts = min(self.volts, self.settings.brown_out_v)
        self.rest()
        self._chip.power_off()
        if self._fed:
            self._timer = self._engine.after(POWER_ON_US, self._power_on)

    def _power_on(self) -> None:
        self._timer = None
        self._book()
        self.is_good = True
        self._chip.power_on()

    def _call_off(self) -> None:
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None


Supply = ExternalSupply | ParasiteSupply
