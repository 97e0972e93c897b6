"""What came of holding a run's echoes and times against a recording of its line."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from harness.digits import number_text


@dataclass(frozen=True, slots=True, kw_only=True)
class ComparedEchoes:
    """Echoes of a run against the line, counted.

    Attributes:
        characters: of the run.
        agree: echoes that are what the line did.
        disagree: echoes that are not.
        cannot_tell: echoes that differ from it only in bits that are open.
        resets: of the run.
        resets_found: of these, the ones in the recording.
        outside: during which steps of the run values outside their limits came.
    """

    characters: int
    agree: int
    disagree: int
    cannot_tell: int
    resets: int
    resets_found: int
    outside: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class ComparedTime:
    """A time that a run states, and the same time in the recording.

    Attributes:
        device: its label; empty for the line.
        name: of the quantity.
        unit: of all its values.
        stated: what the run states; of a bound, the bound.
        uncertainty: half width of that; None of a bound.
        bound: "at most", "at least" or empty.
        recorded: the same in the recording; None if it does not show it.
        doubt: half width of what is known of ``recorded``.
        e_n: the E_n number of ISO 13528:2022, 9.7; None of a bound.
        holds: True if value and uncertainty, or bound, hold; None if not judged.
        why: why it is not judged.
    """

    device: str
    name: str
    unit: str
    stated: float
    uncertainty: float | None = None
    bound: str = ""
    recorded: float | None = None
    doubt: float = 0.0
    e_n: float | None = None
    holds: bool | None = None
    why: str = ""

    @property
    def stated_text(self) -> str:
        """Such as ``39.5 +- 2.9``, or ``at most 3.2``."""
        text = with_doubt(self.stated, self.uncertainty)
        return f"{self.bound} {text}" if self.bound else text

    @property
    def recorded_text(self) -> str:
        """The recorded value with its doubt; empty if there is none."""
        if self.recorded is None:
            return ""
        return with_doubt(self.recorded, self.doubt or None)

    @property
    def difference_text(self) -> str:
        """Stated less recorded, to the digits that the larger of both doubts leaves."""
        if self.recorded is None or self.bound:
            return ""
        doubt = max(self.uncertainty or 0.0, self.doubt)
        return number_text(self.stated - self.recorded, doubt or None)

    @property
    def e_n_text(self) -> str:
        """Two decimals, as E_n numbers are given."""
        return "" if self.e_n is None else f"{self.e_n:z.2f}"


def with_doubt(value: float, doubt: float | None) -> str:
    """A value with half the width of what is known of it, both to sensible digits."""
    text = number_text(value, doubt)
    return f"{text} +- {number_text(doubt, doubt)}" if doubt else text


def echo_sentences(found: ComparedEchoes) -> Iterator[str]:
    """The counts in words."""
    compared = found.agree + found.disagree + found.cannot_tell
    yield (
        f"{found.resets_found} of {found.resets} resets of the run are in the recording; "
        f"{compared} of its {found.characters} characters are compared with the line."
    )
    yield (
        f"{found.agree} echoes agree with the line, {found.disagree} disagree, "
        f"{found.cannot_tell} cannot be determined."
    )


def not_compared(times: Iterable[ComparedTime]) -> Iterator[str]:
    """The quantities of which there is no comparison, by reason."""
    of_reason: dict[str, dict[str, None]] = {}
    for time in times:
        if time.holds is None:
            of_reason.setdefault(time.why, {})[time.name] = None
    for why, names in of_reason.items():
        yield f"not compared, {why}: {', '.join(names)}"
