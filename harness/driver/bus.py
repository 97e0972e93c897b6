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
from harness.driver.adapter import Adapter
from harness.driver.bursts import Burst, Bursts, Oddities, TrafficCount
from harness.driver.echo_damage import Damage
from harness.driver.echo_proof import EchoProof, echo_damaged, echo_doubt
from harness.driver.resets import reset_line
from harness.driver.self_check import AdapterReport, check_adapter
from harness.errors import (
    AdapterError,
    EchoDamaged,
    EchoDoubtful,
    ExtraEcho,
    LineNotReady,
    NobodyAnswers,
    NoEcho,
    ShortEcho,
    SlotDisturbed,
)
from harness.wire.romcode import RomCode
from harness.wire.slots.frames import (
    CannotMake,
    Presence,
    ResetFrame,
    ResetReading,
    SlotFrames,
    choose_reset,
    choose_slots,
)

_PROOFS = 8
"""Bursts of patterns after a failure: damage to one burst in three escapes 1 time in 25."""

_QUICK_PROOFS = 2
"""The same for a soak; what escapes one failure does not escape a night of them."""


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
    def traffic(self) -> TrafficCount:
        """Counts of what went over the bus."""
        return self._bursts.traffic

    @property
    def last(self) -> Burst | None:
        """The last exchange; None before the first, and once forgotten."""
        return self._bursts.last

    def forget_last(self) -> None:
        """Drop the last exchange, for example after one with a secret in it."""
        self._bursts.last = None

    def evidence(self) -> dict[str, Any]:
        """Frames and graded echoes of the last exchange, in hex, for a report."""
        return self._bursts.evidence()

    def prove(self) -> AdapterReport:
        """Prove the adapter, then fit the slots to the line.

        Read slots first, see ``driver.self_check``; then patterns that show what is
        done to an echo, see ``driver.echo_proof``.

        Raises:
            LineNotReady: the line is low, or went low meanwhile.
            EchoDamaged: what is sent does not come back, and how.
            AdapterError: see ``self_check``.
        """
        try:
            report = check_adapter(self.adapter, self.slots.request_baud)
            self._fit_slots()
            self._echo_proof().require(every_value=True)
        except EchoDamaged as fault:
            self._name_low(fault)
            raise
        except (NoEcho, ShortEcho, ExtraEcho, LineNotReady) as fault:
            self._name_low(fault)
            self._name(fault)
            raise
        return report

    def _name_low(self, fault: AdapterError) -> None:
        """Raise LineNotReady if the line was heard going low, and is silent since then."""
        if self.adapter.broke_low and self._bursts.is_silent(self.slots):
            raise LineNotReady(
                "the line went low during the self-check and stays low",
                where=self.adapter.url,
            ) from fault

    def _name(self, fault: AdapterError) -> None:
        """Raise EchoDamaged if the patterns name what is behind a fault."""
        damage = self._echo_proof().damage()
        if damage is not None and damage.is_named and set(damage.got) != {0}:
            raise echo_damaged(damage, self.adapter.url) from fault

    def _echo_proof(self) -> EchoProof:
        slots, reset_frame = self._standard or (self.slots, self.reset_frame)
        return EchoProof(self.adapter, reset_frame, slots)

    # -- whose fault a failure is --------------------------------------------------

    def begin_check(self) -> bytes:
        """Begin a new watch on the echoes; characters that came while nothing was asked.

        A device that was put in or woke up announces itself so. They are dropped, so
        that they pair with no slot to come.

        Raises:
            AdapterUnplugged: the port is gone.
        """
        self._bursts.forget_oddities()
        return self.adapter.hear() if self.adapter.port is not None else b""

    def await_late(self) -> None:
        """Wait for late characters, so that none pairs with what is asked next.

        They stay on the account of this check. Takes as long as ``Adapter.settle``.

        Raises:
            AdapterUnplugged: the port is gone.
        """
        if self.adapter.can_be_proved and self.adapter.settle():
            self._bursts.oddities.miscounted += 1

    def came_late(self) -> ExtraEcho | None:
        """Characters that wait though every echo is in; None if there are none.

        Costs no time: what comes later still is found at the next check.
        """
        self.adapter.hear()
        late = self.adapter.surplus
        return _came_late(late, self.adapter.url) if late else None

    def doubt(self, *, low: bool = False, quick: bool = False) -> AdapterError | None:
        """Why a failure since ``begin_check`` may be the adapter's; None if it is not.

        Waits until nothing more can come, looks back at what came, and proves the loop
        again by patterns. Takes about a second; no device is selected afterwards.

        Args:
            low: True if the failure is a line that was seen going low: silence and 00h
                agree with it.
            quick: True for 0.3 s instead of 1.2 s, where failures are many: late echoes
                are waited for as after an error, and fewer patterns are sent.

        Raises:
            AdapterUnplugged, PortUnsuitable: the port is gone, or refuses a rate.
        """
        late = self.adapter.settle() if quick else self.adapter.drain()
        seen = self._bursts.oddities
        damage = self._echo_proof().damage(
            bursts=_QUICK_PROOFS if quick else _PROOFS, every_value=not quick
        )
        if low:
            return self._doubt_of_low(late, damage)
        if damage is not None:
            return echo_doubt(damage, self.adapter.url)
        return _doubt_of(seen, late, self.adapter.url)

    def _doubt_of_low(self, late: bytes, damage: Damage | None) -> AdapterError | None:
        """As ``doubt`` for a line that seems low: silence is the evidence, so wait for it."""
        if damage is not None and not set(damage.got) <= {0}:
            self._bursts.held_low = False
            return echo_doubt(damage, self.adapter.url)
        late += self.adapter.drain() + self.adapter.drain()
        if set(late) <= {0}:
            return None
        self._bursts.held_low = False
        return _came_late(late, self.adapter.url)

    # -- fitting to the line ---------------------------------------------------------

    def _fit_slots(self) -> None:
        """If no legal slot is slow enough the default stays: the steps will say so."""
        with suppress(CannotMake):
            self.slots = self.fitted(self.slots)

    def fitted(self, slots: SlotFrames) -> SlotFrames:
        """Slots of the same limits, slow enough that ones come back whole on this line.

        A slot is released at 1 and sampled at 1.5 bit times, so a slow edge reads as a
        0. Only read slots go out, which devices that wait for a reset ignore.

        Raises:
            CannotMake: no legal slot is slow enough; and what ``exchange`` raises.
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
            ExtraEcho: characters came that were not sent; a pull of the line between
                slots looks so, and so does an adapter that repeats itself.
            AdapterError: as the adapter says.
        """
        return self._bursts.exchange(frames, baud, stop_bits, self.slots)

    # -- reset -------------------------------------------------------------------

    def reset(self) -> ResetReading:
        """Reset pulse; returns what the echo says about presence.

        Raises:
            LineShorted, ResetDisturbed, AdapterError: see ``resets.reset_line``.
        """
        return reset_line(self._bursts, self.reset_frame, self.slots)

    def require_presence(self) -> ResetReading:
        """Reset, and require a presence pulse.

        Raises:
            NobodyAnswers: no presence pulse; and what ``reset`` raises.
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
        """Write bytes to the devices that listen.

        Raises:
            SlotDisturbed: a slot came back changed; and what ``exchange`` raises.
        """
        self._burst(self.slots.encode(data), 0)

    def read(self, count: int) -> bytes:
        """Read bytes from the devices that answer; ones where no device drives."""
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

    def resume(self, write: bytes, read: int = 0) -> bytes:
        """As ``transact`` with the device addressed last, for parts that have it."""
        self.require_presence()
        frames = self.slots.encode(bytes([RomCommand.RESUME]) + write)
        return self.slots.decode(self._burst(frames, 8 * read))


def _doubt_of(seen: Oddities, late: bytes, where: str) -> AdapterError | None:
    """What is wrong with the echoes behind a failure, although the loop is sound now."""
    if late:
        return _came_late(late, where)
    if seen.miscounted:
        return EchoDoubtful(
            f"{seen.miscounted} {'burst' if seen.miscounted == 1 else 'bursts'} came back with characters missing, in surplus or late",
            where=where,
        )
    if seen.impossible > 1:
        return EchoDoubtful(
            f"{seen.impossible} echoes of one burst were such as no device makes",
            where=where,
        )
    return None


def _came_late(late: bytes, where: str) -> ExtraEcho:
    return ExtraEcho(
        f"{len(late)} characters came after the echo was whole "
        f"({late[:8].hex(' ').upper()})",
        where=where,
    )
