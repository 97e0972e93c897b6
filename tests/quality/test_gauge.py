"""Gauge studies against AIAG's published example, and what a study must hold."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.errors import UsageError
from harness.quality.gauge import (
    GaugeReading,
    GaugeVerdict,
    gauge_study,
    golden_check,
)

# AIAG, Measurement Systems Analysis, 4th ed., through McNeese, "Three Ways to Analyze a
# Gage R&R Study" (2015), table 1: ten parts, three appraisers, three trials each
_AIAG = """
A .29 -.56 1.34 .47 -.80 .02 .59 -.31 2.26 -1.36
A .41 -.68 1.17 .50 -.92 -.11 .75 -.20 1.99 -1.25
A .64 -.58 1.27 .64 -.84 -.21 .66 -.17 2.01 -1.31
B .08 -.47 1.19 .01 -.56 -.20 .47 -.63 1.80 -1.68
B .25 -1.22 .94 1.03 -1.20 .22 .55 .08 2.12 -1.62
B .07 -.68 1.34 .20 -1.28 .06 .83 -.34 2.19 -1.50
C .04 -1.38 .88 .14 -1.46 -.29 .02 -.46 1.77 -1.49
C -.11 -1.13 1.09 .20 -1.07 -.67 .01 -.56 1.45 -1.77
C -.15 -.96 .67 .11 -1.45 -.49 .21 -.49 1.87 -2.16
"""


@pytest.fixture
def readings() -> list[GaugeReading]:
    return [
        GaugeReading(part=str(part), station=line.split()[0], value=float(word))
        for line in _AIAG.strip().splitlines()
        for part, word in enumerate(line.split()[1:], start=1)
    ]


def test_table_of_variances(readings: list[GaugeReading]) -> None:
    """Sums and mean squares as published and, to more digits, recomputed."""
    rows = {row.source: row for row in gauge_study(readings).rows}
    table = {
        "part": (9, 88.3619344, 9.8179927),
        "station": (2, 3.1672622, 1.5836311),
        "part by station": (18, 0.3589822, 0.0199435),
        "repeat": (60, 2.7589333, 0.0459822),
    }
    for source, (degrees, squares, mean_square) in table.items():
        row = rows[source]
        assert row.degrees == degrees
        assert row.squares == pytest.approx(squares, abs=5.1e-8)
        assert row.mean_square == pytest.approx(mean_square, abs=5.1e-8)
    assert rows["part by station"].f == pytest.approx(0.434, abs=5e-4)
    assert rows["part by station"].p == pytest.approx(0.974, abs=5e-4)
    assert rows["total"].squares == pytest.approx(94.6471122, abs=5.1e-8)
    assert rows["total"].degrees == 89


def test_pooled_components(readings: list[GaugeReading]) -> None:
    """Published: EV 0.03997, AV 0.05146, GRR 0.09143, PV 1.08645, TV 1.17788, 27.86 %, 4 classes."""
    found = gauge_study(readings, tolerance=8)
    assert found.pooled
    published = {
        "repeatability": (0.0399733, 0.03997),
        "reproducibility": (0.0514553, 0.05146),
        "gauge": (0.0914285, 0.09143),
        "part": (1.0864466, 1.08645),
        "total": (1.1778751, 1.17788),
    }
    for name, (recomputed, printed) in published.items():
        squared = getattr(found, name) ** 2
        assert squared == pytest.approx(recomputed, abs=5.1e-8)
        assert squared == pytest.approx(printed, abs=5.1e-6)
    assert (found.gauge, found.part, found.total) == pytest.approx(
        (0.302372, 1.042327, 1.085300), abs=5.1e-7
    )
    assert 100 * found.gauge_of_total == pytest.approx(27.86, abs=0.005)
    assert found.gauge_of_tolerance is not None
    assert 100 * found.gauge_of_tolerance == pytest.approx(22.68, abs=0.005)
    assert found.classes == 4
    assert (found.parts, found.stations, found.repeats) == (10, 3, 3)
    assert found.verdict is GaugeVerdict.CONDITIONAL


def test_without_pooling(readings: list[GaugeReading]) -> None:
    """Unpooled the gauge is 0.313217, 28.75 %, still four classes (recomputed)."""
    found = gauge_study(readings, pool_above=1.0)
    assert not found.pooled
    assert found.gauge == pytest.approx(0.313217, abs=5.1e-7)
    assert 100 * found.gauge_of_total == pytest.approx(28.75, abs=0.005)
    assert found.classes == 4


@pytest.mark.parametrize(
    ("tolerance", "verdict"),
    [
        (20.0, GaugeVerdict.GOOD),
        (8.0, GaugeVerdict.CONDITIONAL),
        (6.0, GaugeVerdict.BAD),
    ],
)
def test_the_tolerance_decides(
    readings: list[GaugeReading], tolerance: float, verdict: GaugeVerdict
) -> None:
    """Below 10 % of the tolerance good, above 30 % not acceptable."""
    assert gauge_study(readings, tolerance=tolerance).verdict is verdict


@given(st.randoms(use_true_random=False), st.floats(-1e3, 1e3))
def test_order_and_offset_do_not_matter(random: object, offset: float) -> None:
    """Readings in any order, and all moved by the same amount, give the same study."""
    plain = [
        GaugeReading(part=str(p), station=str(s), value=p + 0.1 * s + 0.01 * (p * s + r) % 0.07)
        for p in range(4)
        for s in range(2)
        for r in range(2)
    ]  # fmt: skip
    moved = [
        GaugeReading(part=r.part, station=r.station, value=r.value + offset)
        for r in plain
    ]
    random.shuffle(moved)  # type: ignore[attr-defined]
    assert gauge_study(moved).gauge == pytest.approx(gauge_study(plain).gauge, rel=1e-6)


def test_a_gauge_without_scatter_has_no_number_of_classes() -> None:
    """Where all repeats and stations agree the gauge tells any two parts apart."""
    found = gauge_study(
        [
            GaugeReading(part=part, station=station, value=float(part))
            for part in "123"
            for station in "AB"
            for _ in range(2)
        ]
    )
    assert found.classes is None
    assert found.verdict is GaugeVerdict.GOOD


def test_what_is_no_study(readings: list[GaugeReading]) -> None:
    """A missing reading, one part, one station and equal readings are told."""
    with pytest.raises(UsageError, match="part 10 was read 2 times on station C"):
        gauge_study(readings[:-1])
    with pytest.raises(UsageError, match="only one station"):
        gauge_study([r for r in readings if r.station == "A"])
    with pytest.raises(UsageError, match="only one part"):
        gauge_study([r for r in readings if r.part == "1"])
    with pytest.raises(UsageError, match="read 1 times"):
        gauge_study(readings[:10] + readings[30:40])
    with pytest.raises(UsageError, match="no value"):
        gauge_study([])
    flat = [GaugeReading(part=r.part, station=r.station, value=1.0) for r in readings]
    with pytest.raises(UsageError, match="all readings are equal"):
        gauge_study(flat)


def _golden(bias: float) -> list[float]:
    """50 readings, deviation 0.02 to the last digits, mean 25 and the bias."""
    step = 0.02 * (49 / 50) ** 0.5
    return [25 + bias + step, 25 + bias - step] * 25


def test_golden_unit() -> None:
    """Tolerance 1, s 0.02, bias 0.01: Cg 1.6667, Cgk 1.5000 (formulas from memory)."""
    found = golden_check(_golden(0.01), reference=25, tolerance=1)
    assert found.cg == pytest.approx(1.6667, abs=5e-5)
    assert found.cgk == pytest.approx(1.5000, abs=5e-5)
    assert found.bias == pytest.approx(0.01)
    assert found.bias_low < 0.01 < found.bias_high
    assert found.holds


def test_a_biased_gauge_does_not_hold() -> None:
    """The same scatter with more bias fails by Cgk alone."""
    found = golden_check(_golden(0.03), reference=25, tolerance=1)
    assert found.cg is not None
    assert found.cg > found.wanted
    assert not found.holds


@pytest.mark.parametrize(("value", "holds"), [(25.1, True), (25.3, False)])
def test_a_golden_unit_that_always_reads_the_same(value: float, holds: bool) -> None:
    """Without scatter there is no index; the bias against a tenth of the tolerance decides."""
    found = golden_check([value] * 30, reference=25, tolerance=2)
    assert found.cg is None
    assert found.holds is holds
