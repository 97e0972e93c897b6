"""The adapter: one primitive towards the bus, ``exchange``.

Every character sent comes back as one echo. All that can go wrong with that is
distinguished here, so that callers see either all echoes or the one error that says
what to check. Echoes are matched by count, never by line-error flags, which the
common drivers report late, for whole packets or not at all.
"""

from __future__ import annotations

import errno
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from typing import Any

from harness.clock import Clock, SystemClock
from harness.driver.port import Opener, close_port, open_port, translated
from harness.driver.port_rates import set_rate
from harness.driver.switching import Switching
from harness.driver.usb.chips import kind_of
from harness.driver.usb.latency import Latency, lower, put_back
from harness.driver.usb.names import Identity, identity_of, is_native, port_named
from harness.errors import (
    AdapterError,
    AdapterUnplugged,
    CannotSwitch,
    ExtraEcho,
    NoEcho,
    ShortEcho,
    SlotproofError,
)
from harness.wire.clock_grid import ClockGrid, grid_of_kind

EITHER_LOW_OR_DEAF = (
    "either the line is held low now or RX has lost the line: measure the idle line"
)

_OPEN_BAUD = 9600
_POWER_UP_S = 0.1
"""From the supply being switched on to a line that stands and devices that answer."""

_LATENCY_ALLOWANCE_S = 0.1
"""Longest round trip that is not a fault: default latency timer, hub, host load."""

_DRAIN_S = 0.5
"""After a failure: time in which a late character is waited for, see ``drain``."""

_MOST_PAUSES = 20
"""Pauses of half the allowance after which a line is called restless."""


def _ignore_strays(_characters: bytes) -> None:
    """Stands in until a caller asks for stray characters."""


def _ignore_traffic(_sent: bytes, _heard: bytes, _baud: int, _stop_bits: int) -> None:
    """Stands in until a caller keeps the traffic."""


class Adapter:
    """A USB-to-serial adapter (or anything pyserial opens) with the bus behind it.

    Args:
        url: device name or pyserial URL.
        kind: name of the clock grid, or ``auto`` to take it from the USB numbers.
        clock_tolerance_ppm: overrides the grid's own figure.
        max_burst: most characters in one write.
        switching: what RTS and DTR switch.
        low_latency: ask the port not to hold replies back, while it is open.
        opener: opens a port by URL and rate; to put something between it and the bus.
    """

    def __init__(
        self,
        url: str,
        *,
        kind: str = "auto",
        clock_tolerance_ppm: float | None = None,
        max_burst: int = 4000,
        switching: Switching | None = None,
        low_latency: bool = True,
        opener: Opener = open_port,
    ) -> None:
        self.url = url
        self._opener = opener
        self.max_burst = max_burst
        self.switching = switching or Switching()
        self.latency = Latency.LEFT
        self.round_trip_s = 0.0
        """Median of the last self-check; 0 before the first."""
        self.unsolicited = b""
        """Characters found waiting before the last burst was sent: they were not asked for."""
        self.surplus = b""
        """Those of ``unsolicited`` that no switching of ours explains."""
        self.partial = b""
        """What came back of the last burst, whole or not."""
        self._kind = kind
        self._low_latency = low_latency
        self._tolerance_ppm = clock_tolerance_ppm
        self._port: Any = None
        self._format = (0, 0)
        self._identity: Identity | None = None
        self._kind_by_usb = "unknown"
        self._supply = True
        self._strong_pull_up = False
        self._echo_proved = False
        self._stirred = False
        self._owed = b""
        self._broke_low = False
        self.clock: Clock = SystemClock()
        self.on_traffic: Callable[[bytes, bytes, int, int], None] = _ignore_traffic
        """Called with each burst: characters sent and heard, rate, stop bits."""
        self.on_stray: Callable[[bytes], None] = _ignore_strays
        """Called with characters that no echo is due for, and that no switching explains."""
        self.allowance_s = _LATENCY_ALLOWANCE_S
        """What a burst may take beyond twice its time."""
        self.on_late: Callable[[bytes], None] = _ignore_strays
        """Called with what comes once a burst was given up: its missing echoes at first."""

    # -- opening and closing -------------------------------------------------

    @contextmanager
    def open(self) -> Iterator[Adapter]:
        """Open and lock the port; closes it on the way out, whatever happens.

        Raises:
            UsageError, AdapterError: see ``driver.port.open_port``.
        """
        try:
            self._connect(self.url)
            yield self
        finally:
            self._disconnect()

    def _connect(self, url: str) -> None:
        self._port = self._opener(url, _OPEN_BAUD)
        self._format = (0, 0)
        # A simulated port brings its own time; every other one has the system's.
        own_clock = getattr(self._port, "clock", None)
        self.clock = own_clock if isinstance(own_clock, Clock) else SystemClock()
        found = port_named(url)
        self._identity, self._kind_by_usb = identity_of(found), kind_of(found)
        self.latency = lower(self._port) if self._low_latency else Latency.LEFT
        self._apply_switches()
        if self.switching.supply_on is not None:
            # opening raised RTS and DTR: the line rises, and the UART may take that
            # for a character
            self.clock.sleep(_POWER_UP_S)

    def _disconnect(self) -> None:
        with suppress(AdapterError), translated(self.url):
            if self._port is not None:
                put_back(self._port, self.latency)
                close_port(self._port)
        self._port = None

    def reopen(self) -> None:
        """Close, then open the same adapter again, after it was lost.

        Raises:
            AdapterError: it is not back yet, or what is there may be another one.
        """
        self._disconnect()
        if self._identity is not None and is_native(self.url):
            self.url = self._identity.find().device
        self._connect(self.url)

    @property
    def port(self) -> Any:  # noqa: ANN401 - the class depends on the URL
        """The open pyserial port, for what it offers beyond traffic."""
        return self._port

    @property
    def can_be_proved(self) -> bool:
        """True while the port is open and no switch of ours has taken the supply."""
        return self._port is not None and self._supply

    @property
    def grid(self) -> ClockGrid:
        """The clock grid in force."""
        kind = self._kind_by_usb if self._kind == "auto" else self._kind
        return grid_of_kind(kind, self._tolerance_ppm)

    @property
    def is_unknown(self) -> bool:
        """True if the kind is ``auto`` and USB does not report it."""
        return self._kind == "auto" and self._kind_by_usb == "unknown"

    @property
    def broke_low(self) -> bool:
        """True if the last character heard was low to its end and not sent so.

        Only where the loop-back worked before. With silence since then: the line went
        low for good, or the adapter fell silent behind a character of its own.
        """
        return self._broke_low and self._echo_proved

    # -- the one primitive ---------------------------------------------------

    def exchange(self, frames: bytes, baud: int, stop_bits: int = 1) -> bytes:
        """Send a burst of characters and return exactly as many echoes.

        Args:
            frames: characters, one a slot.
            baud: rate to ask for.
            stop_bits: 1 or 2.

        Raises:
            NoEcho: nothing came back.
            ShortEcho: some came back; ``partial`` holds them.
            ExtraEcho: more came back; ``partial`` holds as many as were sent,
                ``unsolicited`` the rest; they cannot be paired.
            PortUnsuitable: the port refuses the rate.
            AdapterUnplugged, AdapterError: the port is gone or stuck.
        """
        if self._port is None:
            raise AdapterUnplugged("the adapter is not open", where=self.url)
        with translated(self.url):
            self._set_format(baud, stop_bits)
            self._collect_unsolicited()
            self._owed = frames
            echoes = bytearray()
            for start in range(0, len(frames), self.max_burst):
                burst = frames[start : start + self.max_burst]
                self._port.write(burst)
                echoes += self._read(len(burst), baud)
                if len(echoes) < min(len(frames), start + self.max_burst):
                    break
        self.partial = self._heard(bytes(echoes))
        self.on_traffic(frames, self.partial, baud, stop_bits)
        if len(echoes) < len(frames):
            raise self._missing(len(frames), len(echoes))
        self._echo_proved = True
        self._refuse_extra(len(frames))
        return self.partial

    def _refuse_extra(self, sent: int) -> None:
        with translated(self.url):
            waiting = self._port.in_waiting
            extra = self._port.read(waiting) if waiting else b""
        if extra:
            self.on_stray(extra)
            self.unsolicited += self._heard(extra)
            raise ExtraEcho(
                f"sent {sent} characters, {sent + len(extra)} came back",
                where=self.url,
            )

    def _collect_unsolicited(self) -> None:
        waiting = self._port.in_waiting
        due = len(self._owed)
        self.unsolicited = self._heard(self._port.read(waiting) if waiting else b"")
        self.on_late(self.unsolicited)
        # a supply or pull-up that we switched moves the line: devices announce themselves
        self.surplus = b"" if self._stirred else self.unsolicited
        self._stirred = False
        if self.surplus[due:]:
            self.on_stray(self.surplus[due:])

    def gather(self, frames: bytes, baud: int, stop_bits: int = 1) -> bytes:
        """Send a burst and return every character that comes back until no more can come.

        Never an error of counting; ``exchange`` with its rules is for slots, this is
        for proving the loop. What waited before is dropped.

        Args:
            frames: characters.
            baud: rate to ask for.
            stop_bits: 1 or 2.

        Raises:
            AdapterUnplugged, PortUnsuitable: the port is gone, or refuses the rate.
        """
        if self._port is None:
            raise AdapterUnplugged("the adapter is not open", where=self.url)
        got = bytearray()
        with translated(self.url):
            self._set_format(baud, stop_bits)
            self._collect_unsolicited()
            self._owed = frames
            for start in range(0, len(frames), self.max_burst):
                burst = frames[start : start + self.max_burst]
                self._port.write(burst)
                got += self._read(len(burst), baud)
        heard = self._heard(bytes(got))
        self.on_traffic(frames, heard, baud, stop_bits)
        return heard + self.settle()

    def forgive_strays(self) -> None:
        """Count characters that wait before the next burst as events of the line.

        For after a time in which a load that we asked for may have moved the line, such
        as a conversion fed through the pull-up.
        """
        self._stirred = True

    def _heard(self, characters: bytes) -> bytes:
        """The same characters, compared with the echoes that are still due."""
        if characters:
            due = self._owed[len(characters) - 1 : len(characters)] or b"\xff"
            self._owed = self._owed[len(characters) :]
            self._broke_low = characters[-1] < 0x80 <= due[0]
        return characters

    def _set_format(self, baud: int, stop_bits: int) -> None:
        if (baud, stop_bits) != self._format:
            set_rate(self._port, baud, stop_bits)
            self._format = (baud, stop_bits)

    def hear(self) -> bytes:
        """What arrived since the last burst without being asked for; sends nothing.

        Raises:
            AdapterUnplugged: the port is gone.
        """
        if self._port is None:
            raise AdapterUnplugged("the adapter is not open", where=self.url)
        with translated(self.url):
            self._collect_unsolicited()
        return self.unsolicited

    def _read(self, wanted: int, baud: int) -> bytes:
        # twice the time that the burst needs, never under a slow adapter's round trip
        needed_s = wanted * 10 / baud
        deadline_s = self.clock.now_s() + 2 * needed_s + self.allowance_s
        got = bytearray()
        while len(got) < wanted and self.clock.now_s() < deadline_s:
            got += self._port.read(wanted - len(got))
        return bytes(got)

    def _missing(self, sent: int, received: int) -> SlotproofError:
        if received:
            return ShortEcho(
                f"sent {sent} characters, {received} came back", where=self.url
            )
        if self._echo_proved:
            return NoEcho(
                f"sent {sent} characters and none came back, though the loop-back worked before",
                where=self.url,
                hint=EITHER_LOW_OR_DEAF,
            )
        return NoEcho(f"sent {sent} characters and none came back", where=self.url)

    def settle(self) -> bytes:
        """After an error: wait until late echoes are in, drop and return them.

        Gives up on a line that does not fall silent for a second.
        """
        late = bytearray()
        with translated(self.url):
            for _ in range(_MOST_PAUSES):
                self.clock.sleep(_LATENCY_ALLOWANCE_S / 2)
                waiting = self._port.in_waiting
                if not waiting:
                    break
                late += self._port.read(waiting)
        self.on_late(bytes(late))
        return self._heard(bytes(late))

    def drain(self) -> bytes:
        """Wait until nothing more can come; what came after the last echo.

        A latency timer holds a character for 255 ms at most (application note AN232B-04), and
        twice the time that is needed is the rule for any wait there: half a second.
        """
        with translated(self.url):
            self._collect_unsolicited()
            late = self.surplus
        self.clock.sleep(_DRAIN_S)
        return late + self.settle()

    # -- switches --------------------------------------------------------------

    @property
    def switches(self) -> tuple[bool, bool]:
        """Whether the supply and the strong pull-up are switched on."""
        return self._supply, self._strong_pull_up

    def switch(
        self,
        *,
        supply: bool | None = None,
        strong_pull_up: bool | None = None,
        programming: bool = False,
    ) -> None:
        """Set the fixture's switches; None leaves one as it is.

        The programming voltage is never left on: each call that does not ask for it
        takes it away.

        Raises:
            CannotSwitch: the fixture has no such switch.
        """
        wanted_supply = self._supply if supply is None else supply
        wanted_pull_up = (
            self._strong_pull_up if strong_pull_up is None else strong_pull_up
        )
        self.switching.lines(
            supply=wanted_supply,
            strong_pull_up=wanted_pull_up,
            programming=programming,
        )
        self._supply, self._strong_pull_up = wanted_supply, wanted_pull_up
        self._apply_switches(programming=programming)

    def _apply_switches(self, *, programming: bool = False) -> None:
        if self.switching == Switching():
            return
        self._stirred = True
        rts, dtr = self.switching.lines(
            supply=self._supply,
            strong_pull_up=self._strong_pull_up,
            programming=programming,
        )
        # One line moves before the other: take the order in which the state between
        # the two does not fire anything.
        rts_first = self.switching.rts_first(rts=rts, dtr_now=self._port.dtr)
        with translated(self.url):
            for line in ("rts", "dtr") if rts_first else ("dtr", "rts"):
                self._set_line(line, {"rts": rts, "dtr": dtr}[line])

    def _set_line(self, line: str, asserted: bool) -> None:
        try:
            setattr(self._port, line, asserted)
        except OSError as cause:
            if cause.errno not in {errno.ENOTTY, errno.EINVAL}:
                raise
            raise CannotSwitch(
                f"this port has no {line.upper()} line", where=self.url
            ) from cause

    def release(self) -> None:
        """Leave the fixture safe: strong pull-up off, supply off where it can be."""
        with suppress(SlotproofError):
            self.switch(strong_pull_up=False)
        if self.switching.supply_on is not None:
            with suppress(SlotproofError):
                self.switch(supply=False)
