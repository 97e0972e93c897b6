"""The bench: line, devices, adapter stage and power, run through in virtual time.

Between any two operations the bench stands at ``now_us`` with the engine's origin
there. Time goes on only by ``idle_until`` and ``transmit``; whoever drives the bench
(the adapter's host side) decides how far.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable
from functools import partial
from math import inf
from random import Random

from harness.simulation.agenda import Agenda
from harness.simulation.clock_grids import achieved_baud
from harness.simulation.engine import Engine
from harness.simulation.frontend import TimeBase
from harness.simulation.line import Line
from harness.simulation.settings import BenchSettings
from harness.simulation.shortcuts import (
    MOST_OUTCOMES,
    LumpedSupply,
    Outcome,
    Runner,
    Table,
    situation,
)
from harness.simulation.station import Station, draw_rom_codes
from harness.simulation.supply import HYSTERESIS_V, ParasiteSupply
from harness.simulation.trace import Trace
from harness.simulation.uart import Framing, Heard, Receiver

RECEIVER_HYSTERESIS_V = 0.02


class Surroundings:
    """The bench as one device sees it."""

    def __init__(self, bench: Bench, index: int) -> None:
        self._bench = bench
        self._index = index

    def now_us(self) -> float:
        """Bench time."""
        return self._bench.time_of_device_us(self._index)

    def after(self, delay_us: float, action: Callable[[], None]) -> None:
        """Have ``action`` done after a time."""
        self._bench.agenda.add(self.now_us() + delay_us, action)


class Bench:
    """A simulated fixture with everything on it.

    Attributes:
        settings: the truth it was made from.
        line: the node.
        agenda: what will happen at a given bench time.
        stations: the devices.
        framing: rate and format of the adapter's UART.
    """

    def __init__(self, settings: BenchSettings) -> None:
        self.settings = settings
        self.agenda = Agenda()
        self.shortcuts_allowed = True
        line, adapter = settings.line, settings.adapter
        self.line = Line(
            capacitance_pf=line.cable_m * line.cable_pf_per_m + adapter.input_pf
        )
        self._engine = Engine(self.line)
        self._powered = True
        self._strong = False
        self._pull_up_ohm = line.pull_up_ohm
        self._apply_pull_up()
        self.line.move_to(0.0)
        self.line.settle(self.line.final_v)
        self.stations = self._fit_devices()
        self._runner = Runner(self._engine, self.agenda, self.stations)
        self._tables: dict[Hashable, Table] = {}
        self._epoch = 0
        self._settled: bool | None = None
        self._incident = False
        self._host_low = False
        self._receiver_level = True
        self._low_us = 0.0
        self._low_from_us = 0.0
        self.configure_uart(baud=9600, stop_bits=1)
        self._listen()

    # making

    def random_for(self, *names: object) -> Random:
        """A source of random numbers of its own for each purpose."""
        return Random(":".join(map(str, (self.settings.seed, *names))))

    def _fit_devices(self) -> list[Station]:
        devices = self.settings.devices
        codes = draw_rom_codes(devices, self.random_for("rom codes"))
        stations = [
            Station(
                index=index,
                settings=settings,
                rom=code,
                random=self.random_for("device", index),
                engine=self._engine,
                surroundings=Surroundings(self, index),
                crowd=self._count_parasites,
            )
            for index, (settings, code) in enumerate(zip(devices, codes, strict=True))
        ]
        for station in stations:
            station.attach()
        return stations

    def _count_parasites(self) -> int:
        stations: list[Station] = getattr(self, "stations", [])
        return sum(s.supply.is_parasite and s.is_attached for s in stations)

    def _listen(self) -> None:
        threshold_v = self.settings.adapter.threshold_v
        self._engine.listen(
            "receiver",
            low_v=threshold_v - RECEIVER_HYSTERESIS_V,
            high_v=threshold_v,
            on_edge=self._on_receiver_edge,
        )
        feeds_v = [
            s.supply.feed_v
            for s in self.stations
            if isinstance(s.supply, ParasiteSupply)
        ]
        if feeds_v:
            self._engine.listen(
                "feed",
                low_v=max(feeds_v),
                high_v=max(feeds_v) + HYSTERESIS_V,
                on_edge=self._on_feed_edge,
            )

    # time

    @property
    def now_us(self) -> float:
        """Bench time in microseconds since power-up."""
        return self._engine.absolute_us

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
            How many were sent; the bench then stands at the end of the last one.
        """
        sent = 0
        while sent < len(data) and self.now_us < until_us:
            if self.agenda.next_us <= self.now_us:
                self.agenda.run_due(self.now_us)
                self.touch()
            sent = self._send_known(data, sent, until_us)
            if sent < len(data) and self.now_us < until_us:
                self._send_exactly(data[sent])
                sent += 1
        return sent

    def fetch_heard(self) -> tuple[bytes, list[float]]:
        """Characters received since the last call, and when each was complete."""
        runner = self._runner
        heard, times_us = bytes(runner.heard), runner.heard_us
        runner.heard.clear()
        runner.heard_us = []
        return heard, times_us

    # what the adapter switches

    def configure_uart(self, *, baud: float, stop_bits: int) -> float:
        """Set rate and format.

        Returns:
            The rate that the chip really makes, its oscillator's error included.
        """
        adapter = self.settings.adapter
        rate = achieved_baud(self.settings.clock_kind, baud)
        rate *= 1 + adapter.error_ppm * 1e-6
        self.framing = Framing(bit_us=1e6 / rate, stop_bits=stop_bits)
        self.receiver = Receiver(
            framing=self.framing,
            oversampling=adapter.oversampling,
            phase=self.random_for("receiver grid", round(rate)).random(),
        )
        self.receiver.restart(1 if self._receiver_level else 0)
        return rate

    def set_modem_lines(self, *, rts: bool, dtr: bool) -> None:
        """Switch what the fixture hangs on RTS and DTR."""
        power = self.settings.power
        on = power.supply_on is None or power.supply_on.holds(rts=rts, dtr=dtr)
        strong = power.strong_pull_up_on is not None and power.strong_pull_up_on.holds(
            rts=rts, dtr=dtr
        )
        if (on, strong) == (self._powered, self._strong):
            return
        self._powered, self._strong = on, strong
        self._apply_pull_up()
        for station in self.stations:
            station.supply.switch(on)
        self.touch()

    def set_break(self, low: bool) -> None:
        """Hold the transmitter low, or let it go."""
        if low != self._host_low:
            self._drive(0 if low else 1)
            self.touch()

    # what faults and tests use

    def touch(self) -> None:
        """Something was changed from outside: look at everything anew."""
        self._settled = None
        self._incident = True
        for station in self.stations:
            if isinstance(station.supply, ParasiteSupply):
                station.supply.refresh()

    def population_changed(self) -> None:
        """A device came, went, or got another time base: known outcomes are void."""
        self._epoch += 1
        self.touch()

    def use_pull_up(self, ohm: float) -> None:
        """Fit another pull-up resistor."""
        self._pull_up_ohm = ohm
        self._apply_pull_up()
        self.touch()

    def use_time_base(self, station: Station, time_base: TimeBase) -> None:
        """Let a device run by other times."""
        station.use_time_base(time_base)
        self.population_changed()

    def record_trace(self) -> Trace:
        """Record the line voltage from now on, until ``stop_trace``."""
        self.line.trace = Trace()
        return self.line.trace

    def stop_trace(self) -> None:
        """End the record."""
        self.line.trace = None

    # inside

    def _apply_pull_up(self) -> None:
        line, power = self.line, self.settings.power
        now_us = self._engine.now_us
        level_v = self.settings.line.supply_v if self._powered else 0.0
        line.pull("pull-up", at_us=now_us, ohm=self._pull_up_ohm, level_v=level_v)
        if self._strong and self._powered:
            line.pull(
                "strong pull-up",
                at_us=now_us,
                ohm=power.strong_pull_up_ohm,
                level_v=level_v,
            )
        else:
            line.release("strong pull-up", at_us=now_us)

    def _drive(self, level: int) -> None:
        adapter, now_us = self.settings.adapter, self._engine.now_us
        self._host_low = level == 0
        if level:
            self.line.release("host", at_us=now_us)
        else:
            self.line.pull(
                "host", at_us=now_us, ohm=adapter.low_ohm, level_v=adapter.low_v
            )

    def _on_receiver_edge(self, is_high: bool) -> None:
        self._receiver_level = is_high
        self.receiver.edge(self._engine.now_us, is_high)

    def _on_feed_edge(self, is_high: bool) -> None:
        if is_high:
            self._low_us += self._engine.now_us - self._low_from_us
        else:
            self._low_from_us = self._engine.now_us

    def _is_settled(self) -> bool:
        if self._settled is None:
            self._settled = (
                self._engine.is_calm
                and self.receiver.is_idle
                and not self._host_low
                and not self.line.is_loaded
                and not self.line.induced_v
                and all(station.pin.is_at_rest for station in self.stations)
            )
        return self._settled

    def _coast(self, until_us: float) -> None:
        """Idle up to a time before which nothing is on the agenda."""
        engine = self._engine
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
        if (
            not self.shortcuts_allowed
            or self.line.trace is not None
            or not self._is_settled()
        ):
            return place
        place, end_cv = self._runner.run(
            data,
            place,
            table=self._table(),
            until_us=until_us,
            character_us=self.framing.character_us,
            start_cv=self._centivolts(),
        )
        self.line.settle(end_cv / 100)
        return place

    def _send_exactly(self, byte: int) -> None:
        """Let one character run through the engine, and keep what came of it."""
        engine, framing = self._engine, self.framing
        known = self._is_settled()
        key, table = 0, None
        if known:
            table = self._table()
            key = situation(byte, self._pulling(), self._centivolts())
        self._incident = False
        self._low_us = 0.0
        for station in self.stations:
            station.pin.forget()
        for at_us, level in framing.transitions(byte):
            engine.at(at_us, partial(self._drive, level))
        self._work_through(framing.character_us)
        heard = self._collect(framing.character_us)
        self._settled = None
        self._quantise()
        if table is not None and not self._incident and self._is_settled():
            self._keep(table, key, heard)
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
        self.line.move_to(until_us)

    def _keep(self, table: Table, key: int, heard: list[Heard]) -> None:
        """Store the outcome of the character just sent, if it is a plain one."""
        witnesses = [station.pin.witness for station in self.stations]
        if len(heard) != 1 or any(w.slots + w.resets > 1 for w in witnesses):
            return
        keep, gain_v = 1.0, 0.0
        lumped = LumpedSupply.of(self.stations, self._engine)
        if lumped:
            high_us = self.framing.character_us - self._low_us
            keep, gain_v = lumped.account(low_us=self._low_us, high_us=high_us)
        stations = self.stations
        if len(table) >= MOST_OUTCOMES:
            table.clear()
        table[key] = Outcome(
            echo=heard[0].byte,
            heard_us=heard[0].done_us,
            ones=sum(s.bit for s in stations if s.pin.witness.bit),
            slots=sum(s.bit for s in stations if s.pin.witness.slots),
            resets=tuple(s for s in stations if s.pin.witness.resets),
            taken_us=tuple(w.taken_us for w in witnesses),
            end_cv=self._centivolts(),
            keep=keep,
            gain_v=gain_v,
        )

    def _table(self) -> Table:
        key = (self.framing, self.line.signature, self._epoch)
        return self._tables.setdefault(key, {})

    def _pulling(self) -> int:
        return sum(
            s.bit for s in self.stations if s.is_listening and s.device.level() == 0
        )

    def _centivolts(self) -> int:
        return round(self.line.volts * 100)

    def _quantise(self) -> None:
        """A calm line starts from whole hundredths, so that situations repeat."""
        if self._is_settled():
            self.line.settle(self._centivolts() / 100)

    def _collect(self, until_us: float) -> list[Heard]:
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
        self._low_from_us -= by_us
        self._engine.rebase()
