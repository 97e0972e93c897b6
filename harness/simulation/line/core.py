"""The core of the bench: line, devices and the adapter's UART, run in virtual time.

Between any two operations the core stands at ``now_us`` with the engine's origin
there. Time goes on only by ``idle_until`` and ``transmit``; the code that drives it (the
adapter's host side) decides how far.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable
from functools import partial
from math import inf
from random import Random
from typing import Any

from harness.simulation.adapter.adapter_uart import UartSide
from harness.simulation.adapter.uart import Framing, HeardCharacter, Receiver
from harness.simulation.devices.base import Device
from harness.simulation.devices.mounted_device import Station, draw_rom_codes
from harness.simulation.devices.time_bases import TimeBase
from harness.simulation.line.agenda import Agenda
from harness.simulation.line.cached_line import CachedLine
from harness.simulation.line.outcome_cache import Known, Outcomes, situation
from harness.simulation.line.trace import LineTrace, LineWatch
from harness.simulation.line.wiring import Wiring
from harness.simulation.settings.bench import BenchSettings


class Surroundings:
    """The bench as one device sees it."""

    def __init__(self, core: Core, index: int) -> None:
        self._core = core
        self._index = index

    def now_us(self) -> float:
        """Bench time."""
        return self._core.time_of_device_us(self._index)

    def after(self, delay_us: float, action: Callable[[], None]) -> None:
        """Have ``action`` done after a time."""
        self._core.agenda.add(self.now_us() + delay_us, action)

    def ambient_k(self) -> float:
        """How much warmer it is around the devices now than at power-up."""
        return self._core.ambient_k(self.now_us() * 1e-6)

    def device_in(self, socket: str) -> Device[Any]:
        """Another device, for a wire beside the bus."""
        return self._core.station(socket).device


def _as_at_power_up(_now_s: float) -> float:
    """Without a chamber nothing warms or cools the devices."""
    return 0.0


class Core:
    """Everything on the bench that has to do with the line.

    Attributes:
        settings: the truth it was made from.
        wiring: the line and what is soldered to it.
        agenda: what will happen at a given bench time.
        stations: the devices.
        uart: the adapter's UART.
        ambient_k: time in seconds -> how much warmer it is than at power-up.
        oddities: what is unusual about bench or adapter for a time, by whom it comes
            from; slots come out otherwise under it.
        shortcuts_allowed: False to work out every slot exactly.
        worked_out: characters sent through the exact engine so far.
        before_character: called with its start before each character is sent.
        next_byte: the character about to be sent, for those.
    """

    def __init__(self, settings: BenchSettings) -> None:
        self.settings = settings
        self.shortcuts_allowed = True
        self.ambient_k: Callable[[float], float] = _as_at_power_up
        self.worked_out = 0
        self.before_character: list[Callable[[float], None]] = []
        self.next_byte = 0
        self.oddities: dict[Hashable, Hashable] = {}
        self.agenda = Agenda()
        self.wiring = Wiring(settings, self.agenda)
        self._engine = self.wiring.engine
        self.stations: list[Station] = []
        self._runner = CachedLine(self._engine, self.agenda, self.stations)
        self._fit_devices()
        self._quick = [s for s in self.stations if s.pin.overdrive is not None]
        self._outcomes = Outcomes(self._engine, self.stations)
        self._settled: bool | None = None
        self._drifting: list[Station] = []
        self._incident = False
        self.uart = UartSide(
            settings=settings, engine=self._engine, random_for=self.random_for
        )
        self.wiring.on_change = self.touch
        # the port is not open yet: both modem lines are low
        self.set_modem_lines(rts=False, dtr=False)

    # making

    def random_for(self, *names: object) -> Random:
        """A source of random numbers of its own for each purpose."""
        return Random(":".join(map(str, (self.settings.seed, *names))))

    def _fit_devices(self) -> None:
        devices = self.settings.devices
        codes = draw_rom_codes(devices, self.random_for("rom codes"))
        for index, (settings, code) in enumerate(zip(devices, codes, strict=True)):
            station = Station(
                index=index,
                settings=settings,
                rom=code,
                random=self.random_for("device", index),
                overdrive_random=self.random_for("overdrive", index),
                engine=self._engine,
                surroundings=Surroundings(self, index),
                crowd=self.count_parasites,
            )
            self.stations.append(station)
            station.device.on_speed = partial(self._take_speed, station)
            station.attach()
            if self.settings.power.programming_v is not None:
                station.watch_programming(self._engine)

    def count_parasites(self) -> int:
        """How many devices charge from the line."""
        return sum(s.supply.is_parasite and s.is_attached for s in self.stations)

    def station(self, name: str) -> Station:
        """The device in a socket, or with a ROM code as it was made.

        Raises:
            ValueError: there is none.
        """
        for station in self.stations:
            if name in {station.socket, str(station.device.true_rom)}:
                return station
        raise ValueError(f"no device {name!r} on the bench")

    # time

    @property
    def now_us(self) -> float:
        """Bench time in microseconds since power-up."""
        engine = self._engine
        return engine.origin_us + engine.now_us

    def time_of_device_us(self, index: int) -> float:
        """Bench time as device ``index`` has it while it handles a bit."""
        taken_us = self._runner.taken_us(index)
        if taken_us is None:
            return self._engine.absolute_us
        return self._engine.origin_us + taken_us

    def idle_until(self, until_us: float) -> None:
        """Let time pass with nothing to send."""
        while True:
            due_us = min(until_us, self.agenda.next_us)
            self._coast(due_us)
            if self.agenda.next_us <= due_us:
                self.agenda.run_due(due_us)
                self.touch()
            elif due_us >= until_us:
                return

    def transmit(self, data: bytes | bytearray, *, until_us: float = inf) -> int:
        """Send back to back from now on, every character that begins before a time.

        Returns:
            How many were sent; the core then stands at the end of the last one.
        """
        sent, end = 0, len(data)
        while sent < end and self.now_us < until_us and not self.wiring.cut_off:
            if self.agenda.next_us <= self.now_us:
                self.agenda.run_due(self.now_us)
                self.touch()
            last = end
            if self.before_character:
                last = sent + 1
                self.next_byte = data[sent]
                for call in self.before_character:
                    call(self.now_us)
            place = self._send_known(data[:last], sent, until_us)
            if place == sent:
                self._send_exactly(data[sent])
                place += 1
            sent = place
        return sent

    def fetch_heard(self) -> tuple[bytes, list[float]]:
        """Characters received since the last call, and when each was complete."""
        runner = self._runner
        heard, times_us = bytes(runner.heard), runner.heard_us
        runner.heard.clear()
        runner.heard_us = []
        return heard, times_us

    # switching

    def configure_uart(self, *, baud: float, stop_bits: int) -> float:
        """Set rate and format.

        Returns:
            The rate that the chip really makes, its oscillator's error included.
        """
        return self.uart.configure(baud=baud, stop_bits=stop_bits)

    @property
    def framing(self) -> Framing:
        """Rate and format of the adapter's UART."""
        return self.uart.framing

    @property
    def receiver(self) -> Receiver:
        """The receiver of the adapter's UART."""
        return self.uart.receiver

    def set_modem_lines(self, *, rts: bool, dtr: bool) -> None:
        """Switch what the fixture hangs on RTS and DTR."""
        self.wiring.switch(rts=rts, dtr=dtr)
        self._feed()

    def limit_rail(self, owner: Hashable, to_v: float = inf) -> None:
        """The bench's supply gives no more than this; without a value all again."""
        self.wiring.limit_rail(owner, to_v)
        self._feed()

    def feed_rail(self, volts: float) -> None:
        """A bench supply gives this from now on."""
        self.wiring.feed_rail(volts)
        self._feed()

    def _feed(self) -> None:
        for station in self.stations:
            station.supply.feed(self.wiring.rail_v)
        self.touch()

    def touch(self) -> None:
        """Something was changed from outside: look at everything again."""
        self._settled = None
        self._incident = True
        for station in self.stations:
            station.supply.refresh()

    def set_oddity(self, owner: Hashable, value: Hashable = None) -> None:
        """Something is unusual from now on; None ends that."""
        self.oddities.pop(owner, None)
        if value is not None:
            self.oddities[owner] = value
        self.touch()

    def population_changed(self) -> None:
        """A device came, went, or got another time base: known outcomes are invalid."""
        self._outcomes.forget()
        self.touch()

    def use_time_base(self, station: Station, time_base: TimeBase) -> None:
        """Let a device run by other times."""
        station.use_time_base(time_base)
        self.population_changed()

    def _take_speed(self, station: Station) -> None:
        """A device went into overdrive, or left it."""
        station.pin.follow_speed()
        one_is_fast = any(quick.device.fast for quick in self._quick)
        for other in self.stations:
            other.pin.may_doze = one_is_fast and not other.supply.is_parasite
        self._runner.stop()

    def record_trace(self) -> LineTrace:
        """Record the line voltage from now on, until ``stop_trace``."""
        trace = LineTrace()
        self.watch_line(trace)
        return trace

    def watch_line(self, watch: LineWatch) -> None:
        """Report all that the line does from now on, until ``stop_trace``.

        What is known so far goes without its course, so it is worked out once more.
        """
        self._outcomes.forget()
        self.wiring.line.record(watch, origin_us=self._engine.origin_us)

    def hand_over(self) -> None:
        """The watch gets all up to now."""
        self.wiring.line.hand_over(self._engine.origin_us)

    def stop_trace(self) -> None:
        """End the record."""
        self.wiring.line.record(None, origin_us=self._engine.origin_us)

    # inside

    def _is_settled(self) -> bool:
        if self._settled is None:
            line = self.wiring.line
            self._settled = (
                self._engine.is_calm
                and self.receiver.is_idle
                and not self.wiring.host_low
                and not line.is_loaded
                and not line.induced_v
                and all(station.pin.is_at_rest for station in self.stations)
            )
            self._drifting = [s for s in self.stations if s.is_drifting]
        return self._settled

    def _rests(self) -> bool:
        """True if time changes nothing on the line, which is at its final voltage.

        To the hundredth of a volt from which all characters start, see ``_quantise``.
        """
        line = self.wiring.line
        return (
            line.watch is None
            and self._is_settled()
            and line.volts == round(line.final_v * 100) / 100
            and self._engine.is_still
        )

    def _coast(self, until_us: float) -> None:
        """Idle up to a time before which nothing is on the agenda."""
        engine = self._engine
        if self._rests():
            by_us = until_us - engine.origin_us
            if by_us > 0:
                for drifting in self._drifting:
                    drifting.rebase(by_us)
                engine.origin_us = until_us
            return
        while engine.origin_us < until_us:
            span_us = until_us - engine.origin_us
            still = engine.next_due_us == inf and not self.receiver.is_waiting
            step_us = span_us if still else min(span_us, self.framing.character_us)
            engine.run(step_us)
            self._collect(step_us)
            self._rebase()
            self._settled = None
            if step_us == span_us:
                engine.origin_us = until_us
        self._quantise()

    def _send_known(self, data: bytes | bytearray, place: int, until_us: float) -> int:
        line = self.wiring.line
        if not self.shortcuts_allowed or not self._is_settled():
            return place
        place, end_cv = self._runner.run(
            data,
            place,
            known=self._known(),
            until_us=until_us,
            character_us=self.framing.character_us,
            start_cv=self._centivolts(),
        )
        line.settle(end_cv / 100)
        return place

    def _send_exactly(self, byte: int) -> None:
        """Let one character run through the engine, and keep what came of it."""
        engine, length_us = self._engine, self.framing.character_us
        self.worked_out += 1
        known, key = None, 0
        if self._is_settled():
            known = self._known()
            key = situation(byte, self._runner.pulling(), self._centivolts())
        self._incident = False
        self._outcomes.watch()
        for at_us, level in self.framing.transitions(byte):
            engine.at(at_us, partial(self.wiring.drive, level))
        self._work_through(length_us)
        heard = self._collect(length_us)
        self._settled = None
        self._quantise()
        course = self.wiring.line.hand_over(engine.origin_us)
        if known is not None and not self._incident and self._is_settled():
            outcome = self._outcomes.seen(
                heard,
                lumped=known.lumped,
                character_us=length_us,
                end_cv=self._centivolts(),
                course=course,
            )
            if outcome is not None:
                self._outcomes.keep(known, key, outcome)
        self._rebase()

    def _work_through(self, until_us: float) -> None:
        """Run the engine up to a time, agenda included."""
        engine = self._engine
        end_us = engine.origin_us + until_us
        while self.agenda.next_us < end_us:
            due_us = self.agenda.next_us
            engine.run(max(due_us - engine.origin_us, engine.now_us))
            self.agenda.run_due(due_us)
            self.touch()
        engine.run(until_us)
        self.wiring.line.move_to(until_us)

    def _known(self) -> Known:
        fast = sum(station.bit for station in self._quick if station.pin.is_fast)
        awake = 0
        if fast:
            stations = self.stations
            awake = sum(s.bit for s in stations if not s.pin.is_dozing)
        key: Hashable = (self.framing, self.wiring.line.signature, fast, awake)
        if self.oddities:
            key = (key, frozenset(self.oddities.items()))
        return self._outcomes.known(key)

    def _centivolts(self) -> int:
        return round(self.wiring.line.volts * 100)

    def _quantise(self) -> None:
        """A calm line starts from whole hundredths, so that situations repeat."""
        if self._is_settled():
            self.wiring.line.settle(self._centivolts() / 100)

    def _collect(self, until_us: float) -> list[HeardCharacter]:
        heard = self.receiver.collect(until_us)
        for each in heard:
            self._runner.heard.append(each.byte)
            self._runner.heard_us.append(self._engine.origin_us + each.done_us)
        return heard

    def _rebase(self) -> None:
        by_us = self._engine.now_us
        for station in self.stations:
            station.rebase(by_us)
        self.receiver.rebase(by_us)
        self._outcomes.rebase(by_us)
        self._engine.rebase()
