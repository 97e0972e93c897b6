"""When a soak has seen enough: thresholds at which it ends before its time."""

from __future__ import annotations

from harness.plans.schema.soak import StopAt
from harness.plans.steps.soak.blame import culprits
from harness.plans.steps.soak.tally import SoakCounts, SoakTally
from harness.quality.sequential import RateWatch


class StopRule:
    """Looks at the counts after each round.

    Args:
        stop_at: thresholds of the plan, or None for none.
    """

    def __init__(self, stop_at: StopAt | None) -> None:
        self._most_lost = stop_at.lost_readings if stop_at else None
        self._rate = stop_at.error_rate if stop_at else None
        self._watch = (
            RateWatch(good_rate=self._rate, bad_rate=2 * self._rate)
            if self._rate is not None
            else None
        )

    def reason(self, counts: SoakCounts) -> str:
        """Why the soak ends here, in words; empty if it goes on."""
        lost = sum(tally.lost for tally in counts.tallies)
        if self._most_lost is not None and lost >= self._most_lost:
            return (
                f"ended early after cycle {counts.cycles}: {lost} readings lost, "
                f"the plan stops at {self._most_lost}{culprits(counts, 'lost_readings')}"
            )
        if self._watch is not None and self._watch.is_bad(
            errors=counts.failed, trials=counts.asked
        ):
            return (
                f"ended early after cycle {counts.cycles}: {counts.failed} of "
                f"{counts.asked} tries failed; the plan stops at a rate of "
                f"{self._rate:g}, and a sequential test finds twice that"
                f"{culprits(counts, 'failed')}"
            )
        return ""

    def is_bad_rate(self, tally: SoakTally) -> bool:
        """True if one device alone is beyond the error rate at which the soak ends."""
        return self._watch is not None and self._watch.is_bad(
            errors=tally.failed, trials=tally.asked
        )
