"""The verdict on a lot, in words."""

from __future__ import annotations

import numpy as np
import pytest

from harness.errors import UsageError
from harness.lots.judgement import LotVerdict, compare, summary
from harness.lots.lot import Lot, Series, lot_of
from harness.quality.proofs.comparison import prove_means, prove_spread


def _lot(name: str, values: list[float], unit: str = "degC") -> Lot:
    """An invented lot; units are called by the lot's first letter and their number."""
    return lot_of(
        Series(
            names=[f"{name[0]}{n}" for n in range(len(values))],
            devices=range(len(values)),
            values=values,
        ),
        name=name,
        quantity="temperature",
        unit=unit,
    )


def _normal(seed: int, mean: float, deviation: float, count: int = 60) -> list[float]:
    """Exactly the wanted mean and deviation, the shape seeded."""
    made = np.random.default_rng(seed).normal(size=count)
    made = (made - made.mean()) / made.std(ddof=1)
    return [float(v) for v in mean + deviation * made]


OLD = _lot("baseline", _normal(1, 25.0, 0.1))


def _against(values: list[float], **options: float) -> tuple[LotVerdict, str]:
    found = compare(OLD, _lot("candidate", values), margin=0.1, **options)
    return found.verdict, found.sentence


def test_as_good() -> None:
    """A lot within the margin and with the same spread is as good, and the numbers say why."""
    verdict, sentence = _against(_normal(2, 25.02, 0.1), low=24.0, high=26.0)
    assert verdict is LotVerdict.AS_GOOD
    assert sentence.startswith(
        "candidate is as good as the baseline in the mean of temperature: "
    )
    assert "lies within +-0.1 degC" in sentence
    assert "not shown to be larger" in sentence


def test_mean_beyond_the_margin() -> None:
    """A lot that is off by more than the margin is not as good."""
    verdict, sentence = _against(_normal(2, 25.3, 0.1))
    assert verdict is LotVerdict.NOT_AS_GOOD
    assert "lies outside +-0.1 degC" in sentence


def test_too_few_units() -> None:
    """Six scattered units decide nothing, and the sentence says how many would."""
    verdict, sentence = _against(_normal(2, 25.0, 0.2, count=6), spread_margin=9.0)
    assert verdict is LotVerdict.UNDECIDED
    assert "not decided by these units" in sentence
    assert "units of each would show it with 90 % chance" in sentence


def test_larger_spread() -> None:
    """Twice the spread is found although the means agree."""
    verdict, sentence = _against(_normal(2, 25.0, 0.2))
    assert verdict is LotVerdict.NOT_AS_GOOD
    assert "2.00 times the baseline's" in sentence
    assert "shown to be larger" in sentence


def test_smaller_spread_is_no_fault() -> None:
    """A lot that scatters far less is as good: only worse counts."""
    assert _against(_normal(2, 25.0, 0.03))[0] is LotVerdict.AS_GOOD


@pytest.mark.parametrize(
    ("deviation", "verdict"),
    [
        (0.10, LotVerdict.AS_GOOD),
        (0.14, LotVerdict.UNDECIDED),
        (0.25, LotVerdict.NOT_AS_GOOD),
    ],
)
def test_spread_has_to_be_proved(deviation: float, verdict: LotVerdict) -> None:
    """With a margin for the spread, silence of the test is not enough."""
    found, _ = _against(_normal(2, 25.0, deviation), spread_margin=1.5)
    assert found is verdict


def test_a_unit_outside_the_limits() -> None:
    """One unit outside its limits spoils the lot and is named."""
    values = [*_normal(2, 25.0, 0.1), 25.31]
    verdict, sentence = _against(values, low=24.7, high=25.3)
    assert verdict is LotVerdict.NOT_AS_GOOD
    assert "1 unit (c60) outside the limits" in sentence


def test_a_stranger_is_named_and_counted() -> None:
    """An outlier within the limits stays in the numbers and is named to be looked at."""
    found = compare(
        OLD, _lot("candidate", [*_normal(2, 25.0, 0.1), 25.8]), margin=0.1, high=26.0
    )
    assert found.candidate.outliers == ("c60",)
    assert found.candidate.moments.count == 61
    assert "1 outlier (c60): look at it first" in found.sentence


def test_lots_without_scatter() -> None:
    """A candidate that does not scatter passes its spread, a baseline that does not decides nothing."""
    flat = [25.0] * 20
    assert _against(flat)[0] is LotVerdict.AS_GOOD
    found = compare(
        _lot("baseline", flat), _lot("candidate", _normal(2, 25.0, 0.01)), margin=0.1
    )
    assert found.verdict is LotVerdict.UNDECIDED
    assert "no spread to compare with" in found.sentence


def test_what_cannot_be_compared() -> None:
    """Other units of measure, one unit and a spread margin below one are refused."""
    candidate = _lot("candidate", [1.0, 2.0, 3.0])
    with pytest.raises(UsageError, match="different units"):
        compare(OLD, _lot("candidate", [1.0, 2.0], unit="K"), margin=0.1)
    with pytest.raises(UsageError, match="candidate has one value"):
        compare(OLD, _lot("candidate", [1.0]), margin=0.1)
    with pytest.raises(UsageError, match="ratio above 1"):
        compare(OLD, candidate, margin=0.1, spread_margin=0.9)
    with pytest.raises(UsageError, match="margin is -1"):
        compare(OLD, candidate, margin=-1)


def test_what_the_shift_eats() -> None:
    """A shift of 0.05 is 2.5 % of a tolerance of 2, and half a deviation less Hedges's 0.6 %."""
    candidate = _lot("candidate", _normal(2, 25.05, 0.1))
    found = compare(OLD, candidate, margin=0.1, low=24.0, high=26.0)
    assert found.tolerance_share == pytest.approx(0.025)
    assert found.effect == pytest.approx(0.5 * (1 - 3 / (4 * 118 - 1)))
    assert compare(OLD, candidate, margin=0.1, low=24.0).tolerance_share is None


def test_limits_turned_round_are_refused() -> None:
    """A low limit above the high one would fail every unit."""
    with pytest.raises(UsageError, match="not below"):
        compare(OLD, _lot("candidate", [1.0, 2.0]), margin=0.1, low=9, high=1)


def test_limits_of_one_side() -> None:
    """A missing limit keeps nobody out; a value on a limit is inside."""
    found = summary(_lot("lot", [1.0, 2.0, 3.0]), low=None, high=2.0)
    assert found.outside == {"l2": 3.0}
    found = summary(_lot("lot", [1.0, 2.0, 3.0]), low=2.0, high=None)
    assert found.outside == {"l0": 1.0}


@pytest.mark.parametrize(("seed", "count"), [(1, 4), (2, 6), (3, 12), (4, 25)])
def test_as_good_is_what_the_proofs_show(seed: int, count: int) -> None:
    """The proofs whose error rates are tabled are those of the verdict, few skewed units or many."""
    made = np.random.default_rng(seed).exponential(size=(2, count)).tolist()
    found = compare(
        _lot("baseline", made[0]),
        _lot("candidate", made[1]),
        margin=1.5,
        spread_margin=3.0,
    )
    mean = prove_means(made[1], made[0], margin=1.5)
    spread = prove_spread(made[1], made[0], margin=3.0)
    is_good = found.verdict is LotVerdict.AS_GOOD
    assert is_good is (mean.is_proved and spread.is_proved)
    assert is_good is (count > 6)
