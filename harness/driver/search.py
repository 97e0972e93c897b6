"""Finding every device once: the search, and the proof of a single known code.

The search walks the tree of ROM codes. Every position costs two read slots (the
wired AND of the true bits, then of their complements) and one written bit; those
that differ from the written bit drop out until the next reset.

    pair 00  both values present: walk one now, note the branch for a later pass
    pair 01  all have 0                pair 10  all have 1
    pair 11  no device answers: a dead end

Round trips are what costs time behind USB. A pass sends all it can foresee in one
burst; where it cannot, each position is one exchange, written bit and next pair
together. Foreseen are

- the part of the path that earlier passes found, and the last eight bits, which are
  the CRC of the first 56;
- a code that is expected here: of the fixture, recalled from an earlier run, or what a
  lone device said to READ ROM;
- the bits of a forecast (``guessing.prediction``), as far as the round trip that a right
  one saves is worth more than what a wrong one costs.

A guess is never a finding: what it skips is heard in the same slots, and a device is
found only where a walk from the reset to position 64 was answered all along, as
without guesses. A wrong guess costs a reset and the way down again; ``guessing.account`` sees
to it that all of them together never cost more than a tenth of the search without guesses.

Source: device maker's application note 187; data sheet family 28h p. 11-12.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from enum import Enum, auto

from harness.driver.bus import Bus, RomCommand
from harness.driver.guessing.account import CRC_FROM, ROM_BITS, Account
from harness.driver.guessing.expected import CERTAIN, ExpectedCodes, crc_bits
from harness.driver.guessing.prediction import Forecast, Predictor
from harness.errors import LineShorted, SlotDisturbed
from harness.wire.romcode import RomCode


@dataclass(frozen=True, slots=True, kw_only=True)
class DeadEnd:
    """A pass that ended early: where, and on which path."""

    position: int
    path: str


@dataclass(slots=True, kw_only=True)
class Enumeration:
    """What a search found.

    Attributes:
        found: devices proved by CRC, in the order of their bits, 0 before 1.
        rejected: codes that the walk ended on and that cannot be a device.
        dead_ends: passes that ended because no device answered any more.
        disturbed_passes: passes given up because a written slot came back changed.
        passes: passes made, retries included.
        wrong_guesses: ways down that were walked again because of a guess.
    """

    found: list[RomCode] = field(default_factory=list)
    rejected: list[RomCode] = field(default_factory=list)
    dead_ends: list[DeadEnd] = field(default_factory=list)
    disturbed_passes: int = 0
    passes: int = 0
    wrong_guesses: int = 0


class _Ending(Enum):
    """How one walk from the reset ended."""

    LEAF = auto()
    DEAD = auto()
    WRONG_GUESS = auto()


@dataclass(frozen=True, slots=True)
class _Foreseen:
    """A bit that may be sent ahead.

    Attributes:
        bit: its value.
        likely: probability that it is right.
        is_free: True if it may be sent without an account of what a wrong one costs.
    """

    bit: int
    likely: float
    is_free: bool


Pair = tuple[int, int]

_BOTH, _NOBODY = (0, 0), (1, 1)


class Search:
    """One enumeration of a bus.

    Args:
        bus: the bus; its devices keep their state but for being reset.
        command: ``SEARCH``, or ``CONDITIONAL_SEARCH`` for devices with an alarm.
        expected: codes that are likely on this bus: each is heard in one burst.
        recalled: codes that were on this bus before and may be there still. If they are
            wrong before several devices were heard, a lone one is asked for its code as
            if there were none, and what its answer excludes is expected no longer.
        seen: codes of devices like those on this bus, such as those of a lot.
        tries: how often a path that ends dead or on an impossible code is walked.
        most: passes after which a walk that leads nowhere new is given up.
    """

    def __init__(
        self,
        bus: Bus,
        *,
        command: RomCommand = RomCommand.SEARCH,
        expected: Iterable[RomCode] = (),
        recalled: Iterable[RomCode] = (),
        seen: Iterable[RomCode] = (),
        tries: int = 3,
        most: int = 4096,
    ) -> None:
        self._bus = bus
        self._command = command
        self._tries = tries
        self._most = most
        self._result = Enumeration()
        self._pending: list[list[int]] = [[]]
        self._branches: set[tuple[int, ...]] = set()
        self._path: list[int] = []
        self._undecided = 0
        self._predictor = Predictor(seen)
        self._account = Account(bus.slots.slot_us * 1e-6, bus.adapter.round_trip_s)
        roms = list(expected)
        all_take_part = command is RomCommand.SEARCH
        self._presence = 0.95 if all_take_part else 0.5
        self._likely = list(dict.fromkeys([*roms, *recalled]))
        self._expected = ExpectedCodes(self._likely, self._presence)
        self._asks_lone = all_take_part and not roms
        self._is_told = False
        self._ones: frozenset[int] = frozenset()

    def run(self) -> Enumeration:
        """Walk every branch.

        Raises:
            NobodyAnswers: no presence pulse (an empty bus is no enumeration).
            LineShorted: the line is low at every position.
            LineError, AdapterError: as the bus says.
        """
        if self._asks_lone and not self._likely:
            self._ask_lone()
        while self._pending and self._result.passes < self._most:
            self._explore(self._pending.pop())
        self._result.found.sort(key=lambda rom: rom.bits)
        return self._result

    def _ask_lone(self) -> None:
        """READ ROM: the code of a lone device; of several, the places where all have a 1.

        Source: data sheet family 28h p. 11.
        """
        self._asks_lone = False
        started_s = self._bus.clock.now_s()
        self._reset()
        frames = self._bus.slots.encode(bytes([RomCommand.READ]))
        sent = frames + self._bus.slots.read(ROM_BITS)
        sent_s = self._bus.clock.now_s()
        echoes = self._bus.send(sent)
        took_s = self._bus.clock.now_s() - sent_s
        self._account.took_burst(took_s, len(sent), after_reset=True)
        self._account.spend(self._bus.clock.now_s() - started_s, trips=2)
        if echoes[: len(frames)] != frames:
            return  # heard wrongly; the search itself will show it
        bits = self._bus.slots.decode_bits(echoes[len(frames) :])
        rom = RomCode.from_bits(bits)
        self._ones = frozenset(place for place, bit in enumerate(bits) if bit)
        if rom.is_possible:
            self._expected, self._is_told = ExpectedCodes([rom], CERTAIN), True
            return
        left = [
            rom for rom in self._likely if all(rom.bits[place] for place in self._ones)
        ]
        self._expected = ExpectedCodes(left, self._presence)

    def _may_be_alone(self) -> bool:
        """True if READ ROM was not asked yet, and nothing says that there are several."""
        return self._asks_lone and not self._branches

    def _explore(self, prefix: list[int]) -> None:
        """Walk below ``prefix``, again if it ends dead or on an impossible code."""
        impossible: set[RomCode] = set()
        disturbed: SlotDisturbed | None = None
        for _ in range(self._tries):
            self._result.passes += 1
            try:
                alive = self._walk_to_leaf(prefix)
            except SlotDisturbed as fault:
                self._result.disturbed_passes += 1
                disturbed = fault
                continue
            if not alive:
                if self._is_no_alarm():
                    return
                continue
            rom = RomCode.from_bits(self._path)
            self._expected.drop(rom)
            if rom.is_possible:
                self._keep(rom)
                return
            if rom in impossible:
                break  # twice the same: no flipped bit, but what is there
            impossible.add(rom)
        if disturbed is not None and not impossible:
            raise disturbed
        self._result.rejected += sorted(impossible - set(self._result.rejected))

    def _is_no_alarm(self) -> bool:
        """No device has an alarm, which is an answer: the first bit is already dead."""
        return self._command is RomCommand.CONDITIONAL_SEARCH and not self._path

    def _keep(self, rom: RomCode) -> None:
        if rom not in self._result.found:
            self._result.found.append(rom)
            self._predictor.learn(rom)

    def _walk_to_leaf(self, prefix: list[int]) -> bool:
        """One walk, and more where a guess was wrong; False if dead."""
        foresee_crc = True
        self._reset()
        self._account.expect(len(prefix))
        ending = self._walk(prefix, foresee_crc=foresee_crc)
        while ending is _Ending.WRONG_GUESS:
            self._result.wrong_guesses += 1
            foresee_crc = foresee_crc and len(self._path) <= CRC_FROM
            if self._may_be_alone():
                self._ask_lone()
            self._asks_lone = False
            self._reset()
            # The path now ends with the bit that was there; go on from it.
            ending = self._walk(list(self._path), foresee_crc=foresee_crc)
        if ending is _Ending.LEAF:
            if self._undecided == ROM_BITS:
                raise LineShorted(
                    "both bits read 0 at all 64 positions: the line is low while devices answer",
                    where=self._bus.adapter.url,
                )
            return True
        self._result.dead_ends.append(
            DeadEnd(position=len(self._path) + 1, path="".join(map(str, self._path)))
        )
        return False

    def _reset(self) -> None:
        started_s = self._bus.clock.now_s()
        self._bus.require_presence()
        self._account.took_reset(self._bus.clock.now_s() - started_s)

    def _walk(self, prefix: list[int], *, foresee_crc: bool) -> _Ending:
        """From a reset down: what is known or foreseen in one burst, the rest bit by bit."""
        self._path, self._undecided = [], 0
        forecast = self._predictor.begin()
        forecast.take(prefix)
        lead, ahead = [self._command >> place & 1 for place in range(8)], list(prefix)
        while True:
            begun = [*self._path, *ahead]
            ahead += self._foreseen(begun, forecast, foresee_crc=foresee_crc)
            ask = len(self._path) + len(ahead) < ROM_BITS
            pairs = self._burst(lead, ahead, ask=ask)
            for pair, bit in zip(pairs, ahead, strict=False):
                ending = self._accept(pair, bit, known=len(self._path) < len(prefix))
                if ending is not None:
                    self._settle(ending, begun, ahead)
                    return ending
            if not ask:
                self._settle(_Ending.LEAF, begun, ahead)
                return _Ending.LEAF
            if pairs[-1] == _NOBODY:
                return _Ending.DEAD
            bit = pairs[-1][0]
            self._take(pairs[-1], bit)
            if self._may_be_alone() and not self._expected.below(self._path):
                self._settle(_Ending.WRONG_GUESS, begun, ahead)
                return _Ending.WRONG_GUESS
            self._settle(None, begun, ahead)
            if len(self._path) == ROM_BITS:
                return _Ending.LEAF
            forecast.take(self._path[len(begun) :])
            lead, ahead = [bit], []

    def _settle(
        self, ending: _Ending | None, begun: list[int], ahead: list[int]
    ) -> None:
        """Book what the guesses of a burst saved or cost."""
        heard = min(len(self._path), CRC_FROM) - min(len(begun), CRC_FROM)
        self._account.save(max(0, heard - 1))
        if ending is _Ending.WRONG_GUESS:
            in_vain = len(begun) + len(ahead) - len(self._path)
            self._account.lose(8 + 3 * (len(self._path) + max(0, in_vain)))

    def _foreseen(
        self, begun: list[int], forecast: Forecast, *, foresee_crc: bool
    ) -> list[int]:
        """Bits to send ahead behind ``begun``, as far as they are worth it."""
        path, trial, reached = list(begun), forecast.copy(), 1.0
        below = self._expected.below(path)
        entered = False
        while len(path) < ROM_BITS:
            if not below and len(path) >= CRC_FROM and not foresee_crc:
                break
            foreseen = self._foresee(path, below, trial, entered=entered)
            if len(path) >= CRC_FROM and foresee_crc:
                # as free as without known codes, where these say the same
                is_crc = foreseen.bit == crc_bits(path)[len(path) - CRC_FROM]
                foreseen = replace(foreseen, is_free=foreseen.is_free or is_crc)
            entered = entered or bool(below)
            if not self._is_sent_ahead(foreseen, reached, len(path)):
                break
            reached *= foreseen.likely
            path.append(foreseen.bit)
            below = [bits for bits in below if bits[len(path) - 1] == foreseen.bit]
            trial.take([foreseen.bit])
        return path[len(begun) :]

    def _foresee(
        self,
        path: list[int],
        below: list[tuple[int, ...]],
        trial: Forecast,
        *,
        entered: bool,
    ) -> _Foreseen:
        """The next bit behind ``path``, from the best source that there is.

        Known codes go before the CRC, which goes before bits that are known to be one,
        and what was found so far comes last.
        """
        at = len(path)
        if below:
            bit, likely = self._expected.guess(below, at, entered=entered)
            is_free = self._is_told or (bit == 1 and at in self._ones)
            return _Foreseen(bit, likely, is_free=is_free)
        if at >= CRC_FROM:
            return _Foreseen(crc_bits(path)[at - CRC_FROM], CERTAIN, is_free=True)
        if at in self._ones:
            return _Foreseen(1, CERTAIN, is_free=True)
        return _Foreseen(*trial.guess(), is_free=False)

    def _is_sent_ahead(self, foreseen: _Foreseen, reached: float, at: int) -> bool:
        if not self._account.is_worth(foreseen.likely, reached, at):
            return False
        return foreseen.is_free or self._account.may_lose(8 + 3 * (at + 1))

    def _accept(self, pair: Pair, bit: int, *, known: bool) -> _Ending | None:
        """Check the pair of a bit that was written unseen; None to go on."""
        if pair == _NOBODY:
            return _Ending.DEAD
        if pair not in {_BOTH, (bit, 1 - bit)}:
            if known:
                return _Ending.DEAD  # the device of this branch is not there now
            self._path.append(pair[0])
            return _Ending.WRONG_GUESS
        self._take(pair, bit, known=known)
        return None

    def _take(self, pair: Pair, bit: int, *, known: bool = False) -> None:
        """Go down ``bit``; note the other value where both are there."""
        if pair == _BOTH:
            self._undecided += 1
            other = (*self._path, 1 - bit)
            if not known and other not in self._branches:
                self._branches.add(other)
                self._pending.append(list(other))
        self._path.append(bit)

    def _burst(self, lead: list[int], ahead: list[int], *, ask: bool) -> list[Pair]:
        """``lead`` bits, a triplet for each bit ahead, and with ``ask`` one more pair."""
        triplets = [level for bit in ahead for level in (1, 1, bit)]
        bits = [*lead, *triplets, *([1, 1] if ask else [])]
        frames = self._bus.slots.encode_bits(bits)
        started_s = self._bus.clock.now_s()
        echoes = self._bus.send(frames)
        took_s = self._bus.clock.now_s() - started_s
        self._account.took_burst(took_s, len(frames), after_reset=len(lead) > 1)
        written = [
            *range(len(lead)),
            *range(len(lead) + 2, len(lead) + len(triplets), 3),
        ]
        self._bus.check_written(frames, echoes, written)
        levels = self._bus.slots.decode_bits(echoes)
        starts = range(len(lead), len(levels) - 1, 3)
        return [(levels[start], levels[start + 1]) for start in starts]


def enumerate_devices(
    bus: Bus,
    *,
    expected: Iterable[RomCode] = (),
    recalled: Iterable[RomCode] = (),
    seen: Iterable[RomCode] = (),
) -> Enumeration:
    """Every device on the bus, each once; arguments and errors as ``Search`` has them."""
    return Search(bus, expected=expected, recalled=recalled, seen=seen).run()


def enumerate_alarms(bus: Bus, *, expected: Iterable[RomCode] = ()) -> Enumeration:
    """The devices whose alarm condition is true, of those that are ``expected`` and others."""
    command = RomCommand.CONDITIONAL_SEARCH
    return Search(bus, command=command, expected=expected).run()


def verify(bus: Bus, rom: RomCode) -> bool:
    """Prove one known ROM code by a directed search: one burst after the reset.

    True if every position answers as ``rom`` does (alone or among others).

    Raises:
        NobodyAnswers: no presence pulse; else as the bus says.
    """
    return answers_as(rom, directed_search(bus, rom))


def directed_search(bus: Bus, rom: RomCode) -> list[int]:
    """Levels of the three slots of each position, the third as it was written.

    Raises:
        NobodyAnswers: no presence pulse; else as the bus says.
    """
    bus.require_presence()
    command = [RomCommand.SEARCH >> place & 1 for place in range(8)]
    bits = command + [level for bit in rom.bits for level in (1, 1, bit)]
    frames = bus.slots.encode_bits(bits)
    echoes = bus.send(frames)
    bus.check_written(frames, echoes, [*range(8), *range(10, len(bits), 3)])
    return bus.slots.decode_bits(echoes)[8:]


def answers_as(rom: RomCode, levels: Sequence[int]) -> bool:
    """True if every position of a directed search answers as the ROM code does."""
    return all(
        (levels[3 * place], levels[3 * place + 1]) in {_BOTH, (bit, 1 - bit)}
        for place, bit in enumerate(rom.bits)
    )
