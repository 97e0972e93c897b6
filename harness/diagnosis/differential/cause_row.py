"""A cause as a row: what it brings about, what it predicts, what would show it.

The predictions follow from how the bus works (``wire``, the data sheets), not from any
case: each can be asked of every examination.
"""

from __future__ import annotations

from dataclasses import dataclass

from harness.diagnosis.finding import Cause
from harness.diagnosis.signs.sign import Observation, Observations, Sign


@dataclass(frozen=True, slots=True, kw_only=True)
class Prediction:
    """How often an observable shows under a cause.

    Attributes:
        sign: the observable.
        least: it shows in this share of the tries at least.
        most: and in this share at most.
    """

    sign: Sign
    least: float = 0.0
    most: float = 1.0

    def fails(self, seen: Observation) -> bool:
        """True if what was observed excludes it."""
        if self.least and not seen.may_be_at_least(self.least):
            return True
        return self.most < 1.0 and not seen.may_be_at_most(max(self.most, seen.chance))


def always(*signs: Sign, least: float = 0.5) -> tuple[Prediction, ...]:
    """A cause that shows in these whenever it is there."""
    return tuple(Prediction(sign=sign, least=least) for sign in signs)


def never(*signs: Sign) -> tuple[Prediction, ...]:
    """A cause that cannot show in these."""
    return tuple(Prediction(sign=sign, most=0.0) for sign in signs)


CONTACT_LIFTS_NONE = Prediction(sign=Sign.SEARCH_LIFTED, most=0.05)
"""Of a contact of devices: it lifts no zero of the host. Noise that breaks searches lifts
more than this: about a quarter of a search are zeros that the host writes, and a spike of
2 us, a fifth to a third of a bit, meets a sample that often (arithmetic)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CauseRow:
    """One cause.

    Attributes:
        cause: where it sits.
        kind: sub-word; ``cause: kind`` names it.
        shows: observables that it can bring about; causes that share one which was seen
            are rivals.
        predicts: what must hold of an observation, else the cause is excluded by it.
        would_show: what would tell it from its rivals, for a technician.
        alike: one word for kinds that name one mechanism, which are no rivals of each
            other; only the first of them is named as a rival.
    """

    cause: Cause
    kind: str
    shows: frozenset[Sign]
    predicts: tuple[Prediction, ...] = ()
    would_show: str
    alike: str = ""

    @property
    def name(self) -> str:
        """As findings name it."""
        return f"{self.cause} {self.kind}"

    def excluded_by(self, seen: Observations, device: str) -> Observation | None:
        """The observation that it cannot explain, or None."""
        for prediction in self.predicts:
            found = seen.get(prediction.sign, device)
            if found is not None and prediction.fails(found):
                return found
        return None

    def explained(self, seen: Observations, device: str) -> frozenset[Sign]:
        """Observables that were seen and that it brings about."""
        return frozenset(o.sign for o in seen.seen(self.shows, device))
