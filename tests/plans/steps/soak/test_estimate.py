"""What a soak can prove, told beforehand."""

from __future__ import annotations

from typing import Any

import pytest
from pydantic import ValidationError

from harness.plans.schema.soak import Soak
from harness.plans.steps.soak.estimate import outlook


def soak(**keys: Any) -> Soak:  # noqa: ANN401 - keys of the step
    return Soak.model_validate({"for_s": 28_800, **keys})


def told(devices: int | None = None, **keys: Any) -> str:  # noqa: ANN401 - keys of the step
    return "\n".join(outlook(soak(**keys), devices).sentences())


def test_a_night_without_an_error_proves_one_in_ten_thousand() -> None:
    """28 800 transactions in 8 h without an error prove 1.04e-4 and no less.

    Source: 1 - (1-c)^(1/n), NIST/SEMATECH e-Handbook 7.2.4.1 at zero errors; the value
    recomputed independently.
    """
    view = outlook(soak(every_s=1))
    assert view.rounds == 28_800
    assert view.best_rate(28_800) == pytest.approx(1.04e-4, rel=1e-3)


@pytest.mark.parametrize(
    ("rate", "confidence", "trials"),
    [(0.01, 0.95, 299), (0.001, 0.95, 2995), (1e-4, 0.95, 29_956), (0.01, 0.99, 459)],
)
def test_error_free_trials_of_the_published_table(
    rate: float, confidence: float, trials: int
) -> None:
    """Error-free trials for a claim are those of the tables (rule of three).

    Source: Hanley and Lippman-Hand, JAMA 1983 (from memory), values recomputed exactly.
    """
    claim = {"error_rate": rate, "confidence": confidence}
    assert f"with no error takes {trials} readings" in told(claim=claim)


def test_sentences_name_device_bus_and_journal() -> None:
    """Eight devices once a minute for a night: what is proved, how long, how much disk."""
    text = told(8, every_s=60, claim={"error_rate": 0.001})
    assert "480 readings of each device" in text
    assert "0.00622 for it" in text
    assert "0.00078 for the bus of 8" in text
    assert "49.92 h for each device, 6.25 h for the bus" in text
    assert "at most 64 MB, one line a round" in text


def test_a_claim_beyond_reach_is_a_mistake_of_the_plan() -> None:
    """A claim for each device that not even an error-free soak proves is refused."""
    with pytest.raises(ValidationError, match="480 rounds without an error prove"):
        soak(claim={"error_rate": 0.001, "of": "each-device"})
    within = soak(every_s=9.6, claim={"error_rate": 0.001, "of": "each-device"})
    assert within.planned_rounds == 3000


def test_a_long_soak_shares_lines() -> None:
    """Ninety days once a second do not fit line by line, so rounds share lines."""
    view = outlook(soak(for_s=90 * 86_400.0, every_s=1), 8)
    assert view.rounds_per_line > 100
    assert "rounds or more" in told(8, for_s=90 * 86_400.0, every_s=1)


def test_no_pace_no_number_of_rounds() -> None:
    """Where the bus sets the pace the number of readings is not known beforehand."""
    assert "not known before" in told(8, every_s=0)
    assert outlook(soak(every_s=0), 8).least_s_per_line > 0
