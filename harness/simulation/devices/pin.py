"""The data pin of a device: line voltage in, bits out, by the device's own time base.

    falling edge seen (own threshold, after the hold-off that follows a rise)
      -> still low after min_low     the low is a time slot; a 0 is pulled from here
      -> sample instant              the bit is what the own comparator says
      -> read-0 release              the pull ends
    low for reset_min or longer, then a rising edge
      -> presence wait -> presence low -> ready for the first slot

It knows nothing of bytes or commands; those are the device's. A change of speed that
the device decides on while the line is low is taken over when the line has risen: the
command bytes for overdrive end with a written 0, which is still a standard one.
"""

from __future__ import annotations

from collections.abc import Hashable
from enum import Enum, auto
from math import inf
from typing import Protocol

from harness.simulation.devices.time_bases import HeardLow, OverdriveTimes, TimeBase
from harness.simulation.line.engine import Action, Comparator, Engine, Timer
from harness.simulation.line.slot_log import SlotLog
from harness.simulation.settings.device import DeviceSettings

NEVER_US = -inf


class SlotLogic(Protocol):
    """What a pin needs of its device.

    Attributes:
        fast: True while it runs in overdrive.
    """

    fast: bool

    @property
    def is_mute(self) -> bool:
        """True if it takes no part until the next reset."""
        ...

    def level(self) -> int:
        """What to do with the slot that just began: 0 pulls, 1 leaves the line."""
        ...

    def take(self, bit: int) -> None:
        """The bit sampled in this slot."""
        ...

    def restart(self, *, leave_overdrive: bool = True) -> None:
        """A reset was seen."""
        ...

    def go_mute(self, *, leave_overdrive: bool) -> None:
        """A low was seen that is no promised reset, and that upset the chip."""
        ...


class Phase(Enum):
    """What the pin is busy with."""

    OFF = auto()
    READY = auto()
    EDGE = auto()
    SLOT = auto()
    PRESENCE_WAIT = auto()
    PRESENCE = auto()


class Pin:
    """One device's pin on the line.

    Attributes:
        time_base: its times at standard speed.
        overdrive: its times in overdrive; None for a device that has none.
        is_fast: True while it goes by the latter.
        may_doze: True while a mute device at standard speed need not follow slots: in
            overdrive traffic, if slots cost it nothing.
        ground_v: its ground against the line's; it pulls to there.
        stretch_us: how long it holds the line low once it knows a reset; mostly not.
    """

    def __init__(
        self,
        *,
        engine: Engine,
        settings: DeviceSettings,
        time_base: TimeBase,
        logic: SlotLogic,
        on_slot: Action,
        overdrive: OverdriveTimes | None = None,
    ) -> None:
        self.time_base = time_base
        self.overdrive = overdrive
        self.is_fast = logic.fast
        self.may_doze = False
        self.ground_v = 0.0
        self.stretch_us = 0.0
        self._shifts_v: dict[Hashable, float] = {}
        self.phase = Phase.READY
        self.slot_log = SlotLog()
        self._engine = engine
        self._settings = settings
        self._logic = logic
        self._on_slot = on_slot
        self._timers: list[Timer] = []
        self._low_since_us = 0.0
        self._deaf_until_us = NEVER_US
        self._edge_us = 0.0
        self._pulling = self._sampled = False
        self._high = True
        self._attached = False

    @property
    def is_high(self) -> bool:
        """True if it sees the line high; a pin without a line sees it low."""
        return self._high

    @property
    def times(self) -> TimeBase:
        """The times in force."""
        if self.is_fast and self.overdrive is not None:
            return self.overdrive.times
        return self.time_base

    @property
    def is_dozing(self) -> bool:
        """True if only a reset is of interest.

        A mute device neither pulls nor takes a bit, so its state cannot be seen; without this
        each of its slots would span several overdrive slots, and no slot be known.
        """
        return self.may_doze and not self.is_fast and self._logic.is_mute

    def follow_speed(self) -> None:
        """The device may have changed its speed; at a low line that waits."""
        if self._high or self.phase is Phase.OFF:
            self.is_fast = self._logic.fast

    @property
    def is_at_rest(self) -> bool:
        """True if the next edge would be taken for a slot."""
        if self.phase is Phase.READY:
            return self._deaf_until_us <= self._engine.now_us or self.is_dozing
        return self.phase is Phase.OFF

    def attach(self) -> None:
        """Connect to the line; a pin that floated low now sees it rise."""
        if self._attached:
            return
        self._attached = True
        engine = self._engine
        comparator = self._listen(was_high=False)
        engine.line.load_capacitance(
            self, at_us=engine.now_us, farad_pf=self._settings.input_pf
        )
        if comparator.is_high != self._high:
            self._on_edge(comparator.is_high)

    def shift_thresholds(self, owner: Hashable, volts: float) -> None:
        """See the line lower by a voltage from now on; zero ends it.

        So it looks from a branch that dips, and from a ground that is lifted.
        """
        self._shifts_v.pop(owner, None)
        if volts:
            self._shifts_v[owner] = volts
        if not self._attached:
            return
        engine = self._engine
        engine.line.move_to(engine.now_us)
        engine.ignore(self)
        comparator = self._listen(was_high=self._high)
        if comparator.is_high != self._high:
            self._on_edge(comparator.is_high)

    def _listen(self, *, was_high: bool) -> Comparator:
        settings, shift_v = self._settings, sum(self._shifts_v.values())
        return self._engine.listen(
            self,
            low_v=settings.threshold_low_v + shift_v,
            high_v=settings.threshold_high_v + shift_v,
            on_edge=self._on_edge,
            was_high=was_high,
        )

    def detach(self) -> None:
        """Disconnect; a floating pin reads low."""
        if not self._attached:
            return
        self._let_go()
        self._attached = False
        self._engine.ignore(self)
        self._engine.line.load_capacitance(
            self, at_us=self._engine.now_us, farad_pf=0.0
        )
        if self._high:
            self._on_edge(False)

    def power_off(self) -> None:
        """The chip is dead: it neither pulls nor hears."""
        self._abort()
        self.phase = Phase.OFF

    def power_on(self) -> None:
        """The chip starts; it announces itself as after a reset, once the line is high."""
        self.phase = Phase.READY
        self.is_fast = self._logic.fast
        self._low_since_us = NEVER_US
        if self._high:
            self._begin_presence(leave_overdrive=False)

    def forget(self) -> None:
        """Start a new account of what is seen."""
        self.slot_log = SlotLog()

    def rebase(self, by_us: float) -> None:
        """Times now count from a point ``by_us`` later."""
        self._low_since_us -= by_us
        self._deaf_until_us -= by_us
        self._edge_us -= by_us

    def _on_edge(self, is_high: bool) -> None:
        self._high = is_high
        if is_high:
            self._rise()
        else:
            self._fall()

    def _fall(self) -> None:
        now_us = self._engine.now_us
        self._low_since_us = now_us
        if self.stretch_us:
            self._engine.after(self.times.reset_min_us, self._stretch)
        if self.phase is not Phase.READY or self.is_dozing:
            return
        if now_us < self._deaf_until_us:
            self._start(self._deaf_until_us - now_us, self._look_again)
        else:
            self._begin_edge()

    def _stretch(self) -> None:
        """Still low: that is a reset, and this part makes it longer."""
        engine = self._engine
        low_us = engine.now_us - self._low_since_us
        if self._high or self.phase is Phase.OFF or low_us < self.times.reset_min_us:
            return
        owner = (self, "stretch")
        self._hold_low(owner)
        engine.after(
            self.stretch_us, lambda: engine.line.release(owner, at_us=engine.now_us)
        )

    def _look_again(self) -> None:
        if self.phase is Phase.READY and not self._high:
            self._begin_edge()

    def _begin_edge(self) -> None:
        self.phase = Phase.EDGE
        self._edge_us = self._engine.now_us
        self._start(self.times.min_low_us, self._begin_slot)

    def _begin_slot(self) -> None:
        self.phase = Phase.SLOT
        self._sampled = False
        gone_us = self._engine.now_us - self._edge_us
        self._on_slot()
        if self.phase is not Phase.SLOT:
            return  # that cost the last of its supply
        if self._logic.level() == 0:
            self._pull()
            self._start(self.times.read_0_us - gone_us, self._end_pull)
        self._start(self.times.sample_us - gone_us, self._sample)

    def _sample(self) -> None:
        bit = 1 if self._high else 0
        self.slot_log.note_slot(bit, self._engine.now_us)
        self._sampled = True
        self._end_slot()
        self._logic.take(bit)

    def _end_pull(self) -> None:
        self._let_go()
        self._end_slot()

    def _end_slot(self) -> None:
        if self._sampled and not self._pulling:
            self.phase = Phase.READY

    def _rise(self) -> None:
        now_us = self._engine.now_us
        self._deaf_until_us = now_us + self.times.hold_off_us
        if self.phase is Phase.OFF:
            return
        meaning = self._meaning(now_us - self._low_since_us)
        if meaning in {HeardLow.RESET, HeardLow.OVERDRIVE_RESET}:
            leaves = meaning is HeardLow.RESET
            self.slot_log.note_reset(leaves_overdrive=leaves)
            self._begin_presence(leave_overdrive=leaves)
        elif meaning is not HeardLow.SLOT:
            self._abort()
            self.slot_log.upset = True
            self._logic.go_mute(leave_overdrive=meaning is HeardLow.MUTE_AND_SLOW)
        elif self.phase is Phase.EDGE:
            self._abort()
        self.follow_speed()

    def _meaning(self, low_us: float) -> HeardLow:
        leave_us = self.time_base.reset_min_us
        if self.is_fast and self.overdrive is not None:
            return self.overdrive.meaning(low_us, leave_us=leave_us)
        return HeardLow.RESET if low_us >= leave_us else HeardLow.SLOT

    def _begin_presence(self, *, leave_overdrive: bool) -> None:
        self._abort()
        self._logic.restart(leave_overdrive=leave_overdrive)
        self.phase = Phase.PRESENCE_WAIT
        self._start(self.times.presence_wait_us, self._presence)

    def _presence(self) -> None:
        self.phase = Phase.PRESENCE
        self._pull()
        self._start(self.times.presence_low_us, self._end_presence)

    def _end_presence(self) -> None:
        self._let_go()
        self.phase = Phase.READY
        # the device's own low is no part of a reset
        self._low_since_us = self._engine.now_us

    def _pull(self) -> None:
        self._pulling = True
        if self._attached:
            self._hold_low(self)

    def _hold_low(self, owner: Hashable) -> None:
        self._engine.line.pull(
            owner,
            at_us=self._engine.now_us,
            ohm=self._settings.output_ohm,
            level_v=self.ground_v,
        )

    def _let_go(self) -> None:
        self._pulling = False
        self._engine.line.release(self, at_us=self._engine.now_us)

    def _start(self, delay_us: float, action: Action) -> None:
        self._timers = [t for t in self._timers if t.action is not None]
        self._timers.append(self._engine.after(max(0.0, delay_us), action))

    def _abort(self) -> None:
        for timer in self._timers:
            timer.cancel()
        self._timers.clear()
        if self._pulling:
            self._let_go()
        self.phase = Phase.READY
