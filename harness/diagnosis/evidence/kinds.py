"""What devices of all kinds said, and the check of a plan that failed: plain numbers."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from typing import Annotated, Any

from pydantic import AliasChoices, Field

from harness.families.kind_facts import KindFacts
from harness.journal_form import FieldError, JournalForm, ReadScalar
from harness.records import Scalar

_KIND_FACTS = JournalForm(KindFacts, name="facts")
_NAMES = {one.name for one in fields(KindFacts)}

KindEvidence = Annotated[
    dict[str, Any], Field(validation_alias=AliasChoices("evidence", "facts"))
]
"""As the journal has it; ``facts`` in journals of earlier versions."""


def facts_of(evidence: Mapping[str, Any]) -> KindFacts:
    """What evidence holds of the facts that families state.

    Evidence has keys of its own too. One that is named like a fact and holds something of
    another type is not that fact, and is left where it is.
    """
    known = {name: value for name, value in evidence.items() if name in _NAMES}
    try:
        return _KIND_FACTS.read(known)
    except FieldError:
        return _KIND_FACTS.read({n: v for n, v in known.items() if _is_fact(n, v)})


def _is_fact(name: str, value: object) -> bool:
    try:
        _KIND_FACTS.read({name: value})
    except FieldError:
        return False
    return True


@dataclass(frozen=True, slots=True, kw_only=True)
class KindReading:
    """A quantity that a device was asked for.

    Attributes:
        quantity: its name in the family.
        unit: as printed; empty for texts.
        values: what came, in its order; empty if nothing did.
        tries: how often it was asked for.
        troubles: kind of error -> count, of the tries that brought nothing.
        said: what the last error said.
        evidence: what the family kept besides the last value or error.
        watched: True if it must not move during an examination.
    """

    quantity: str
    unit: str = ""
    values: tuple[ReadScalar, ...] = ()
    tries: int = 0
    troubles: dict[str, int] = field(default_factory=dict)
    said: str = ""
    evidence: KindEvidence = field(default_factory=dict)
    watched: bool = False

    @property
    def facts(self) -> KindFacts:
        """What the family states in its evidence."""
        return facts_of(self.evidence)

    @property
    def value(self) -> Scalar | None:
        """The last that came, or None."""
        return self.values[-1] if self.values else None

    @property
    def numbers(self) -> list[float]:
        """The values that are numbers."""
        return [float(v) for v in self.values if not isinstance(v, str | bool)]

    @property
    def spread(self) -> float:
        """Greatest less least of the numbers."""
        return max(self.numbers) - min(self.numbers) if self.numbers else 0.0

    def always(self, trouble: str) -> bool:
        """True if every try ended in this kind of error."""
        return self.tries > 0 and self.troubles.get(trouble, 0) == self.tries


@dataclass(frozen=True, slots=True, kw_only=True)
class FailedCheck:
    """The step of a plan that did not pass, as far as a rule can use it.

    Attributes:
        step: kind of the step, such as ``check``.
        what: its main key, such as ``memory_write``.
        kind: short word of the reason, such as ``answer-impossible`` or ``limit``.
        says: the sentence with the numbers.
        device: ROM code in print form; empty if it is about the bus.
        socket: from the fixture, or empty.
        family: code; None if it is about the bus.
        evidence: what the family's error or check kept.
        values: measured values by name.
        units: their units.
        beyond: names of those outside their limits.
    """

    step: str
    kind: str
    says: str
    what: str = ""
    device: str = ""
    socket: str = ""
    family: int | None = None
    evidence: KindEvidence = field(default_factory=dict)
    values: dict[str, ReadScalar] = field(default_factory=dict)
    units: dict[str, str] = field(default_factory=dict)
    beyond: tuple[str, ...] = ()

    @property
    def facts(self) -> KindFacts:
        """What the family states in its evidence."""
        return facts_of(self.evidence)

    @property
    def name(self) -> str:
        """Socket and ROM code of the device."""
        return f"{self.socket} {self.device}".strip()
