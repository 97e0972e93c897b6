"""Which bit comes next in a ROM code, and how likely: learned from the codes found so far.

Serial numbers are counted up in a factory, so devices of a lot share their upper bits, and
the uppermost are 0 in all that are sold so far (from memory). A ROM code comes low bit
first: a path begins with bits that show nothing and ends with bits that were seen before.

For a set of codes of one family the model is: from some place ``s`` of the serial number on
all bits are constant but for one in a hundred, below it each bit is fair. How likely each
``s`` is follows from the codes by Bayes' rule, every place alike beforehand. A family is a
mixture of all of it and of its lots (codes that share the upper half of the serial number);
a path that agrees with one more and more gives it weight.

Codes of devices that are elsewhere and those found here are two such models. Each counts
by how likely it made the codes that were found, both alike beforehand: devices elsewhere
that are unlike these soon say nothing any more.

Nothing here is a finding: a forecast only decides what is sent ahead.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from math import exp, log

from harness.wire.romcode import RomCode

_SERIAL_FROM, _SERIAL_BITS = 8, 48
_LOT_FROM = 24
"""Bits of the serial number from here on distinguish lots: half of them."""

_SURE = 0.99
"""That a constant place goes on being so: one code of another lot in a hundred."""

_MOST_LOTS = 8
"""Lots of a family that are told apart: each costs as much computing as all of the family."""

_LEAST, _MOST_LOG = 1e-300, 700.0
"""About the least number above zero and the logarithm of the greatest, of a double."""

_FAIR = 0.5


class _Kin:
    """Codes that are taken for alike, and what they say of the next bit at each place."""

    def __init__(self) -> None:
        self.count = 0
        self._ones = [0] * _SERIAL_BITS
        self._fresh = False
        self.here: list[float] = []
        self.beyond: list[float] = []

    def learn(self, serial: int) -> None:
        """Take one more code in."""
        self.count += 1
        for place in range(_SERIAL_BITS):
            self._ones[place] += serial >> place & 1
        self._fresh = False

    def constant(self, place: int) -> int:
        """The bit that most had at a place; 0 where none is known."""
        return int(2 * self._ones[place] > self.count)

    def refresh(self) -> None:
        """Work out how likely it is that bits are constant from each place on."""
        if self._fresh:
            return
        drawn = 0.0
        constant = 0.0
        logs = [0.0] * (_SERIAL_BITS + 1)
        for place in range(_SERIAL_BITS):
            logs[place] += drawn
            drawn += self.count * log(0.5)
        logs[_SERIAL_BITS] += drawn
        for place in reversed(range(_SERIAL_BITS)):
            constant += self._log_constant(place)
            logs[place] += constant
        most = max(logs)
        weights = [exp(value - most) for value in logs]
        total = sum(weights)
        self.here = [weight / total for weight in weights]
        self.beyond = [0.0] * (_SERIAL_BITS + 1)
        for place in reversed(range(_SERIAL_BITS)):
            self.beyond[place] = self.beyond[place + 1] + self.here[place + 1]
        self._fresh = True

    def _log_constant(self, place: int) -> float:
        if not self.count:
            return 0.0
        odd = min(self._ones[place], self.count - self._ones[place])
        return log(0.5) + odd * log(1 - _SURE) + (self.count - odd) * log(_SURE)


class _Belief:
    """One ``_Kin`` along one path: is the path in its constant part yet, does it fit."""

    __slots__ = ("_constant", "_drawn", "_kin", "weight")

    def __init__(self, kin: _Kin, weight: float) -> None:
        self._kin = kin
        self.weight = weight
        self._constant, self._drawn = 0.0, 1.0

    def copy(self) -> _Belief:
        """An equal one."""
        other = _Belief(self._kin, self.weight)
        other._constant, other._drawn = self._constant, self._drawn
        return other

    def _masses(self, place: int) -> tuple[float, float]:
        constant = self._constant + self._drawn * self._kin.here[place]
        return constant, self._drawn * self._kin.beyond[place]

    def one(self, place: int) -> float:
        """Probability of a 1."""
        constant, drawn = self._masses(place)
        sure = _SURE if self._kin.constant(place) else 1 - _SURE
        return (constant * sure + drawn * _FAIR) / (constant + drawn or 1.0)

    def take(self, place: int, bit: int) -> None:
        """Go on by the bit that was there."""
        one = self.one(place)
        likely = one if bit else 1 - one
        constant, drawn = self._masses(place)
        fits = _SURE if self._kin.constant(place) == bit else 1 - _SURE
        total = (constant + drawn) * likely or 1.0
        # kept so that what is constant and what is still drawn add up to one
        self._constant = constant * fits / total
        self._drawn *= _FAIR / total
        self.weight *= likely


class Forecast:
    """The next bits of one path; ``Predictor.begin`` makes it."""

    def __init__(self, predictor: Predictor) -> None:
        self._predictor = predictor
        self._family: list[int] = []
        self._place = 0
        self._beliefs: list[_Belief] = []

    def copy(self) -> Forecast:
        """An equal one, to try bits on."""
        other = Forecast(self._predictor)
        other._family = list(self._family)
        other._place = self._place
        other._beliefs = [belief.copy() for belief in self._beliefs]
        return other

    def guess(self) -> tuple[int, float]:
        """The likelier next bit and its probability; only before the CRC."""
        if self._place < _SERIAL_FROM:
            one = self._predictor.one_in_family(self._family)
        else:
            place = self._place - _SERIAL_FROM
            total = sum(belief.weight for belief in self._beliefs)
            one = sum(b.weight * b.one(place) for b in self._beliefs) / (total or 1.0)
        return (1, one) if one > 0.5 else (0, 1 - one)

    def take(self, bits: Iterable[int]) -> None:
        """Go on by bits that were there, or are supposed to be."""
        for bit in bits:
            if self._place < _SERIAL_FROM:
                self._family.append(bit)
            elif self._place < _SERIAL_FROM + _SERIAL_BITS:
                for belief in self._beliefs:
                    belief.take(self._place - _SERIAL_FROM, bit)
                total = sum(belief.weight for belief in self._beliefs) or 1.0
                for belief in self._beliefs:
                    belief.weight /= total
            self._place += 1
            if self._place == _SERIAL_FROM:
                self._beliefs = self._predictor.beliefs(self._family)


class _Origin:
    """Codes of one origin: by family, and by lot."""

    def __init__(self) -> None:
        self._families: dict[int, _Kin] = defaultdict(_Kin)
        self._lots: dict[int, dict[int, _Kin]] = defaultdict(lambda: defaultdict(_Kin))

    def learn(self, rom: RomCode) -> None:
        """Take a code in."""
        self._families[rom.family].learn(rom.serial)
        self._lots[rom.family][rom.serial >> _LOT_FROM].learn(rom.serial)

    def counts(self, begun: int, place: int) -> tuple[int, int]:
        """Codes whose family goes on with 0, and with 1, behind its first bits."""
        found = [0, 0]
        for family, kin in self._families.items():
            if family & ((1 << place) - 1) == begun:
                found[family >> place & 1] += kin.count
        return found[0], found[1]

    def beliefs(self, code: int) -> list[_Belief]:
        """What to mix for a family: all of it by half, its largest lots by size."""
        whole = self._families.get(code) or _Kin()
        of_family = self._lots.get(code, {})
        lots = sorted(
            (kin for kin in of_family.values() if kin.count > 1),
            key=lambda kin: -kin.count,
        )[:_MOST_LOTS]
        mixed = [_Belief(whole, 1.0)]
        if len(of_family) > 1:
            size = sum(kin.count for kin in lots)
            mixed += [_Belief(kin, kin.count / size) for kin in lots]
        for kin in (whole, *lots):
            kin.refresh()
        return mixed

    def log_likelihood(self, rom: RomCode) -> float:
        """How likely this makes the serial number of one more code."""
        mixed = self.beliefs(rom.family)
        total = sum(belief.weight for belief in mixed)
        for place in range(_SERIAL_BITS):
            for belief in mixed:
                belief.take(place, rom.serial >> place & 1)
        return log(sum(belief.weight for belief in mixed) / total or _LEAST)


class Predictor:
    """What the codes learned so far say of the next one.

    Args:
        seen: codes of devices that are not here, such as those of earlier units.
    """

    def __init__(self, seen: Iterable[RomCode] = ()) -> None:
        self._here, self._elsewhere = _Origin(), _Origin()
        self._favour = 0.0
        """Logarithm of how much likelier those elsewhere made the codes found here."""
        self._has_elsewhere = False
        for rom in seen:
            self._elsewhere.learn(rom)
            self._has_elsewhere = True

    def learn(self, rom: RomCode) -> None:
        """Take a code in that was found here."""
        if self._has_elsewhere:
            self._favour += self._elsewhere.log_likelihood(rom)
            self._favour -= self._here.log_likelihood(rom)
        self._here.learn(rom)

    @property
    def _share_elsewhere(self) -> float:
        if not self._has_elsewhere:
            return 0.0
        return 1 / (1 + exp(min(-self._favour, _MOST_LOG)))

    def begin(self) -> Forecast:
        """A forecast at the root of the tree."""
        return Forecast(self)

    def one_in_family(self, path: Sequence[int]) -> float:
        """Probability that the family code goes on with a 1."""
        place = len(path)
        begun = sum(bit << n for n, bit in enumerate(path))
        share = self._share_elsewhere
        zeros, ones = self._here.counts(begun, place)
        other_zeros, other_ones = self._elsewhere.counts(begun, place)
        one = (ones + 0.5) / (zeros + ones + 1)
        other = (other_ones + 0.5) / (other_zeros + other_ones + 1)
        return (1 - share) * one + share * other

    def beliefs(self, family: Sequence[int]) -> list[_Belief]:
        """What to mix for a family: codes found here, and those elsewhere by their share."""
        code = sum(bit << n for n, bit in enumerate(family))
        mixed = self._here.beliefs(code)
        share = self._share_elsewhere
        if not share:
            return mixed
        elsewhere = self._elsewhere.beliefs(code)
        _scale(mixed, 1 - share)
        _scale(elsewhere, share)
        return [*mixed, *elsewhere]


def _scale(beliefs: list[_Belief], share: float) -> None:
    """Let them add up to a share."""
    total = sum(belief.weight for belief in beliefs)
    for belief in beliefs:
        belief.weight *= share / total
