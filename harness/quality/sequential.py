"""Wald's sequential test of an error rate: look after every trial, and err rarely.

A bound that is computed again after each error errs more often than it says; this test
is made for continuous looking. Formulas: A. Wald, "Sequential Analysis" (1947): add
ln(p1/p0) for an error and ln((1-p1)/(1-p0)) for a success; decide for p1 at
ln((1-b)/a). Pure arithmetic, no scipy.
"""

from __future__ import annotations

import math

from harness.errors import UsageError


class RateWatch:
    """Decides whether errors come at ``bad_rate`` rather than at ``good_rate``.

    Args:
        good_rate: error share that is still good.
        bad_rate: error share that is bad; between lies what is not decided.
        false_alarm: chance to call a good rate bad.
        miss: chance to call a bad rate good.

    Raises:
        UsageError: the rates are not 0 < good < bad < 1.
    """

    def __init__(
        self,
        *,
        good_rate: float,
        bad_rate: float,
        false_alarm: float = 0.05,
        miss: float = 0.1,
    ) -> None:
        if not 0 < good_rate < bad_rate < 1:
            raise UsageError(
                f"a good rate of {good_rate:g} and a bad one of {bad_rate:g} cannot be "
                "distinguished",
                hint="take 0 < good < bad < 1",
            )
        self.per_error = math.log(bad_rate / good_rate)
        self.per_success = math.log((1 - bad_rate) / (1 - good_rate))
        self.limit = math.log((1 - miss) / false_alarm)

    def score(self, *, errors: int, trials: int) -> float:
        """The logarithm of the likelihood ratio after so many trials."""
        return errors * self.per_error + (trials - errors) * self.per_success

    def is_bad(self, *, errors: int, trials: int) -> bool:
        """True once the test decides for the bad rate."""
        return self.score(errors=errors, trials=trials) >= self.limit
