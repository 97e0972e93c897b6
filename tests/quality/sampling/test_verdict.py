"""Attribute sampling against the published tables, cell by cell."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.errors import UsageError
from harness.quality.sampling.plans import AQLS, LETTERS, Severity, Standard
from harness.quality.sampling.verdict import (
    SamplingPlan,
    SamplingVerdict,
    acceptance_chance,
    code_letter,
    curve,
    fraction_accepted_at,
    judge,
    plan_for_letter,
    plan_for_lot,
    zero_acceptance_plan,
)

# Table I: largest lot of the row, letters of levels I, II, III
CODE_LETTERS = [
    (8, "A", "A", "B"), (15, "A", "B", "C"), (25, "B", "C", "D"), (50, "C", "D", "E"),
    (90, "C", "E", "F"), (150, "D", "F", "G"), (280, "E", "G", "H"),
    (500, "F", "H", "J"), (1200, "G", "J", "K"), (3200, "H", "K", "L"),
    (10_000, "J", "L", "M"), (35_000, "K", "M", "N"), (150_000, "L", "N", "P"),
    (500_000, "M", "P", "Q"), (10**9, "N", "Q", "R"),
]  # fmt: skip


@pytest.mark.parametrize("row", CODE_LETTERS, ids=lambda row: str(row[0]))
def test_code_letters(row: tuple[int, str, str, str]) -> None:
    """ISO 2859-1 / ANSI/ASQ Z1.4 / MIL-STD-105E Table I, both ends of every row."""
    place = CODE_LETTERS.index(row)
    smallest = CODE_LETTERS[place - 1][0] + 1 if place else 2
    for level, letter in zip(("I", "II", "III"), row[1:], strict=True):
        assert code_letter(lot_size=row[0], level=level) == letter
        assert code_letter(lot_size=smallest, level=level) == letter


# Table II-A (Re column after MIL-STD-105E, Ac = Re - 1): AQL 0.65, 1.0, 1.5, 2.5
SEEN_AQLS = (0.65, 1.0, 1.5, 2.5)
NORMAL = """
A 2 dn dn dn dn
B 3 dn dn dn dn
C 5 dn dn dn 0/1
D 8 dn dn 0/1 up
E 13 dn 0/1 up dn
F 20 0/1 up dn 1/2
G 32 up dn 1/2 2/3
H 50 dn 1/2 2/3 3/4
J 80 1/2 2/3 3/4 5/6
K 125 2/3 3/4 5/6 7/8
L 200 3/4 5/6 7/8 10/11
M 315 5/6 7/8 10/11 14/15
N 500 7/8 10/11 14/15 21/22
"""
CELLS = [
    (row.split()[0], int(row.split()[1]), aql, cell)
    for row in NORMAL.strip().splitlines()
    for aql, cell in zip(SEEN_AQLS, row.split()[2:], strict=True)
]
# where the arrows lead: letter, AQL -> n, Ac
ARROWS = {
    **{(letter, 0.65): (20, 0) for letter in "ABCDEG"}, ("H", 0.65): (80, 1),
    **{(letter, 1.0): (13, 0) for letter in "ABCDF"}, ("G", 1.0): (50, 1),
    **{(letter, 1.5): (8, 0) for letter in "ABCE"}, ("F", 1.5): (32, 1),
    **{(letter, 2.5): (5, 0) for letter in "ABD"}, ("E", 2.5): (20, 1),
}  # fmt: skip


@pytest.mark.parametrize(("letter", "size", "aql", "cell"), CELLS)
def test_normal_inspection(letter: str, size: int, aql: float, cell: str) -> None:
    """Every cell of Table II-A for AQL 0.65 to 2.5, letters A to N, arrows followed."""
    plan = plan_for_letter(letter, aql=aql)
    if cell in {"up", "dn"}:
        assert (plan.size, plan.accept) == ARROWS[letter, aql]
        assert (plan.used_letter > letter) == (cell == "dn")
    else:
        assert (plan.size, f"{plan.accept}/{plan.reject}") == (size, cell)
        assert plan.used_letter == letter
    assert plan.reject == plan.accept + 1
    assert not plan.from_memory


# Table II-B, Ac (to letter L after MIL-STD-105E, M and N from memory)
TIGHTENED = {
    0.65: {"G": 0, "K": 1, "L": 2, "M": 3, "N": 5},
    1.0: {"F": 0, "J": 1, "K": 2, "L": 3, "M": 5, "N": 8},
    1.5: {"E": 0, "H": 1, "J": 2, "K": 3, "L": 5, "M": 8, "N": 12},
    2.5: {"D": 0, "G": 1, "H": 2, "J": 3, "K": 5, "L": 8, "M": 12, "N": 18},
}


@pytest.mark.parametrize(
    ("aql", "letter", "accept"),
    [(aql, letter, ac) for aql, row in TIGHTENED.items() for letter, ac in row.items()],
)
def test_tightened_inspection(aql: float, letter: str, accept: int) -> None:
    """Every cell of Table II-B for AQL 0.65 to 2.5; the sample size stays the letter's own."""
    plan = plan_for_letter(letter, aql=aql, severity=Severity.TIGHTENED)
    normal = {row[0]: row[1] for row in CELLS}
    assert (plan.size, plan.accept, plan.reject) == (
        normal[letter], accept, accept + 1
    )  # fmt: skip
    assert plan.from_memory == (letter in "MN")


def test_reduced_inspection() -> None:
    """A textbook's lot of 2000, AQL 0.65: 125 2/3, tightened 125 1/2, reduced 50 1/3.

    Example of Montgomery, Introduction to Statistical Quality Control (from memory).
    """
    plans = [
        plan_for_lot(lot_size=2000, aql=0.65, severity=s, standard=Standard.MIL)
        for s in Severity
    ]
    assert [(p.size, p.accept, p.reject) for p in plans] == [
        (125, 2, 3), (125, 1, 2), (50, 1, 3),
    ]  # fmt: skip
    assert plans[2].from_memory


# n, Ac, AQL, chance to accept at the AQL, percent bad at chances .95, .50, .10 (binomial)
Point = tuple[int, int, float, float, float, float, float]
OC_POINTS: list[Point] = [
    (20, 0, 0.65, 0.8777, 0.256, 3.406, 10.875), (80, 1, 0.65, 0.9042, 0.446, 2.089, 4.775),
    (125, 2, 0.65, 0.9513, 0.657, 2.133, 4.202), (200, 3, 0.65, 0.9575, 0.686, 1.833, 3.310),
    (315, 5, 0.65, 0.9820, 0.833, 1.798, 2.924), (500, 7, 0.65, 0.9821, 0.799, 1.533, 2.343),
    (13, 0, 1.0, 0.8775, 0.394, 5.192, 16.232), (50, 1, 1.0, 0.9106, 0.715, 3.334, 7.558),
    (80, 2, 1.0, 0.9534, 1.030, 3.329, 6.516), (125, 3, 1.0, 0.9626, 1.100, 2.930, 5.266),
    (200, 5, 1.0, 0.9840, 1.314, 2.830, 4.588), (315, 7, 1.0, 0.9850, 1.270, 2.432, 3.709),
    (500, 10, 1.0, 0.9868, 1.239, 2.132, 3.065), (8, 0, 1.5, 0.8861, 0.639, 8.300, 25.011),
    (32, 1, 1.5, 0.9170, 1.122, 5.190, 11.620), (50, 2, 1.5, 0.9608, 1.655, 5.312, 10.296),
    (80, 3, 1.5, 0.9674, 1.726, 4.571, 8.160), (125, 5, 1.5, 0.9882, 2.111, 4.524, 7.293),
    (200, 7, 1.5, 0.9887, 2.006, 3.828, 5.815), (315, 10, 1.5, 0.9912, 1.970, 3.383, 4.849),
    (500, 14, 1.5, 0.9903, 1.858, 2.932, 4.001), (5, 0, 2.5, 0.8811, 1.021, 12.945, 36.904),
    (20, 1, 2.5, 0.9118, 1.807, 8.251, 18.096), (32, 2, 2.5, 0.9548, 2.604, 8.269, 15.787),
    (80, 5, 2.5, 0.9848, 3.317, 7.058, 11.285), (200, 10, 2.5, 0.9874, 3.115, 5.325, 7.599),
]  # fmt: skip


@pytest.mark.parametrize("row", OC_POINTS, ids=lambda row: f"{row[0]}/{row[1]}")
def test_operating_characteristic(
    row: Point,
) -> None:
    """Chance at the AQL and the three points of every plan (recomputed, binomial)."""
    size, accept, aql, at_aql = row[:4]
    plan = SamplingPlan(size=size, accept=accept, reject=accept + 1)
    assert acceptance_chance(plan, aql / 100) == pytest.approx(at_aql, abs=5.1e-5)
    for chance, percent in zip((0.95, 0.50, 0.10), row[4:], strict=True):
        got = 100 * fraction_accepted_at(plan, chance)
        assert got == pytest.approx(percent, abs=5.1e-4)


def test_the_handbooks_curve() -> None:
    """Handbook 6.2.3.2, n 52 c 3: chances at 1 to 12 %."""
    plan = SamplingPlan(size=52, accept=3, reject=4)
    curve = (
        0.998, 0.980, 0.930, 0.846, 0.738, 0.620, 0.502, 0.394, 0.300, 0.223, 0.162, 0.115,
    )  # fmt: skip
    for percent, chance in enumerate(curve, start=1):
        got = acceptance_chance(plan, percent / 100)
        assert got == pytest.approx(chance, abs=5.1e-4)


def test_small_lots_have_no_binomial() -> None:
    """1000 units with 10 bad, 80/2: hypergeometric .960752, binomial .953447 (recomputed)."""
    plan = SamplingPlan(size=80, accept=2, reject=3, lot_size=1000)
    assert acceptance_chance(plan, 0.01, finite=True) == pytest.approx(
        0.960752, abs=5e-7
    )
    assert acceptance_chance(plan, 0.01) == pytest.approx(0.953447, abs=5e-7)


TABLES = [
    (severity, standard)
    for severity in Severity
    for standard in Standard
]  # fmt: skip


def _plans(severity: Severity, standard: Standard) -> list[SamplingPlan]:
    return [
        plan_for_letter(letter, aql=aql, severity=severity, standard=standard)
        for aql in AQLS
        if aql <= 10 or severity is not Severity.REDUCED
        for letter in LETTERS
    ]


@pytest.mark.parametrize(("severity", "standard"), TABLES)
def test_every_cell_leads_to_a_plan(severity: Severity, standard: Standard) -> None:
    """No arrow runs in a circle or off the table, and each plan can pass and fail a lot."""
    for plan in _plans(severity, standard):
        assert 0 <= plan.accept < plan.reject
        assert plan.reject <= plan.size or plan.counts_nonconformities
        assert judge(plan, tested=plan.size, bad=0) is SamplingVerdict.ACCEPTED
        assert (
            judge(plan, tested=plan.size, bad=plan.reject) is SamplingVerdict.REJECTED
        )


@pytest.mark.parametrize(
    ("severity", "standard", "least"),
    [
        (Severity.NORMAL, Standard.ISO, 0.874),
        (Severity.TIGHTENED, Standard.ISO, 0.794),
        (Severity.REDUCED, Standard.ISO, 0.874),
        (Severity.REDUCED, Standard.MIL, 0.874),
    ],
)
def test_the_operating_characteristic_of_every_plan(
    severity: Severity, standard: Standard, least: float
) -> None:
    """Of cells from memory the OC curve is the check: what an AQL means holds in each.

    A lot of the AQL is accepted in 88 % (plans 0/1) to 99 % (published tables' own range;
    tightened from 79 %), and a larger sample tells a bad lot better: its 10 % point falls
    from letter to letter. A cell off by one acceptance number breaks one of both.
    """
    before: dict[float, tuple[int, float]] = {}
    for plan in _plans(severity, standard):
        if plan.used_letter != plan.letter:
            continue
        assert acceptance_chance(plan, plan.aql / 100) >= least
        tail = fraction_accepted_at(plan, 0.1)
        size, last = before.get(plan.aql, (0, 1e9))
        assert tail < last or plan.size - size <= 1
        before[plan.aql] = (plan.size, tail)


def test_both_standards_agree_but_for_reduced_inspection() -> None:
    """ISO 2859-1:1999 (from memory) has no gap in its reduced plans; all others are alike."""
    for severity in (Severity.NORMAL, Severity.TIGHTENED):
        iso, mil = (
            [(p.size, p.accept, p.reject) for p in _plans(severity, standard)]
            for standard in Standard
        )
        assert iso == mil
    for plan in _plans(Severity.REDUCED, Standard.ISO):
        assert plan.reject == plan.accept + 1
    reduced = [
        plan_for_lot(lot_size=2000, aql=0.65, severity=Severity.REDUCED, standard=standard)
        for standard in Standard
    ]  # fmt: skip
    assert [(p.size, p.accept, p.reject) for p in reduced] == [(50, 1, 2), (50, 1, 3)]
    with pytest.raises(UsageError, match="reduced plans above AQL 10"):
        plan_for_letter("F", aql=15, severity=Severity.REDUCED)


# lots of 8, 50, 150, 500, 3200 and 600,000 units (Table I, from memory)
SPECIAL = {"S-1": "AABBCD", "S-2": "ABBCDE", "S-3": "ABCDEH", "S-4": "ACDEGK"}


@pytest.mark.parametrize("level", SPECIAL)
def test_special_levels(level: str) -> None:
    """Smaller samples than level I for the same lot, and said to be from memory."""
    sizes = (8, 50, 150, 500, 3200, 600_000)
    letters = "".join(code_letter(lot_size=size, level=level) for size in sizes)
    assert letters == SPECIAL[level]
    assert plan_for_lot(lot_size=500, aql=2.5, level=level).from_memory
    for size in sizes:
        assert code_letter(lot_size=size, level=level) <= code_letter(
            lot_size=size, level="I"
        )


@pytest.mark.parametrize(
    ("letter", "aql", "plan"),
    [
        ("A", 10.0, ("C", 5, 1)),
        ("A", 15.0, ("B", 3, 1)),
        ("A", 65.0, ("A", 2, 3)),
        ("B", 1000.0, ("B", 3, 44)),
        ("E", 250.0, ("E", 13, 44)),
        ("F", 65.0, ("F", 20, 21)),
        ("F", 100.0, ("E", 13, 21)),
        ("J", 10.0, ("J", 80, 14)),
        ("Q", 0.010, ("Q", 1250, 0)),
        ("R", 0.010, ("Q", 1250, 0)),
    ],
)
def test_the_ends_of_the_table(
    letter: str, aql: float, plan: tuple[str, int, int]
) -> None:
    """AQL above 6.5 and below 0.10 (Table II-A, from memory); an arrow off the table turns."""
    found = plan_for_letter(letter, aql=aql)
    assert (found.used_letter, found.size, found.accept) == plan
    assert found.from_memory


def test_nonconformities_are_counted_above_ten() -> None:
    """Above AQL 10 a unit may have several: chances of Poisson, more of them than units.

    Letter A, AQL 65: 2 units, Ac 3; 1.3 expected, P(X <= 3) = 0.9569 (Poisson tables).
    """
    plan = plan_for_letter("A", aql=65)
    assert plan.counts_nonconformities
    assert acceptance_chance(plan, 0.65) == pytest.approx(0.9569, abs=5e-5)
    assert judge(plan, tested=2, bad=4) is SamplingVerdict.REJECTED
    assert fraction_accepted_at(plan, 0.1) == pytest.approx(6.681 / 2, abs=5e-4)
    assert curve(plan)[-1][0] > 1


@pytest.mark.parametrize(
    ("lot_size", "limit", "confidence", "size"),
    [
        (10**6, 5, 0.95, 59), (10**6, 1, 0.95, 299), (10**6, 10, 0.95, 29),
        (10, 10, 0.9, 9), (10, 50, 0.9, 3), (2, 50, 0.9, 2), (1000, 99, 0.9, 1),
    ],
)  # fmt: skip
def test_zero_acceptance(
    lot_size: int, limit: float, confidence: float, size: int
) -> None:
    """Error-free trials 59, 299, 29 for 5, 1, 10 % at 95 % (recomputed); small lots exactly.

    Of ten units with one bad, n all good have the chance 1 - n/10: n = 9 for 10 %.
    """
    plan = zero_acceptance_plan(lot_size=lot_size, limit=limit, confidence=confidence)
    assert (plan.size, plan.accept, plan.reject) == (size, 0, 1)
    assert acceptance_chance(plan, limit / 100, finite=True) <= 1 - confidence + 1e-12


def test_zero_acceptance_with_the_tail_of_a_tabled_plan() -> None:
    """Squeglia, Zero Acceptance Number Sampling Plans (from memory): AQL 1.0, n 29, 34, 42.

    They share the 10 % point of 50/1, 80/2 and 125/3; his table rounds one unit down.
    """
    for lot_size, size in ((500, 29), (1200, 34), (3200, 42)):
        tail = fraction_accepted_at(plan_for_lot(lot_size=lot_size, aql=1.0), 0.1)
        plan = zero_acceptance_plan(lot_size=lot_size, limit=100 * tail)
        assert 0 <= plan.size - size <= 1


@given(st.integers(2, 10**6), st.sampled_from(SEEN_AQLS), st.floats(0, 1))
def test_tightened_accepts_less(lot_size: int, aql: float, fraction: float) -> None:
    """At two to five times the AQL tightened inspection never accepts more often."""
    bad = aql / 100 * (2 + 3 * fraction)
    normal, tight = (
        acceptance_chance(plan_for_lot(lot_size=10**5, aql=aql, severity=s), bad)
        for s in (Severity.NORMAL, Severity.TIGHTENED)
    )
    assert tight <= normal
    assert plan_for_lot(lot_size=lot_size, aql=aql).size <= lot_size


def test_a_tiny_lot_is_tested_whole() -> None:
    """A plan that would draw as many units as there are tests them all."""
    plan = plan_for_lot(lot_size=10, aql=0.65)
    assert plan.size == 10
    assert plan.tests_everything


@pytest.mark.parametrize(
    ("tested", "bad", "verdict"),
    [
        (50, 1, SamplingVerdict.ACCEPTED),
        (50, 2, SamplingVerdict.ACCEPTED_THEN_NORMAL),
        (50, 3, SamplingVerdict.REJECTED),
        (20, 3, SamplingVerdict.REJECTED),
        (49, 1, SamplingVerdict.UNFINISHED),
    ],
)
def test_verdicts(tested: int, bad: int, verdict: SamplingVerdict) -> None:
    """The reduced plan 50 1/3: accepted, accepted with a warning, rejected, unfinished."""
    plan = SamplingPlan(size=50, accept=1, reject=3)
    assert judge(plan, tested=tested, bad=bad) is verdict


def test_what_is_no_sample() -> None:
    """Impossible counts, other AQLs, letters and levels are told with what to use."""
    plan = SamplingPlan(size=5, accept=0, reject=1)
    for tested, bad in ((4, 5), (6, 0), (3, -1)):
        with pytest.raises(UsageError):
            judge(plan, tested=tested, bad=bad)
    with pytest.raises(UsageError, match=r"use one of 0\.01, 0\.015"):
        plan_for_lot(lot_size=100, aql=0.7)
    with pytest.raises(UsageError, match="no inspection level"):
        code_letter(lot_size=100, level="IV")
    with pytest.raises(UsageError, match="at least two"):
        code_letter(lot_size=1)
    with pytest.raises(UsageError, match="no code letter"):
        plan_for_letter("I", aql=1.0)
    with pytest.raises(UsageError, match="lot's size"):
        acceptance_chance(plan, 0.1, finite=True)
    with pytest.raises(UsageError, match="no share"):
        acceptance_chance(plan, 1.5)
    with pytest.raises(UsageError, match="no chance"):
        fraction_accepted_at(plan, 1.0)
    with pytest.raises(UsageError, match="accepts every lot"):
        fraction_accepted_at(SamplingPlan(size=1, accept=1, reject=2), 0.5)


# Table II-C: sample sizes of reduced inspection by code letter, A to R
REDUCED_SIZES = (2, 2, 2, 3, 5, 8, 13, 20, 32, 50, 80, 125, 200, 315, 500, 800)


@pytest.mark.parametrize(
    ("letter", "size"), list(zip("ABCDEFGHJKLMNPQR", REDUCED_SIZES, strict=True))
)
def test_sizes_of_reduced_inspection(letter: str, size: int) -> None:
    """MIL-STD-105E Table II-C: two fifths of normal inspection, where no arrow leads on."""
    plans = [
        plan_for_letter(letter, aql=aql, severity=Severity.REDUCED)
        for aql in AQLS
        if aql <= 10
    ]
    own = {plan.size for plan in plans if plan.used_letter == letter}
    assert own == {size}
