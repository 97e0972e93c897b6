"""The adapter's way between host and UART: queues, packets, latency, unplugging.

Towards the line, what was written waits for the USB frame (``out_latency_us``) and
then goes out without gaps. Towards the host, characters gather until a packet is
full or the latency timer runs out; the timer starts again with each packet.

Source: application note AN232B-04.
"""

from __future__ import annotations

from bisect import bisect_right
from collections import deque
from collections.abc import Callable
from math import ceil, inf
from typing import NamedTuple

from harness.simulation.adapter.overrun import Overrun
from harness.simulation.line.core import Core


class Packet(NamedTuple):
    """Characters on their way to the host."""

    at_us: float
    data: bytes


class AdapterModel:
    """Host side of the simulated adapter.

    Attributes:
        plugged: False while it is pulled out.
        plugged_in: how often it was; an older handle of the host is dead.
        hears: False while its receive line is open.
        port_name: what the host calls it; whatever the host likes unless set.
        on_open: called each time that a port on it is opened.
        latency_ms: latency timer towards the host.
        drop_probability, jitter_ms, jitter_probability, gap_us, gap_probability,
        overrun, rewrite, resend_us: faults; see ``fault_adapter``.
    """

    def __init__(self, core: Core) -> None:
        self.core = core
        self.plugged = True
        self.plugged_in = 1
        self.hears = core.settings.adapter.echo
        self.drop_probability = 0.0
        self.jitter_ms = 0.0
        self.jitter_probability = 0.0
        self.gap_us = 0.0
        self.gap_probability = 0.0
        self.overrun: Overrun | None = None
        self.rewrite: dict[int, bytes] = {}
        self.resend_us: float | None = None
        self.port_name: str | None = None
        self.latency_ms = core.settings.adapter.latency_ms
        self.on_open: list[Callable[[], None]] = []
        self._packet_left = 0
        self._random = core.random_for("adapter")
        self._baud, self._stop_bits = 9600.0, 1
        self._outgoing = bytearray()
        self._not_before_us = 0.0
        self._fifo = bytearray()
        self._first_us = 0.0
        self._packet_us = 0.0
        self._packets: deque[Packet] = deque()
        self._arrived = bytearray()
        self._delivered_us = 0.0

    # host operations; all take the host's time

    @property
    def unsent(self) -> int:
        """Characters written and not yet sent."""
        return len(self._outgoing)

    @property
    def is_busy(self) -> bool:
        """True if something is under way to or from the host."""
        return bool(self._outgoing or self._fifo or self._packets)

    @property
    def delivered_us(self) -> float:
        """When the last packet for the host was ready."""
        return self._delivered_us

    @property
    def room(self) -> int:
        """Characters that may still be written."""
        return self.core.settings.adapter.max_write - len(self._outgoing)

    def write(self, data: bytes, *, now_us: float) -> None:
        """Queue characters for the line."""
        self.pump(now_us)
        if not self._outgoing:
            latency_us = self.core.settings.adapter.out_latency_us
            self._not_before_us = max(self._not_before_us, now_us + latency_us)
            self._packet_left = 0
        self._outgoing += data

    def available(self, now_us: float) -> int:
        """Characters that the host can read now."""
        self.pump(now_us)
        return len(self._arrived)

    def take(self, size: int) -> bytes:
        """Read what has arrived, ``size`` characters at most."""
        data = bytes(self._arrived[:size])
        del self._arrived[:size]
        return data

    def wait(self, size: int, *, now_us: float, deadline_us: float) -> float:
        """When ``size`` characters will have arrived, or the deadline if earlier.

        The bench may then stand up to one character ahead of the host; what the
        host does next takes effect there.
        """
        self.pump(now_us)
        while len(self._arrived) < size and self.plugged and now_us < deadline_us:
            due_us = self._packets[0].at_us if self._packets else inf
            if due_us <= self.core.now_us or deadline_us <= self.core.now_us:
                now_us = max(now_us, min(due_us, deadline_us))
            elif not self._send_ahead(size, deadline_us):
                self._step(min(deadline_us, due_us))
                now_us = max(now_us, min(self.core.now_us, deadline_us, due_us))
            self._deliver(now_us)
        return now_us

    def configure(self, *, baud: float, stop_bits: int, now_us: float) -> float:
        """Set rate and format; what is in flight suffers.

        Returns:
            Host time at which the change is done.
        """
        self.pump(now_us)
        if (baud, stop_bits) == (self._baud, self._stop_bits):
            return now_us  # drivers filter a change that is none
        self._baud, self._stop_bits = baud, stop_bits
        if self._outgoing or self._fifo:
            self._fifo.clear()
        self.core.configure_uart(baud=baud, stop_bits=stop_bits)
        done_us = now_us + 1000 * self.core.settings.adapter.baud_change_ms
        self._not_before_us = max(self._not_before_us, done_us)
        return done_us

    def opened(self, now_us: float) -> None:
        """A port on it was opened."""
        self.pump(now_us)
        for call in self.on_open:
            call()

    def set_modem_lines(self, *, rts: bool, dtr: bool, now_us: float) -> None:
        """Set both modem lines."""
        self.pump(now_us)
        if self.plugged:
            self.core.set_modem_lines(rts=rts, dtr=dtr)

    def set_low_latency(self, low: bool, *, now_us: float) -> bool:
        """Set the timer to 1 ms, or back; False where the driver has no such mode."""
        self.pump(now_us)
        truth = self.core.settings.adapter
        if truth.low_latency:
            self.latency_ms = min(1.0, truth.latency_ms) if low else truth.latency_ms
        return truth.low_latency

    def set_break(self, low: bool, *, now_us: float) -> None:
        """Hold the transmitter low, or let it go."""
        self.pump(now_us)
        self.core.wiring.set_break(low)

    def purge_incoming(self, now_us: float) -> None:
        """Drop what the host has; what is still in the chip comes later."""
        self.pump(now_us)
        self._arrived.clear()

    def purge_outgoing(self, now_us: float) -> None:
        """Drop what has not been sent."""
        self.pump(now_us)
        self._outgoing.clear()

    def unplug(self) -> None:
        """Pull it out: queues are lost, the modem lines and the transmitter drop."""
        self.plugged = False
        self._outgoing.clear()
        self._fifo.clear()
        self._packets.clear()
        self._arrived.clear()
        self.core.wiring.cut(True)
        self.core.set_modem_lines(rts=False, dtr=False)

    def plug(self) -> None:
        """Put it back, as after power-up."""
        self.plugged = True
        self.plugged_in += 1
        self.core.wiring.cut(False)
        self._baud, self._stop_bits = 9600.0, 1
        self.core.configure_uart(baud=9600, stop_bits=1)

    def pump(self, now_us: float) -> None:
        """Let the bench run up to the host's time."""
        while self.core.now_us < now_us:
            self._step(now_us)
        if self._packets:
            self._deliver(now_us)

    # inside

    def _step(self, until_us: float) -> None:
        """Go on to the next packet, or to a time, whichever comes first."""
        core = self.core
        now_us = core.now_us
        if self._fifo:
            until_us = min(until_us, max(self._timer_us(), now_us))
        if self.resend_us is not None:  # the agenda may put something into the queue
            until_us = min(until_us, max(core.agenda.next_us, core.now_us + 1.0))
        if self.gap_probability:
            self._fetch_packet()
        begin_us = max(now_us, self._not_before_us)
        if self._outgoing and begin_us < until_us:
            core.idle_until(begin_us)
            room = core.settings.adapter.packet_bytes - len(self._fifo)
            if self.gap_probability:
                room = min(room, self._packet_left)
            sent = core.transmit(self._outgoing[:room], until_us=until_us)
            # an event on the way may have emptied the queue
            del self._outgoing[:sent]
            self._packet_left -= sent
        else:
            core.idle_until(until_us)
        self._gather()

    def _send_ahead(self, size: int, deadline_us: float) -> bool:
        """Send what must be heard before the host can have ``size`` characters.

        Packets on the way meanwhile wake no reader, so nothing has to stop for them.

        Returns:
            False if something else may happen meanwhile, or there is nothing to send.
        """
        waiting = len(self._outgoing)
        if waiting < 2 or size < 3:
            return False
        if self.gap_probability or self.resend_us is not None or self.overrun:
            return False
        core = self.core
        under_way = len(self._arrived) + len(self._fifo)
        for packet in self._packets:
            under_way += len(packet.data)
        count = min(size - under_way - 1, waiting)
        begin_us = max(core.now_us, self._not_before_us)
        end_us = begin_us + count * core.framing.character_us
        if count < 2 or end_us >= deadline_us or end_us >= core.agenda.next_us:
            return False
        core.idle_until(begin_us)
        sent = core.transmit(self._outgoing[:count])
        del self._outgoing[:sent]
        self._gather()
        return bool(sent)

    def _fetch_packet(self) -> None:
        """Get the next packet from the host, which may be late with it."""
        if self._outgoing and self._packet_left <= 0:
            self._packet_left = self.core.settings.adapter.packet_bytes
            if self._random.random() < self.gap_probability:
                ready_us = max(self.core.now_us, self._not_before_us)
                self._not_before_us = ready_us + self.gap_us

    def _gather(self) -> None:
        """Put what the UART heard into packets."""
        data, times_us = self.core.fetch_heard()
        if not data and not self._fifo:
            return
        data, times_us = self._lose(data, times_us)
        fifo, size = self._fifo, self.core.settings.adapter.packet_bytes
        place, length = 0, len(data)
        while place < length:
            if not fifo:
                self._first_us = times_us[place]
            timer_us = self._timer_us()
            before_timer = bisect_right(times_us, timer_us, place)
            end = min(before_timer, place + size - len(fifo))
            fifo += data[place:end]
            if len(fifo) == size:
                self._send_packet(times_us[end - 1])
            elif end < length:
                self._send_packet(timer_us)
            place = end
        if fifo:
            timer_us = self._timer_us()
            if timer_us <= self.core.now_us:
                self._send_packet(timer_us)

    def _lose(self, data: bytes, times_us: list[float]) -> tuple[bytes, list[float]]:
        if not (self.hears and self.plugged):
            return b"", []
        if not (self.drop_probability or self.overrun or self.rewrite) or not data:
            return data, times_us
        kept, kept_us = bytearray(), []
        for byte, at_us in zip(data, times_us, strict=True):
            if self._is_lost(at_us):
                continue
            instead = self.rewrite.get(byte, bytes([byte]))
            kept += instead
            kept_us += [at_us] * len(instead)
        return bytes(kept), kept_us

    def _is_lost(self, at_us: float) -> bool:
        if self.overrun is not None and not self.overrun.has_room(at_us):
            return True
        return bool(
            self.drop_probability and self._random.random() < self.drop_probability
        )

    def _timer_us(self) -> float:
        """When the latency timer next runs out after the first waiting character."""
        latency_us = 1000 * self.latency_ms
        periods = ceil((self._first_us - self._packet_us) / latency_us)
        return self._packet_us + (max(1, periods)) * latency_us

    def _send_packet(self, at_us: float) -> None:
        self._packet_us = at_us
        if self.jitter_probability and self._random.random() < self.jitter_probability:
            at_us += self._random.random() * self.jitter_ms * 1000
        if self._packets:  # packets do not overtake each other
            at_us = max(at_us, self._packets[-1].at_us)
        data = bytes(self._fifo)
        self._packets.append(Packet(at_us, data))
        if self.resend_us is not None:
            self.core.agenda.add(
                at_us + self.resend_us, lambda: self._outgoing.extend(data)
            )
        self._fifo.clear()

    def _deliver(self, now_us: float) -> None:
        while self._packets and self._packets[0].at_us <= now_us:
            packet = self._packets.popleft()
            self._arrived += packet.data
            self._delivered_us = packet.at_us
