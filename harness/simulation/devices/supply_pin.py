"""A supply pin: a lead from the bench's supply, and a capacitor at the chip.

    lead made    v runs towards source - I R with the lead's R and the capacitor C
    lead open    v falls by I t / C

Without a capacitor the pin follows its lead at once. Below the brown-out level the
chip loses all volatile state.
"""

from __future__ import annotations

from math import exp, inf, log
from typing import Protocol

from harness.simulation.line.engine import Action, Engine, Timer
from harness.simulation.settings.device import SupplyNodeSettings, SupplyPinSettings


class Chip(Protocol):
    """Signals of a supply to its device."""

    def power_on(self) -> None:
        """The supply is good again."""
        ...

    def power_off(self) -> None:
        """The supply is gone, and with it all volatile state."""
        ...


class ExternalSupply:
    """A supply pin on the bench's switched supply.

    Args:
        engine: the bench's course of events.
        pin: lead and capacitor.
        node: what the chip draws, and its brown-out level.
        source_v: the bench's supply.
        chip: the device.

    Attributes:
        is_good: True if the chip runs.
    """

    is_parasite = False

    def __init__(
        self,
        *,
        engine: Engine,
        pin: SupplyPinSettings,
        node: SupplyNodeSettings,
        source_v: float,
        chip: Chip,
    ) -> None:
        self.is_good = True
        self._engine = engine
        self._pin = pin
        self._node = node
        self._chip = chip
        self._rail_v = source_v
        self._dip_v = inf
        self._is_connected = True
        self._drain_ua = node.idle_ua
        self._volts = source_v
        self._since_us = 0.0
        self._timer: Timer | None = None
        self._least_v = 0.0
        self._on_sag: Action | None = None

    @property
    def takes_time(self) -> bool:
        """True if the voltage at the chip follows slowly."""
        return self._pin.store_nf > 0

    def feed(self, rail_v: float) -> None:
        """The bench's supply has a voltage from now on."""
        self._book()
        self._rail_v = rail_v
        self._look()

    def dip(self, to_v: float = inf) -> None:
        """The lead gets no more than ``to_v`` from now on; without it all again."""
        self._book()
        self._dip_v = to_v
        self._look()

    def connect(self, connected: bool) -> None:
        """The device's supply lead makes or breaks contact."""
        self._book()
        self._is_connected = connected
        self._look()

    def present_v(self) -> float:
        """Voltage at the pin now."""
        self._book()
        return self._volts

    @property
    def draws_ua(self) -> float:
        """Current into the supply pin now."""
        return self._drain_ua if self._is_connected and self.is_good else 0.0

    def attach(self) -> None:
        """The data lead matters not."""

    def detach(self) -> None:
        """The data lead matters not."""

    def refresh(self) -> None:
        """The line matters not."""

    def rebase(self, by_us: float) -> None:
        """Times now count from a point ``by_us`` later."""
        self._since_us -= by_us

    def spend_slot(self) -> None:
        """Slots cost nothing that matters here."""

    def work(
        self,
        amperes: float,
        *,
        least_v: float,
        on_sag: Action,
        stands_low_us: float = 0.0,
    ) -> None:
        """Draw a working current; ``on_sag`` is called if the pin falls below ``least_v``.

        The line matters not, nor how long it is low.
        """
        self._book()
        self._drain_ua = amperes * 1e6
        self._least_v, self._on_sag = least_v, on_sag
        self._look()

    def rest(self) -> None:
        """The work is done."""
        if self._on_sag is not None:
            self._book()
            self._on_sag = None
            self._drain_ua = self._node.idle_ua
            self._look()

    # inside

    @property
    def _target_v(self) -> float:
        """Where the pin's voltage runs to."""
        if not self._is_connected:
            return 0.0
        source_v = min(self._rail_v, self._dip_v)
        return max(0.0, source_v - self._drain_ua * 1e-6 * self._pin.series_ohm)

    @property
    def _tau_us(self) -> float:
        return self._pin.series_ohm * self._pin.store_nf * 1e-3

    def _book(self) -> None:
        """Bring the pin's voltage up to now."""
        elapsed_us = self._engine.now_us - self._since_us
        self._since_us = self._engine.now_us
        if self._pin.store_nf == 0 or (self._is_connected and self._tau_us == 0):
            self._volts = self._target_v
        elif self._is_connected:
            missing_v = self._target_v - self._volts
            self._volts = self._target_v - missing_v * exp(-elapsed_us / self._tau_us)
        else:
            drained_v = self._drain_ua * elapsed_us / (self._pin.store_nf * 1000)
            self._volts = max(0.0, self._volts - drained_v)

    def _look(self) -> None:
        """Something changed: act on the voltage, and wait for the next level."""
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
        self._book()
        self._judge()
        wait_us = self._until_us(self._next_level_v())
        if wait_us < inf:
            self._timer = self._engine.after(wait_us, self._arrive)

    def _next_level_v(self) -> float:
        """The next level at which something happens."""
        if self._volts > self._least_v > self._target_v and self._on_sag is not None:
            return self._least_v
        return self._node.brown_out_v

    def _arrive(self) -> None:
        """The voltage is at the level waited for: step just beyond it."""
        self._timer = None
        level_v = self._next_level_v()
        self._book()
        beyond_v = 1e-6 if self._target_v > level_v else -1e-6
        self._volts = level_v + beyond_v
        self._look()

    def _judge(self) -> None:
        if self._on_sag is not None and self._volts < self._least_v:
            self._on_sag()
        is_good = self._volts >= self._node.brown_out_v
        if is_good == self.is_good:
            return
        self.is_good = is_good
        if is_good:
            self._chip.power_on()
        else:
            self._on_sag = None
            self._drain_ua = self._node.idle_ua
            self._chip.power_off()

    def _until_us(self, level_v: float) -> float:
        """How long until the pin passes a level; inf if it does not."""
        volts, target_v = self._volts, self._target_v
        if (volts > level_v) == (target_v > level_v) or volts == level_v:
            return inf
        if not self._is_connected:
            if not self._drain_ua:
                return inf
            return (volts - level_v) * self._pin.store_nf * 1000 / self._drain_ua
        return self._tau_us * log((target_v - volts) / (target_v - level_v))
