"""Finding every device once: the search, and the proof of a single known code.

The search walks the tree of ROM codes. Every position costs two read slots (the
wired AND of the true bits, then of their complements) and one written bit; those
that differ from the written bit drop out until the next reset.

    pair 00  both values present: walk 0 now, note the branch for a later pass
    pair 01  everybody has 0          pair 10  everybody has 1
    pair 11  nobody answers: a dead end

Round trips are what costs time behind USB, so a pass sends all it can foresee in
one burst: the part of the path that earlier passes found, and the last eight
bits, which are the CRC of the first 56. In between each position is one exchange:
written bit and next pair together. A first pass so takes 1 + 57 round trips.

Source: device maker's application note 187; data sheet family 28h p. 11-12.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import Enum, auto

from harness.driver.bus import Bus, RomCommand
from harness.errors import LineShorted, SlotDisturbed
from harness.wire.crc import crc8
from harness.wire.romcode import RomCode

_BITS = 64
_CRC_FROM = 56


@dataclass(frozen=True, slots=True, kw_only=True)
class DeadEnd:
    """A pass that ended early: where, and on which path."""

    position: int
    path: str


@dataclass(slots=True, kw_only=True)
class Enumeration:
    """What a search found.

    Attributes:
        found: devices proved by CRC, in search order.
        rejected: codes that the walk ended on and that cannot be a device.
        dead_ends: passes that ended because nobody answered any more.
        disturbed_passes: passes given up because a written slot came back changed.
        passes: passes made, retries included.
    """

    found: list[RomCode] = field(default_factory=list)
    rejected: list[RomCode] = field(default_factory=list)
    dead_ends: list[DeadEnd] = field(default_factory=list)
    disturbed_passes: int = 0
    passes: int = 0


class _Ending(Enum):
    """How one walk from the reset ended."""

    LEAF = auto()
    DEAD = auto()
    WRONG_GUESS = auto()


Pair = tuple[int, int]

_BOTH, _NOBODY = (0, 0), (1, 1)


def _crc_bits(path: list[int]) -> list[int]:
    """The eight bits that follow a path of 56 if its CRC is right."""
    body = RomCode.from_bits([*path, *[0] * 8]).wire[:7]
    check = crc8(body)
    return [check >> place & 1 for place in range(8)]


class Search:
    """One enumeration of a bus.

    Args:
        bus: the bus; its devices keep their state but for being reset.
        command: ``SEARCH``, or ``CONDITIONAL_SEARCH`` for devices with an alarm.
        tries: how often a path that ends dead or on an impossible code is walked.
        most: passes after which a walk that leads nowhere new is given up.
    """

    def __init__(
        self,
        bus: Bus,
        *,
        command: RomCommand = RomCommand.SEARCH,
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

    def run(self) -> Enumeration:
        """Walk every branch.

        Raises:
            NobodyAnswers: no presence pulse (an empty bus is no enumeration).
            LineShorted: the line is low at every position.
            LineError, AdapterError: as the bus says.
        """
        while self._pending and self._result.passes < self._most:
            self._explore(self._pending.pop())
        return self._result

    def _explore(self, prefix: list[int]) -> None:
        """Walk below ``prefix``, again if it ends dead or on an impossible code."""
        impossible: set[RomCode] = set()
        disturbed: SlotDisturbed | None = None
        for _ in range(self._tries):
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

    def _walk_to_leaf(self, prefix: list[int]) -> bool:
        """One walk, or two where the CRC is not the foreseen one; False if dead."""
        ending = self._walk(prefix, foresee_crc=True)
        while ending is _Ending.WRONG_GUESS:
            # The path now ends with the bit that was there; go on from it.
            ending = self._walk(list(self._path), foresee_crc=False)
        if ending is _Ending.LEAF:
            if self._undecided == _BITS:
                raise LineShorted(
                    "both bits read 0 at all 64 positions: the line is low while devices answer",
                    where=self._bus.adapter.url,
                )
            return True
        self._result.dead_ends.append(
            DeadEnd(position=len(self._path) + 1, path="".join(map(str, self._path)))
        )
        return False

    def _walk(self, prefix: list[int], *, foresee_crc: bool) -> _Ending:
        """Reset, then down: what is foreseen in one burst, the rest bit by bit."""
        self._result.passes += 1
        self._bus.require_presence()
        self._path, self._undecided = [], 0
        lead, ahead = [self._command >> place & 1 for place in range(8)], prefix
        while True:
            ask = len(self._path) + len(ahead) < _BITS
            pairs = self._burst(lead, ahead, ask=ask)
            for pair, bit in zip(pairs, ahead, strict=False):
                ending = self._accept(pair, bit, known=len(self._path) < len(prefix))
                if ending is not None:
                    return ending
            if not ask:
                return _Ending.LEAF
            if pairs[-1] == _NOBODY:
                return _Ending.DEAD
            bit = pairs[-1][0]
            self._take(pairs[-1], bit)
            if len(self._path) == _BITS:
                return _Ending.LEAF
            lead, ahead = [bit], []
            if foresee_crc and len(self._path) == _CRC_FROM:
                ahead = _crc_bits(self._path)

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
        echoes = self._bus.send(frames)
        written = [
            *range(len(lead)),
            *range(len(lead) + 2, len(lead) + len(triplets), 3),
        ]
        self._bus.check_written(frames, echoes, written)
        levels = self._bus.slots.decode_bits(echoes)
        starts = range(len(lead), len(levels) - 1, 3)
        return [(levels[start], levels[start + 1]) for start in starts]


def enumerate_devices(bus: Bus) -> Enumeration:
    """Every device on the bus, each once; see ``Search.run`` for the errors."""
    return Search(bus).run()


def enumerate_alarms(bus: Bus) -> Enumeration:
    """The devices whose alarm condition is true."""
    return Search(bus, command=RomCommand.CONDITIONAL_SEARCH).run()


def verify(bus: Bus, rom: RomCode) -> bool:
    """Prove one known ROM code by a directed search: one burst after the reset.

    True if every position answers as ``rom`` does (alone or among others).

    Raises:
        NobodyAnswers: no presence pulse; else as the bus says.
    """
    bus.require_presence()
    command = [RomCommand.SEARCH >> place & 1 for place in range(8)]
    bits = command + [level for bit in rom.bits for level in (1, 1, bit)]
    frames = bus.slots.encode_bits(bits)
    echoes = bus.send(frames)
    bus.check_written(frames, echoes, [*range(8), *range(10, len(bits), 3)])
    levels = bus.slots.decode_bits(echoes)[8:]
    return all(
        (levels[3 * place], levels[3 * place + 1]) in {_BOTH, (bit, 1 - bit)}
        for place, bit in enumerate(rom.bits)
    )
