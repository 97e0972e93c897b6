"""One judged quantity of a recording: its limits, values and verdict."""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum


class ValueOwner(StrEnum):
    """Who is to blame for a value."""

    HOST = "host"
    DEVICE = "device"
    EITHER = "host or device"
    LINE = "line"


@dataclass(frozen=True, slots=True, kw_only=True)
class QuantityRow:
    """One quantity: its limits in ``unit``, cautious and loosest; None is no limit."""

    name: str
    side: ValueOwner
    overdrive: bool = False
    unit: str = "us"
    low: float | None = None
    high: float | None = None
    loosest_low: float | None = None
    loosest_high: float | None = None
    source: str = ""


class LimitStanding(StrEnum):
    """What the values of a quantity say about its limits."""

    WITHIN = "within limits"
    SOME_DEVICES = "within the limits of some devices only"
    CANNOT_TELL = "cannot tell"
    OUTSIDE = "outside"
    NO_LIMIT = "no limit"


@dataclass(frozen=True, slots=True, kw_only=True)
class Instant:
    """A value and when it was, in seconds on the recording's clock."""

    at_s: float
    value: float


@dataclass(frozen=True, slots=True, kw_only=True)
class JudgedQuantity:
    """One quantity of a recording, judged.

    Attributes:
        row: the quantity and its limits.
        count: values.
        minimum: smallest value, in the row's unit, as all others here.
        median: middle value, to a bin of the histogram.
        maximum: largest value.
        deviation: standard deviation (n - 1); None of one value.
        doubt: half width of what is known of each value.
        margin: distance of the worst value to the loosest limit, negative beyond it;
            None without a limit.
        outside: values beyond the loosest limit by more than their doubt.
        doubtful: values within their doubt of it.
        some_only: values within it and beyond the cautious limit.
        standing: the verdict.
        worst: the worst instants outside, worst first, at most 1,000.
        bins: values of the histogram with their counts, ascending.
        open_because: why the doubtful values cannot be told where that is not their
            resolution; empty otherwise.
    """

    row: QuantityRow
    count: int
    minimum: float
    median: float
    maximum: float
    deviation: float | None
    doubt: float
    margin: float | None
    outside: int
    doubtful: int
    some_only: int
    standing: LimitStanding
    worst: tuple[Instant, ...]
    bins: tuple[tuple[float, int], ...]
    open_because: str = ""

    def undetermined(self) -> JudgedQuantity:
        """The same, of which nothing can be determined."""
        if self.standing is LimitStanding.NO_LIMIT:
            return self
        return replace(
            self,
            standing=LimitStanding.CANNOT_TELL,
            outside=0,
            some_only=0,
            worst=(),
            doubtful=self.count,
            open_because="",
        )
