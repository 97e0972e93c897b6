"""Bursts through an adapter: counted, the last one kept as evidence, a low line blamed.

The adapter says that echoes are missing. Whether the line went low or a lead came off is
decided here, by where the echoes end and by whether the line is silent now. What no line
does to an echo is counted, so that nothing is booked on line or device by it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from harness.driver.adapter import EITHER_LOW_OR_DEAF, Adapter
from harness.driver.echo_damage import impossible_echoes
from harness.errors import AdapterError, ExtraEcho, LineShorted, NoEcho, ShortEcho
from harness.wire.slots.frames import SlotFrames

_RESET, _RESET_BAUD = b"\xf0", 9600
"""A reset of 521 us, within limits (arithmetic of an 8N1 character)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Burst:
    """The last exchange, graded echoes and all, for evidence."""

    frames: bytes
    echoes: bytes
    baud: int
    stop_bits: int = 1


@dataclass(slots=True)
class TrafficCount:
    """Running counts of what went over the bus.

    A change of the stop bits counts as a change of rate: it costs as much.
    """

    resets: int = 0
    slots: int = 0
    bursts: int = 0
    rate_changes: int = 0

    def as_dict(self) -> dict[str, int]:
        """Plain JSON types."""
        return {
            "resets": self.resets,
            "slots": self.slots,
            "bursts": self.bursts,
            "rate_changes": self.rate_changes,
        }


@dataclass(slots=True)
class Oddities:
    """What happened to echoes that is no answer of a device; counts since they began.

    Attributes:
        miscounted: bursts with characters missing, in surplus or late.
        impossible: most echoes in one burst that neither a device nor a slow edge
            makes of the slots sent, see ``echo_damage.impossible_echoes``.
    """

    miscounted: int = 0
    impossible: int = 0


class Bursts:
    """What goes over the bus, burst by burst.

    Args:
        adapter: an open adapter.

    Attributes:
        traffic: counts of all of them.
        last: the last one; None before the first.
        held_low: True from when the line was seen going low until a burst is whole.
        oddities: what happened to echoes since ``forget_oddities``.
    """

    def __init__(self, adapter: Adapter) -> None:
        self.adapter = adapter
        self.traffic = TrafficCount()
        self.last: Burst | None = None
        self.held_low = False
        self.oddities = Oddities()
        self._last_format = (0, 0)
        self._sent_before = 0

    def evidence(self) -> dict[str, Any]:
        """Frames and graded echoes of the last exchange, in hex, for a report."""
        found: dict[str, Any] = {}
        if self.last is not None:
            found["sent"] = self.last.frames.hex().upper()
            found["echoes"] = self.last.echoes.hex().upper()
            found["baud"] = self.last.baud
            if self.last.stop_bits != 1:
                found["stop_bits"] = self.last.stop_bits
        if self.adapter.unsolicited:
            found["unsolicited"] = self.adapter.unsolicited.hex().upper()
        return found

    def exchange(
        self, frames: bytes, baud: int, stop_bits: int, slots: SlotFrames
    ) -> bytes:
        """One burst, counted and kept.

        Args:
            frames: what to send.
            baud: rate to ask for.
            stop_bits: of each character.
            slots: read slots by which a line that fell silent is asked.

        Raises:
            LineShorted: the echoes stop in a way that only a low line explains.
            ExtraEcho: characters came that were not sent, before this burst or with it.
            AdapterError: as the adapter says.
        """
        self.traffic.bursts += 1
        self.traffic.slots += len(frames)
        if (baud, stop_bits) != self._last_format:
            self.traffic.rate_changes += 1
            self._last_format = (baud, stop_bits)
        self._sent_before = self.last.frames[-1] if self.last else 0
        try:
            echoes = self.adapter.exchange(frames, baud, stop_bits)
        except (NoEcho, ShortEcho, ExtraEcho) as fault:
            self.oddities.miscounted += 1
            self.last = Burst(
                frames=frames,
                echoes=self.adapter.partial,
                baud=baud,
                stop_bits=stop_bits,
            )
            self._blame_line(self.last, fault, slots)
            raise
        self.last = Burst(frames=frames, echoes=echoes, baud=baud, stop_bits=stop_bits)
        self.held_low = False
        if self.adapter.surplus:
            self.oddities.miscounted += 1
            raise self._came_late()
        if echoes != frames:
            self.oddities.impossible = max(
                self.oddities.impossible, impossible_echoes(frames, echoes)
            )
        return echoes

    def forget_oddities(self) -> None:
        """Set the counts back to zero."""
        self.oddities = Oddities()

    def _came_late(self) -> ExtraEcho:
        stray = self.adapter.surplus
        return ExtraEcho(
            f"{len(stray)} characters ({stray[:8].hex(' ').upper()}) came after the echo "
            "of an earlier burst was whole: it cannot be known whose they are",
            where=self.adapter.url,
        )

    def _blame_line(self, burst: Burst, fault: AdapterError, slots: SlotFrames) -> None:
        """Raise LineShorted if the line is silent now and was seen going low.

        A line that goes low for good spoils the end of one character that was high
        there, or gives one 00h (a break) where nothing low was sent, and then silence.
        The echo of a low that was sent proves nothing. A lost RX lead gives silence
        alone, which stays the adapter's fault. Once seen low, the line is low until a
        burst is whole: there is no second break to see it by.

        Raises:
            LineShorted: as the first sentence says.
            NoEcho: a burst broke off, the line is silent, and it may be either.
        """
        before, after = self.adapter.unsolicited, self.adapter.settle()
        silent = self.is_silent(slots)
        self.adapter.unsolicited = before + after
        if not silent:
            return
        echoes, sent = burst.echoes, len(burst.frames)
        # a break before the burst, or as the late echo of its next character
        broken = (
            before + after == b"\x00"
            and len(echoes) < sent
            and _is_break(0, self._sent_before if before else burst.frames[len(echoes)])
        )
        if self.held_low or _ends_spoilt(burst) or broken:
            self.held_low = True
            raise LineShorted(
                f"the line went low and stayed low ({len(echoes)} of {sent} slots came back)",
                where=self.adapter.url,
            ) from fault
        if echoes:
            raise NoEcho(
                f"after {len(echoes)} of {sent} slots nothing comes back any more",
                where=self.adapter.url,
                hint=EITHER_LOW_OR_DEAF,
            ) from fault

    def is_silent(self, slots: SlotFrames) -> bool:
        """True if neither a few read slots nor a reset are echoed.

        The two differ in value and rate: an adapter that loses some characters is not
        silent. The transaction is lost anyway, so a reset does no harm.
        """
        probes = (
            (b"\xff" * 8, slots.request_baud, slots.stop_bits),
            (_RESET, _RESET_BAUD, 1),
        )
        for frames, baud, stop_bits in probes:
            try:
                self.adapter.exchange(frames, baud, stop_bits)
            except NoEcho:
                continue
            except (ShortEcho, ExtraEcho):
                pass
            return False
        return True


def _ends_spoilt(burst: Burst) -> bool:
    """The last echo is low where its character had released the line already.

    A break in the pause before a burst stands where the first echo belongs, and looks
    so too.
    """
    place = len(burst.echoes) - 1
    return (
        place >= 0
        and _is_break(burst.echoes[place], burst.frames[place])
        and not impossible_echoes(burst.frames[:place], burst.echoes[:place])
    )


def _is_break(echo: int, sent: int) -> bool:
    """True if an echo is low to its end and the character was not sent so."""
    return echo < 0x80 <= sent
