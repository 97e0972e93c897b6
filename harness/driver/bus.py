"""Reset, slots and ROM commands: a burst of frames out, echoes in, judged by slot.

A transaction is a reset (one character at the reset rate) and one burst with
everything else: ROM command, ROM code, function command and read slots. Only
answers that decide what to send next cost another round trip.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import replace
from enum import IntEnum
from typing import Any

from harness.clock import Clock
from harness.driver.adapter import Adapter, AdapterReport
from harness.driver.bursts import Burst, Bursts, Traffic
from harness.driver.resets import reset_line
from harness.errors import ExtraEcho, NobodyAnswers, SlotDisturbed
from harness.wire.frames import (
    CannotMake,
    Presence,
    ResetFrame,
    ResetReading,
    SlotFrames,
    choose_reset,
    choose_slots,
)
from harness.wire.romcode import RomCode


class RomCommand(IntEnum):
    """ROM-level commands.

    Source: data sheets of family 28h p. 10-11 and of an EPROM part (DS2506) p. 19-20
    for the overdrive forms.
    """

    READ = 0x33
    MATCH = 0x55
    SKIP = 0xCC
    SEARCH = 0xF0
    CONDITIONAL_SEARCH = 0xEC
    RESUME = 0xA5
    OVERDRIVE_SKIP = 0x3C
    OVERDRIVE_MATCH = 0x69


class Bus:
    """The single-wire bus behind an adapter.

    Args:
        adapter: an open adapter.
        slots: slot frames; chosen from the adapter's clock grid if None.
        reset_frame: reset frame; chosen likewise.
    """

    def __init__(
        self,
        adapter: Adapter,
        *,
        slots: SlotFrames | None = None,
        reset_frame: ResetFrame | None = None,
    ) -> None:
        self.adapter = adapter
        self.slots = slots or choose_slots(adapter.grid)
        self.reset_frame = reset_frame or choose_reset(adapter.grid)
        self.matches: Counter[str] = Counter()
        self._bursts = Bursts(adapter)
        self._standard: tuple[SlotFrames, ResetFrame] | None = None

    @property
    def clock(self) -> Clock:
        """The port's time."""
        return self.adapter.clock

    @property
    def traffic(self) -> Traffic:
        """Counts of what went over the bus."""
        return self._bursts.traffic

    @property
    def last(self) -> Burst | None:
        """The last exchange; None before the first, and once forgotten."""
        return self._bursts.last

    def forget_last(self) -> None:
        """Keep nothing of the last exchange, as after one with a secret in it."""
        self._bursts.last = None

    def evidence(self) -> dict[str, Any]:
        """Frames and graded echoes of the last exchange, in hex, for a report."""
        return self._bursts.evidence()

    def prove(self) -> AdapterReport:
        """Prove the adapter before the first reset, then fit the slots to the line.

        Raises:
            AdapterError: see ``Adapter.self_check``.
        """
        report = self.adapter.self_check(self.slots.request_baud)
        self._fit_slots()
        return report

    def _fit_slots(self) -> None:
        """If no legal slot is slow enough the default stays: the steps will say so."""
        with suppress(CannotMake):
            self.slots = self.fitted(self.slots)

    def fitted(self, slots: SlotFrames) -> SlotFrames:
        """Slots of the same limits, slow enough that ones come back whole on this line.

        A slot is released at 1 and sampled at 1.5 bit times, so a slow edge reads as a
        0. Only read slots go out, which devices that wait for a reset ignore.

        Raises:
            CannotMake: no legal slot is slow enough; besides what ``exchange`` raises.
        """
        found, probe = slots, b"\xff" * 32
        while self.exchange(probe, found.request_baud, found.stop_bits) != probe:
            # the echo is short of half a bit; two per cent more is the next candidate
            rise_us = 0.51 * found.one.bit_us
            found = choose_slots(
                self.adapter.grid, limits=slots.limits, rise_us=rise_us
            )
        if found is slots:
            return slots
        return replace(
            found, reason=f"{found.reason}; slowed down for this line's slow rise"
        )

    # -- speed -------------------------------------------------------------------

    @property
    def is_overdrive(self) -> bool:
        """True while the frames in use are those of overdrive."""
        return self._standard is not None

    def use_overdrive(self, slots: SlotFrames, reset_frame: ResetFrame) -> None:
        """Go on with overdrive frames; only sets the frames, see ``driver.overdrive``."""
        if self._standard is None:
            self._standard = (self.slots, self.reset_frame)
        self.slots, self.reset_frame = slots, reset_frame

    def use_standard(self) -> None:
        """Go on with the standard frames."""
        if self._standard is not None:
            self.slots, self.reset_frame = self._standard
            self._standard = None

    # -- exchange ----------------------------------------------------------------

    def send(self, frames: bytes) -> bytes:
        """One burst of slots at the rate and format in use; errors as ``exchange``."""
        return self.exchange(frames, self.slots.request_baud, self.slots.stop_bits)

    def exchange(self, frames: bytes, baud: int, stop_bits: int = 1) -> bytes:
        """One burst through the adapter, counted and kept as evidence.

        Raises:
            LineShorted: the echoes stop in a way that only a low line explains.
            SlotDisturbed: the line was pulled between slots, which came back as
                characters of their own; the adapter was proved before.
            AdapterError: as the adapter says.
        """
        try:
            return self._bursts.exchange(frames, baud, stop_bits, self.slots)
        except ExtraEcho as fault:
            raise SlotDisturbed(
                fault.what, where=fault.where, hint=fault.hint
            ) from fault

    # -- reset -------------------------------------------------------------------

    def reset(self) -> ResetReading:
        """Reset pulse; returns what the echo says about presence.

        Raises:
            LineShorted, ResetDisturbed, AdapterError: see ``resets.reset_line``.
        """
        return reset_line(self._bursts, self.reset_frame, self.slots)

    def require_presence(self) -> ResetReading:
        """Reset, and insist that somebody answers.

        Raises:
            NobodyAnswers: no presence pulse; besides what ``reset`` raises.
        """
        reading = self.reset()
        if reading.presence is Presence.ABSENT:
            raise NobodyAnswers(
                "no presence pulse after the reset", where=self.adapter.url
            )
        return reading

    # -- slots -------------------------------------------------------------------

    def _burst(self, write: bytes, read_slots: int) -> bytes:
        """Write frames, then read slots, in one exchange; the read slots' echoes."""
        frames = write + self.slots.read(read_slots)
        echoes = self.send(frames)
        self.check_written(frames, echoes, range(len(write)))
        return echoes[len(write) :]

    def check_written(
        self, frames: bytes, echoes: bytes, places: Sequence[int]
    ) -> None:
        """Insist that the written slots at ``places`` came back as sent.

        Raises:
            SlotDisturbed: with the count and the first that did not.
        """
        wrong = [place for place in places if frames[place] != echoes[place]]
        if wrong:
            first = wrong[0]
            raise SlotDisturbed(
                f"{len(wrong)} of {len(places)} written slots came back changed, the first "
                f"is slot {first + 1}: sent {frames[first]:02X}h, got {echoes[first]:02X}h",
                where=self.adapter.url,
            )

    def write(self, data: bytes) -> None:
        """Write bytes to whoever listens.

        Raises:
            SlotDisturbed: a slot came back changed; besides what ``exchange`` raises.
        """
        self._burst(self.slots.encode(data), 0)

    def read(self, count: int) -> bytes:
        """Read bytes from whoever answers; ones where nobody drives."""
        return self.slots.decode(self._burst(b"", 8 * count))

    def go_on(self, write: bytes, read: int) -> bytes:
        """Write, then read bytes, in one burst and without a reset."""
        return self.slots.decode(self._burst(self.slots.encode(write), 8 * read))

    def read_bits(self, count: int) -> list[int]:
        """Read single slots."""
        return self.slots.decode_bits(self._burst(b"", count))

    def write_bits_read(self, bits: list[int], read_slots: int) -> list[int]:
        """Write single bits, then read single slots, in one burst."""
        return self.slots.decode_bits(
            self._burst(self.slots.encode_bits(bits), read_slots)
        )

    # -- ROM level ---------------------------------------------------------------

    def selection(self, rom: RomCode | None) -> bytes:
        """ROM command bytes that select one device, or all with None; for sending now.

        Matches are counted: there is a kind of device that each one changes.
        """
        if rom is None:
            return bytes([RomCommand.SKIP])
        self.matches[str(rom)] += 1
        return bytes([RomCommand.MATCH]) + rom.wire

    def transact(self, rom: RomCode | None, write: bytes, read: int = 0) -> bytes:
        """Reset, select, write and read: two round trips, reset included.

        Args:
            rom: the device, or None for all of them.
            write: function command and its data.
            read: bytes to read afterwards.

        Raises:
            NobodyAnswers, LineShorted, ResetDisturbed, SlotDisturbed, AdapterError.
        """
        self.require_presence()
        frames = self.slots.encode(self.selection(rom) + write)
        return self.slots.decode(self._burst(frames, 8 * read))

    def transact_bits(self, rom: RomCode | None, write: bytes, slots: int) -> list[int]:
        """As ``transact``, but returns single read slots."""
        self.require_presence()
        frames = self.slots.encode(self.selection(rom) + write)
        return self.slots.decode_bits(self._burst(frames, slots))

    def read_rom(self) -> RomCode:
        """ROM code of the only device; a wired AND if there are several.

        The CRC is for the caller to judge.
        """
        self.require_presence()
        frames = self.slots.encode(bytes([RomCommand.READ]))
        return RomCode(self.slots.decode(self._burst(frames, 64)))

    def resume(self, write: bytes, read: int = 0) -> bytes:
        """As ``transact`` with the device addressed last, for parts that have it."""
        self.require_presence()
        frames = self.slots.encode(bytes([RomCommand.RESUME]) + write)
        return self.slots.decode(self._burst(frames, 8 * read))
