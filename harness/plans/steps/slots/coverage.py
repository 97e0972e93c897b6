"""What stressed slots show of the low times that a plan wants them to hold at.

A device takes one sample in a slot, so the low times that it reads as one value form
one range: what holds at both ends of the wanted range holds between them. A range is
therefore demonstrated where the shortest and the longest low time that were asked for
in it were made and held, in a grid with each row tried; otherwise it is not, however
many points between held, and the result says so instead of passing.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from harness.plans.schema.trials import Stress
from harness.plans.steps.second_look import not_again
from harness.plans.steps.slots.points import Point, Points, must_hold_us, whys
from harness.records import CheckResult, Measurement, Outcome
from harness.results.record.slot_evidence import TriedRow

_EDGE_US = 1e-6
"""Against rounding of low times that a plan computes by steps."""

_MOST_REASONS = 4

FINER_HINT = (
    "an adapter whose clock grid is finer makes more of them; where the chip is known, "
    "write its grid under adapter.kind in the fixture, or ask for low times that "
    "`slotproof check` says can be made"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One value of the other axis, and the points of it.

    ``value`` is None in a stress, which has no other axis, and where it was never set.
    ``not_judged`` says why a row is shown only; empty where it counts.
    """

    value: float | None = None
    points: Points
    not_judged: str = ""

    @property
    def record(self) -> TriedRow:
        """As the journal holds it."""
        return TriedRow(
            value=self.value,
            points=tuple(point.record for point in self.points.made),
            not_made=tuple(entry.record for entry in self.points.missing),
            not_judged=self.not_judged,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Coverage:
    """How much of what a step asks for an adapter makes.

    Attributes:
        body: the step.
        rows: what is made of it, and what is not.
        what: ``points``, or ``cells`` of a grid.
    """

    body: Stress
    rows: tuple[Row, ...]
    what: str = "points"

    @property
    def judged_rows(self) -> tuple[Row, ...]:
        """Rows that a verdict rests on."""
        return tuple(row for row in self.rows if not row.not_judged)

    @property
    def asked(self) -> int:
        """Low times that the plan asks for, in all rows."""
        return sum(row.points.asked for row in self.rows)

    @property
    def made(self) -> int:
        """Those that the adapter makes."""
        return sum(len(row.points.made) for row in self.rows)

    def _wanted(self, asked_us: float) -> bool:
        from_us, to_us = must_hold_us(self.body)
        return from_us - _EDGE_US <= asked_us <= to_us + _EDGE_US

    @property
    def wanted_us(self) -> list[float]:
        """Low times asked for that must hold, each once, shortest first."""
        return sorted({us for us in self.body.points_us if self._wanted(us)})

    def bound(self) -> Iterator[tuple[Row, Point]]:
        """What is made of those that must hold, with its row.

        A frame that stands for one of them may lie a little outside, which asks more of
        the device. If it holds, so does what it stands for; if not, nothing is known.
        """
        from_us, to_us = must_hold_us(self.body)
        for row in self.judged_rows:
            for point in row.points.made:
                harsher = point.surely_outside(from_us, to_us)
                if self._wanted(point.asked_us) and not (point.wrong and harsher):
                    yield row, point

    @property
    def gap(self) -> str:
        """Why the range cannot be demonstrated with this adapter; empty if it can."""
        wanted_us = self.wanted_us
        if not wanted_us:
            from_us, to_us = must_hold_us(self.body)
            return f"none of the low times lies in what must hold, {from_us:g} to {to_us:g} us"
        tried = {point.asked_us for _, point in self.bound()}
        if not tried:
            return f"none of the {self.what} that must hold can be made"
        rows = self.judged_rows
        empty = sum(not any(self._bound_of(row)) for row in rows)
        if empty:
            return f"in {empty} of {len(rows)} rows nothing that must hold can be made"
        ends = [us for us in (wanted_us[0], wanted_us[-1]) if us not in tried]
        return self._beyond(ends) if ends else ""

    def _beyond(self, ends: Sequence[float]) -> str:
        """Which ends of the range cannot be made, and how far the others reach."""
        limits = " and ".join(f"{us:g} us" for us in dict.fromkeys(ends))
        made_us = sorted({round(point.low_us, 2) for _, point in self.bound()})
        span = " to ".join(f"{us:g}" for us in dict.fromkeys((made_us[0], made_us[-1])))
        return f"{limits} cannot be made, so nothing is said beyond {span} us"

    def _bound_of(self, row: Row) -> Iterator[Point]:
        return (point for of, point in self.bound() if of is row)

    @property
    def bound_asked(self) -> int:
        """Of those that must hold, how many the plan asks for, in all rows judged."""
        return len(self.wanted_us) * len(self.judged_rows)

    @property
    def text(self) -> str:
        """How much is made, for a message."""
        return f"{self.made} of {self.asked} {self.what} made"

    @property
    def why(self) -> str:
        """Why the rest is not made, for a message; empty if all is."""
        why = self._whys()
        return f"not made: {why}" if why else ""

    def _whys(self) -> str:
        reasons = whys(entry for row in self.rows for entry in row.points.missing)
        more = len(reasons) - _MOST_REASONS
        shown = [*reasons[:_MOST_REASONS], *([f"and {more} more"] if more > 0 else [])]
        return ", ".join(shown)

    @property
    def outcome_of_gap(self) -> Outcome:
        """An error where the plan itself says what must hold, else a skip."""
        demanded = self.body.must_hold is not None
        return Outcome.ERROR if demanded else Outcome.SKIPPED


def judge(
    coverage: Coverage, broken_text: str, evidence: Mapping[str, object]
) -> CheckResult:
    """A verdict over all tried points of a step.

    Args:
        coverage: the points, tried.
        broken_text: form of the message of a failure, with ``{row}``, ``{low}``,
            ``{wrong}`` and ``{tried}``.
        evidence: what else the journal keeps.
    """
    from_us, to_us = must_hold_us(coverage.body)
    bound = list(coverage.bound())
    wrong = [(row, point) for row, point in bound if point.wrong]
    broken = [two for two in wrong if two[1].surely_inside(from_us, to_us)]
    values = _values(coverage, len(bound), len(wrong))
    evidence = {**evidence, "asked": coverage.asked, "made": coverage.made}
    if broken:
        failure = CheckResult(
            outcome=Outcome.FAILED,
            kind="slot-timing",
            hint="look at the edges first (pull-up, cable), then at this device's own "
            "timing",
            measurements=values,
            evidence=evidence,
        )
        return _failed(failure, broken, broken_text)
    gap = _edge_text(wrong) if wrong else coverage.gap
    return CheckResult(
        outcome=coverage.outcome_of_gap if gap else Outcome.PASSED,
        kind="not-demonstrated" if gap else "",
        message=_message(coverage, gap, len(bound), len(wrong)),
        hint=FINER_HINT if gap else "",
        measurements=values,
        evidence=evidence,
    )


def _failed(
    failure: CheckResult, broken: Sequence[tuple[Row, Point]], broken_text: str
) -> CheckResult:
    """A failure that names its first point; not one if no point was wrong twice."""
    seen_again = [two for two in broken if not two[1].only_once]
    row, point = (seen_again or broken)[0]
    failure = replace(
        failure,
        message=broken_text.format(
            row="" if row.value is None else f"{row.value:g}",
            low=f"{point.low_us:.2f}",
            wrong=point.wrong,
            tried=point.tried,
        ),
    )
    return failure if seen_again else not_again(failure)


def _message(coverage: Coverage, gap: str, bound: int, wrong: int) -> str:
    """How much of what was asked for was tried and held; empty if all."""
    if not gap and coverage.made == coverage.asked:
        return ""
    parts = [
        f"not demonstrated, {gap}" if gap else "",
        coverage.text,
        f"of {coverage.bound_asked} that must hold {bound} made and {bound - wrong} held",
        coverage.why,
    ]
    return "; ".join(part for part in parts if part)


def _edge_text(wrong: Iterable[tuple[Row, Point]]) -> str:
    _, point = next(iter(wrong))
    return (
        f"slots of {point.low_us:.2f} +- {point.made.low.clock_us:.2g} us fail "
        f"({point.wrong} of {point.tried}), and the adapter's clock leaves open whether "
        "that is inside what must hold"
    )


def _values(coverage: Coverage, bound: int, wrong: int) -> tuple[Measurement, ...]:
    what = coverage.what
    held = [
        point.low_us
        for row in coverage.rows
        for point in row.points.made
        if not point.wrong
    ]
    values = [
        Measurement(
            name=f"{what}_held", value=bound - wrong, unit=what, low=bound, high=bound
        ),
    ]
    if held and what == "points":
        values += [
            Measurement(name="shortest_low", value=round(min(held), 3), unit="us"),
            Measurement(name="longest_low", value=round(max(held), 3), unit="us"),
        ]
    return tuple(values)
