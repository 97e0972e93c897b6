"""A recording from file to verdict: everything that it shows, as records."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from harness.families.registry import Kinds
from harness.families.secret import Secret
from harness.recordings.activity import ActivityTally
from harness.recordings.counts import TraceCounts
from harness.recordings.decoding.histories import Histories
from harness.recordings.decoding.interruptions import InterruptionWatch
from harness.recordings.decoding.lows import LowFinder, Lows
from harness.recordings.decoding.sides import SlotSide
from harness.recordings.decoding.slots import DecodedLows, LowKind, SlotDecoder
from harness.recordings.decoding.transactions import BusTransaction, TransactionReader
from harness.recordings.expectation import ExpectedDevice, compare_devices
from harness.recordings.judging.levels import LevelMeter
from harness.recordings.judging.limits import SLOWEST_SAMPLING_US
from harness.recordings.judging.measuring import QuantityMeter
from harness.recordings.judging.presence import answering
from harness.recordings.judging.sampling import sampling_interval
from harness.recordings.reading.chunks import LevelChunk, LevelSource, TickSpans
from harness.recordings.record.quantity import Instant
from harness.recordings.record.shown import SeenDevice, WrongAt
from harness.recordings.trace_record import TraceRecord
from harness.recordings.wording import shows_rom
from harness.wire.romcode import RomCode

MOST_TRANSACTIONS = 5_000
MOST_INSTANTS = 1_000

_ROUNDING = 1e-9

MOST_LOWS = 10_000_000
"""Lows that are kept for a comparison with a journal: 160 MB of them."""


class RecordingTracer:
    """Reads a recording to its end and judges it.

    Args:
        source: the opened file.
        inverted: True if high and low are the other way round.
        expected: the sockets of a fixture.
        level_limits: highest low level and lowest high level in volts, or None.
        secret: what authenticators on the line should hold, or None.
        kinds: those that are known; those built in if None.
        keep_lows: True to keep the first ``MOST_LOWS`` lows for a comparison.
    """

    def __init__(
        self,
        source: LevelSource,
        *,
        inverted: bool = False,
        expected: tuple[ExpectedDevice, ...] = (),
        level_limits: tuple[float, float] | None = None,
        keep_lows: bool = False,
        secret: Secret | None = None,
        kinds: Kinds | None = None,
    ) -> None:
        self._keep_lows = keep_lows
        self._starts_us: list[NDArray[np.float64]] = []
        self._ends_us: list[NDArray[np.float64]] = []
        self._lows_count = 0
        self._source = source
        self._tick_us = source.tick_s * 1e6
        self._finder = LowFinder(inverted=inverted)
        self._slots = SlotDecoder(self._tick_us)
        self._expected = expected
        self._reader = TransactionReader(
            tuple(d.family for d in expected if d.family is not None), kinds
        )
        self._meter = QuantityMeter(self._tick_us)
        self._histories = Histories(secret)
        self._activity = ActivityTally()
        self._levels = LevelMeter(level_limits)
        self._between_kept: list[TickSpans] = []
        self._between_count = 0
        self._counts = TraceCounts()
        self._kept: list[BusTransaction] = []
        self._last: BusTransaction | None = None
        self._wrong: list[WrongAt] = []
        self._refused: list[WrongAt] = []
        self._interruptions = InterruptionWatch()
        self._odd: list[Instant] = []
        self._sample = np.empty(0, np.int64)
        self._cut = False

    def run(self, progress: Callable[[int], None] | None = None) -> TraceRecord:
        """The whole recording.

        Args:
            progress: called now and then with the bytes read so far.

        Raises:
            RecordingUnreadable: the file is damaged.
        """
        for lows in self._lows():
            self._slots.step_us = self._interval_us()
            for decoded in self._slots.feed(lows):
                self._take(decoded)
            if progress is not None:
                progress(self._source.bytes_read)
        for decoded in self._slots.finish():
            self._take(decoded)
        return self._record()

    def _lows(self) -> Iterator[Lows]:
        for chunk in self._source.chunks():
            lows = self._finder.feed(chunk)
            self._take_volts(chunk)
            if len(self._sample) < 100_000:
                edges = np.concatenate((lows.starts, lows.ends))
                self._sample = np.concatenate((self._sample, edges))[:200_000]
            self._keep(lows)
            yield lows
        last = self._finder.finish()
        self._cut = len(last) > 0
        self._keep(last)
        yield last

    def _take_volts(self, chunk: LevelChunk) -> None:
        self._levels.feed(chunk, self._source.tick_s)
        if (
            self._keep_lows
            and chunk.between is not None
            and self._between_count < 2 * MOST_LOWS
        ):
            self._between_kept.append(chunk.between)
            self._between_count += len(chunk.between.begins)

    def _between_us(self) -> tuple[NDArray[np.float64], NDArray[np.float64]] | None:
        if not self._between_kept:
            return None
        begins = np.concatenate([found.begins for found in self._between_kept])
        ends = np.concatenate([found.ends for found in self._between_kept])
        return begins * self._tick_us, ends * self._tick_us

    def _us(self, ticks: NDArray[np.int64]) -> NDArray[np.float64]:
        return np.asarray(ticks * self._tick_us, np.float64)

    def _keep(self, lows: Lows) -> None:
        self._counts.low_ticks += int((lows.ends - lows.starts).sum())
        if self._keep_lows and self._lows_count < MOST_LOWS:
            self._starts_us.append(self._us(lows.starts))
            self._ends_us.append(self._us(lows.ends))
            self._lows_count += len(lows)

    def _kept_us(self) -> tuple[NDArray[np.float64], NDArray[np.float64]] | None:
        if not self._starts_us:
            return None
        # each list is let go before the next one doubles
        starts_us, self._starts_us = np.concatenate(self._starts_us), []
        ends_us, self._ends_us = np.concatenate(self._ends_us), []
        return starts_us, ends_us

    # -- a batch -----------------------------------------------------------------

    def _interval_us(self) -> float:
        ticks = self._source.sample_ticks or sampling_interval(
            self._sample, self._finder.step
        )
        return ticks * self._tick_us

    def _take(self, decoded: DecodedLows) -> None:
        counts = self._counts
        self._activity.feed(decoded.lows.starts)
        counts.kinds += np.bincount(decoded.kinds, minlength=len(LowKind))
        counts.fast = counts.fast or bool(decoded.overdrive.any())
        sides = np.zeros(len(decoded.lows), np.uint8)
        is_slot = decoded.kinds == LowKind.SLOT
        slot_index = np.flatnonzero(is_slot)
        slot_sides = np.zeros(len(slot_index), np.uint8)
        bits = decoded.bits[slot_index]
        begins = np.searchsorted(slot_index, decoded.frames)
        ends = np.append(begins[1:], len(slot_index))
        frame_ends = decoded.frame_ends()
        counts.longest_pause = max(counts.longest_pause, decoded.longest_pause())
        for frame, (begin, end) in enumerate(zip(begins, ends, strict=True)):
            first, beyond = int(decoded.frames[frame]), int(frame_ends[frame])
            self._transaction(
                decoded, first, beyond, bits[begin:end], slot_sides[begin:end]
            )
        sides[slot_index] = slot_sides
        self._note_odd(decoded)
        sides = self._meter.feed(decoded, sides, self._slots.step_us)
        self._levels.feed_lows(decoded, sides, self._source.tick_s)

    def _transaction(
        self,
        decoded: DecodedLows,
        first: int,
        beyond: int,
        bits: NDArray[np.uint8],
        sides: NDArray[np.uint8],
    ) -> None:
        has_reset = decoded.kinds[first] == LowKind.RESET
        if not has_reset and not len(bits):
            return
        to_s = self._source.tick_s
        presence = bool((decoded.kinds[first:beyond] == LowKind.PRESENCE).any())
        found = self._reader.read(
            bits,
            sides,
            start_s=float(decoded.lows.starts[first]) * to_s,
            end_s=float(decoded.lows.ends[beyond - 1]) * to_s,
            has_reset=bool(has_reset),
            presence=presence,
            overdrive_reset=bool(has_reset and decoded.overdrive[first]),
        )
        counts = self._counts
        if not found.adds_up and self._may_miss_lows(decoded, first, beyond):
            # which slot is whose, and what it says, is not known then
            sides[:] = SlotSide.EITHER
            counts.missed += 1
            found = replace(
                found,
                wrong=(),
                notes=(*found.notes, "a low may have been missed in it"),
            )
        unclear = int(decoded.unclear[first:beyond].sum())
        if unclear and not _is_confirmed(found):
            counts.unclear += unclear
            found = replace(
                found,
                wrong=(),
                notes=(*found.notes, f"{unclear} of its slots may be ones or zeros"),
            )
        counts.transactions += 1
        counts.commands += found.command is not None
        counts.rom_commands += bool(found.command_name)
        counts.answered += bool(has_reset) and presence
        counts.checks += found.function.checks
        counts.wrong_count += len(found.wrong)
        rom = found.rom if shows_rom(found) else None
        self._follow(found, rom)
        if rom is not None:
            of_rom = counts.of_rom.setdefault(rom, [0, 0])
            of_rom[0] += 1
            of_rom[1] += found.function.checks
        if len(self._kept) < MOST_TRANSACTIONS:
            self._kept.append(found)
        self._last = found
        lows = decoded.lows
        reset = int(lows.ends[first] - lows.starts[first]) if has_reset else 0
        self._interruptions.feed(found, reset * self._tick_us, self._slots.step_us)
        room_refused = MOST_INSTANTS - len(self._refused)
        self._refused += [
            WrongAt(at_s=found.start_s, what=what, rom=str(rom or ""))
            for what in found.function.refused[:room_refused]
        ]
        room = MOST_INSTANTS - len(self._wrong)
        self._wrong += [
            WrongAt(at_s=found.start_s, what=what, rom=str(rom or ""))
            for what in found.wrong[:room]
        ]

    def _may_miss_lows(self, decoded: DecodedLows, first: int, beyond: int) -> bool:
        """True if slots of this frame are as short as one sample: others may be shorter."""
        within = slice(first, beyond)
        slots = decoded.kinds[within] == LowKind.SLOT
        lows = decoded.lows
        ticks = (lows.ends[within] - lows.starts[within])[slots]
        shortest_us = float(ticks.min()) * self._tick_us if len(ticks) else np.inf
        return shortest_us <= self._slots.step_us * (1 + _ROUNDING)

    def _follow(self, found: BusTransaction, rom: RomCode | None) -> None:
        """What the transactions of one device say together."""
        for known in self._reader.roms:
            self._histories.meet(known)
        for seen in found.function.commands:
            self._histories.feed(rom, seen)
        for whose, what in self._histories.wrong():
            self._counts.wrong_count += 1
            if len(self._wrong) < MOST_INSTANTS:
                self._wrong.append(
                    WrongAt(at_s=found.start_s, what=what, rom=str(whose))
                )

    def _note_odd(self, decoded: DecodedLows) -> None:
        room = MOST_INSTANTS - len(self._odd)
        odd = (decoded.kinds == LowKind.GLITCH) | (decoded.kinds == LowKind.NEITHER)
        lows = decoded.lows
        for index in np.flatnonzero(odd)[:room]:
            length = float(lows.ends[index] - lows.starts[index]) * self._tick_us
            at_s = float(lows.starts[index]) * self._source.tick_s
            self._odd.append(Instant(at_s=at_s, value=length))

    # -- the end -----------------------------------------------------------------

    def _record(self) -> TraceRecord:
        counts, source, finder = self._counts, self._source, self._finder
        interval = self._interval_us()
        # the choice of thresholds leaves open what lies between them
        doubt = interval + self._levels.rise_us()
        first = finder.first if finder.first is not None else finder.last
        unexpected, missing = compare_devices(self._expected, self._reader.roms)
        wrong = [*(WrongAt(at_s=0.0, what=what) for what in unexpected), *self._wrong]
        wrong_count = counts.wrong_count + len(unexpected)
        kinds = counts.kinds
        activity, stretch_s = self._activity.counts(source.tick_s)
        judged = (
            *self._meter.judged(doubt, answering(self._reader, len(self._expected))),
            *self._levels.judged(
                interval, source.analog.step_v if source.analog else 0.0
            ),
        )
        unjudged = self._unjudged(interval)
        if unjudged:
            # neither bytes nor times can be relied on
            judged = tuple(quantity.undetermined() for quantity in judged)
            wrong, wrong_count, self._kept = [], 0, []
        return TraceRecord(
            channel=source.channel,
            others=source.others,
            notes=(*source.notes, *self._notes()),
            duration_s=(finder.last - first) * source.tick_s,
            edges=finder.edges,
            interval_us=interval,
            doubt_us=doubt,
            analog=source.analog,
            resets=int(kinds[LowKind.RESET]),
            answered=counts.answered,
            slots=int(kinds[LowKind.SLOT]),
            glitches=int(kinds[LowKind.GLITCH]),
            neithers=int(kinds[LowKind.NEITHER]),
            odd_lows=tuple(self._odd),
            spikes=self._slots.spikes,
            roms=() if unjudged else tuple(self._reader.roms.items()),
            devices=() if unjudged else tuple(self._devices()),
            transactions=tuple(self._kept),
            transaction_count=counts.transactions,
            checks=counts.checks,
            wrong=tuple(wrong[:MOST_INSTANTS]),
            wrong_count=wrong_count,
            refused=() if unjudged else tuple(self._refused),
            interruptions=() if unjudged else tuple(self._interruptions.found),
            quantities=judged,
            views=self._meter.views(judged),
            start_s=first * source.tick_s,
            activity=activity,
            stretch_s=stretch_s,
            active_from_s=self._activity.first * source.tick_s,
            reasons=(unjudged,) if unjudged else (*self._reasons(interval), *missing),
            unjudged=unjudged,
            lows_us=self._kept_us(),
            between_us=self._between_us(),
        )

    def _ends_early(self) -> bool:
        """True if another slot could have followed.

        Not so if the line idles at the end for longer than between any two slots of a
        transaction before: then the host stopped there.
        """
        assert self._last is not None
        behind_s = self._finder.last * self._source.tick_s - self._last.end_s
        return behind_s <= self._counts.longest_pause * self._source.tick_s

    def _devices(self) -> Iterator[SeenDevice]:
        sockets = {d.rom: d.socket for d in self._expected if d.rom is not None}
        for rom, use in self._reader.roms.items():
            transactions, checks = self._counts.of_rom.get(rom, (0, 0))
            yield SeenDevice(
                rom=str(rom),
                use=str(use),
                transactions=transactions,
                checks=checks,
                socket=sockets.get(rom, ""),
                notes=self._histories.notes(rom),
            )

    def _notes(self) -> Iterator[str]:
        if self._finder.gaps:
            plural = "es" if self._finder.gaps > 1 else ""
            yield f"the recorder left out {self._finder.gaps} stretch{plural}"
        if self._slots.cut_frames:
            yield (
                "there are so many slots without a reset that they are shown in parts"
            )
        if self._counts.transactions > MOST_TRANSACTIONS:
            yield f"the first {MOST_TRANSACTIONS} transactions are listed, all are judged"

    def _unjudged(self, interval_us: float) -> str:
        """Why nothing that was decoded can be relied on; empty if it can."""
        counts, finder = self._counts, self._finder
        slowest = SLOWEST_SAMPLING_US[counts.fast]
        if interval_us > slowest:
            return (
                f"sampled every {interval_us:g} us, too slowly: shorter lows can be "
                f"missed, {slowest:g} us or less is needed"
            )
        duration = finder.last - (finder.first or 0)
        unknown = counts.commands - counts.rom_commands
        if unknown > counts.rom_commands and 2 * counts.low_ticks > duration:
            return (
                f"the line is low for {counts.low_ticks / duration:.0%} of the time and "
                f"{unknown} of {counts.commands} resets are followed by no ROM command, "
                "while an idle bus is high: are high and low swapped (--invert), or is it "
                "another channel (--channel)?"
            )
        return ""

    def _reasons(self, interval_us: float) -> Iterator[str]:
        finder = self._finder
        if not finder.edges:
            yield (
                f"the level of {self._source.channel} never changes: is it the data line?"
            )
            return
        if not self._counts.kinds[LowKind.RESET]:
            yield "there is no reset in the recording, so no transaction begins in it"
        if self._counts.unclear:
            yield (
                f"sampled every {interval_us:g} us, so that {self._counts.unclear} slots "
                "may be ones or zeros: their lows end where ones do and zeros too"
            )
        if self._counts.missed:
            yield (
                f"sampled every {interval_us:g} us, and {self._counts.missed} of "
                f"{self._counts.transactions} transactions with lows of one sample do not "
                "add up: a shorter low may have been missed in them"
            )
        if self._cut:
            yield (
                f"the recording ends at {finder.last * self._source.tick_s:.6f} s while "
                "the line is low: the last low is cut"
            )
        elif (last := self._last) is not None and self._ends_early():
            if last.left_bits:
                yield f"the recording ends after {last.left_bits} of the 8 slots of a byte"
            elif last.unfinished:
                yield f"the recording ends within {last.unfinished}"


def _is_confirmed(found: BusTransaction) -> bool:
    """True if a CRC says that the bits were read right."""
    if found.wrong:
        return False
    rom_only = found.rom is not None and found.rom.is_possible and not found.data
    return rom_only or found.function.checks > 0
