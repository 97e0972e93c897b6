"""Bursts through an adapter: counted, the last one kept as evidence, a low line blamed.

The adapter says that echoes are missing. Whether the line went low or a lead came off is
told here, by where the echoes end and by whether the line is silent now.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from harness.driver.adapter import EITHER_LOW_OR_DEAF, Adapter
from harness.errors import AdapterError, ExtraEcho, LineShorted, NoEcho, ShortEcho
from harness.wire.frames import SlotFrames


@dataclass(frozen=True, slots=True, kw_only=True)
class Burst:
    """The last exchange, graded echoes and all, for evidence."""

    frames: bytes
    echoes: bytes
    baud: int
    stop_bits: int = 1


@dataclass(slots=True)
class Traffic:
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


class Bursts:
    """What goes over the bus, burst by burst.

    Args:
        adapter: an open adapter.

    Attributes:
        traffic: counts of all of them.
        last: the last one; None before the first.
        held_low: True from when the line was seen going low until a burst is whole.
    """

    def __init__(self, adapter: Adapter) -> None:
        self.adapter = adapter
        self.traffic = Traffic()
        self.last: Burst | None = None
        self.held_low = False
        self._last_format = (0, 0)

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
            AdapterError: as the adapter says.
        """
        self.traffic.bursts += 1
        self.traffic.slots += len(frames)
        if (baud, stop_bits) != self._last_format:
            self.traffic.rate_changes += 1
            self._last_format = (baud, stop_bits)
        try:
            echoes = self.adapter.exchange(frames, baud, stop_bits)
        except (NoEcho, ShortEcho, ExtraEcho) as fault:
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
        return echoes

    def _blame_line(self, burst: Burst, fault: AdapterError, slots: SlotFrames) -> None:
        """Raise LineShorted if the line is silent now and was seen going low.

        A line that goes low for good spoils the end of one character, or gives one
        00h (a break), and then silence. A lost RX lead gives silence alone, which
        stays the adapter's fault; so does an end behind a write-0, that fits both.
        Once seen low, the line is low until a burst is whole: no second break tells.

        Raises:
            LineShorted: as said.
            NoEcho: a burst broke off, the line is silent, and it may be either.
        """
        stray = self.adapter.unsolicited
        stray += self.adapter.settle()
        silent = self._is_silent(slots)
        self.adapter.unsolicited = stray
        if not silent:
            return
        echoes, sent = burst.echoes, len(burst.frames)
        place = len(echoes) - 1
        # low at the last bit of a character that we had released by then
        spoilt = place >= 0 and echoes[place] < 0x80 <= burst.frames[place]
        # in the pause before a burst, its break stands where the first echo belongs
        broken = echoes == b"\x00" or stray[-1:] == b"\x00"
        if self.held_low or spoilt or broken:
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

    def _is_silent(self, slots: SlotFrames) -> bool:
        """True if not one of a few read slots is echoed."""
        try:
            self.adapter.exchange(b"\xff" * 8, slots.request_baud, slots.stop_bits)
        except NoEcho:
            return True
        except (ShortEcho, ExtraEcho):
            pass
        return False
