"""Gauge studies against AIAG's published example, and what a study must hold."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from harness.errors import UsageError
from harness.quality.gauges.gauge import (
    GaugeReading,
    GaugeVerdict,
    gauge_study,
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
        "device": (9, 88.3619344, 9.8179927),
        "station": (2, 3.1672622, 1.5836311),
        "device by station": (18, 0.3589822, 0.0199435),
        "repeat": (60, 2.7589333, 0.0459822),
    }
    for source, (degrees, squares, mean_square) in table.items():
        row = rows[source]
        assert row.degrees == degrees
        assert row.squares == pytest.approx(squares, abs=5.1e-8)
        assert row.mean_square == pytest.approx(mean_square, abs=5.1e-8)
    assert rows["device by station"].f == pytest.approx(0.434, abs=5e-4)
    assert rows["device by station"].p == pytest.approx(0.974, abs=5e-4)
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
    ("tolerance", "verdict", "said"),
    [
        (40.0, GaugeVerdict.CONDITIONAL, "5 distinct categories of these devices are not shown (at least 3)"),
        (8.0, GaugeVerdict.CONDITIONAL, "less than 10 % is not shown"),
        (6.2, GaugeVerdict.UNDECIDED, "more than 30 % is not ruled out"),
        (4.0, GaugeVerdict.BAD, "is too much"),
    ],
)  # fmt: skip
def test_the_ends_of_the_interval_decide(
    readings: list[GaugeReading], tolerance: float, verdict: GaugeVerdict, said: str
) -> None:
    """Good below 10 % by the upper end, not acceptable above 30 % by the lower end (AIAG)."""
    found = gauge_study(readings, tolerance=tolerance)
    assert found.gauge_of_tolerance is not None
    assert found.share_low < found.gauge_of_tolerance < found.share_high
    assert found.verdict is verdict
    assert said in "; ".join(found.reasons)


def test_the_interval_of_the_published_study(readings: list[GaugeReading]) -> None:
    """Inside the closed form of Graybill and Wang (1980, from memory) for random stations.

    There each mean square of a sum of variances has its own chi-squared end. It speaks of
    stations at large and three tell little of others, so it is the wider one at both ends.
    """
    found = gauge_study(readings)
    parts, stations, repeats = 10, 3, 3
    terms = [
        (row.degrees, row.mean_square, weight)
        for row, weight in zip(
            found.rows[1:4],
            (1 / (parts * repeats), (parts - 1) / (parts * repeats), (repeats - 1) / repeats),
            strict=True,
        )
    ]  # fmt: skip
    estimate = sum(weight * square for _, square, weight in terms)
    assert estimate == pytest.approx(0.0894256, abs=5e-8)
    low, high = (
        estimate + sign * sum(((n / stats.chi2.ppf(q, n) - 1) * w * s) ** 2 for n, s, w in terms) ** 0.5
        for sign, q in ((-1, 0.95), (1, 0.05))
    )  # fmt: skip
    assert low**0.5 < found.interval.low < found.gauge < found.interval.high < high**0.5
    assert stations == found.stations


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


def _study(
    parts: Sequence[float], *, noise: float, step: float = 0.0, seed: int = 1
) -> list[GaugeReading]:
    """An invented study: parts of these values, two equal stations, three repeats."""
    chance = np.random.default_rng(seed)
    made = [
        (str(place), station, value + noise * chance.normal())
        for place, value in enumerate(parts)
        for station in "AB"
        for _ in range(3)
    ]
    return [
        GaugeReading(part=p, station=s, value=round(v / step) * step if step else v)
        for p, s, v in made
    ]


def test_a_good_gauge() -> None:
    """Small scatter, parts apart: good by every end, without a reservation."""
    found = gauge_study(
        _study(np.linspace(20, 21, 10).tolist(), noise=0.005), tolerance=1.0
    )
    assert found.verdict is GaugeVerdict.GOOD
    assert found.reasons == ()
    assert found.step == 0


def test_parts_too_alike_are_no_proof_of_a_good_gauge() -> None:
    """With no distinct category a gauge is not called good, however small its share."""
    found = gauge_study(_study([20.0] * 10, noise=0.005), tolerance=1.0)
    assert found.classes == 0
    assert found.share_high < 0.1
    assert found.verdict is GaugeVerdict.CONDITIONAL
    assert (
        "5 distinct categories of these devices are not shown (at least 0)"
        in found.reasons
    )


@pytest.mark.parametrize("noise", [0.001, 0.02])
def test_a_coarse_step_is_named(noise: float) -> None:
    """1/16 K against 1 K: 6 (1/16) / sqrt 12 is 10.83 % of the tolerance, without any scatter."""
    parts = [20.5 + n / 16 for n in range(10)]
    found = gauge_study(_study(parts, noise=noise, step=1 / 16), tolerance=1.0)
    assert found.step == 1 / 16
    assert found.step_share == pytest.approx(0.10825, abs=5e-6)
    assert found.share_high >= found.step_share
    assert found.verdict is GaugeVerdict.CONDITIONAL
    assert "the step of the readings alone takes 10.8 %" in found.reasons
    wide = gauge_study(
        _study([20.5 + n for n in range(10)], noise=0.001, step=1 / 16),
        tolerance=4.0,
        step=1 / 16,
    )
    assert wide.verdict is GaugeVerdict.GOOD


def test_a_gauge_without_scatter_has_no_number_of_classes() -> None:
    """Where all repeats agree, the step of the readings bounds what the gauge hides."""
    found = gauge_study(
        [
            GaugeReading(part=part, station=station, value=float(part))
            for part in "123"
            for station in "AB"
            for _ in range(2)
        ]
    )
    assert found.classes is None
    assert found.interval.high == 0
    assert found.share_high == pytest.approx(12**-0.5)
    assert found.verdict is GaugeVerdict.CONDITIONAL


def test_what_is_no_study(readings: list[GaugeReading]) -> None:
    """A missing reading, one part, one station and equal readings are told."""
    with pytest.raises(UsageError, match="device 10 was read 2 times on station C"):
        gauge_study(readings[:-1])
    with pytest.raises(UsageError, match="only one station"):
        gauge_study([r for r in readings if r.station == "A"])
    with pytest.raises(UsageError, match="only one device"):
        gauge_study([r for r in readings if r.part == "1"])
    with pytest.raises(UsageError, match="read 1 times"):
        gauge_study(readings[:10] + readings[30:40])
    with pytest.raises(UsageError, match="no value"):
        gauge_study([])
    flat = [GaugeReading(part=r.part, station=r.station, value=1.0) for r in readings]
    with pytest.raises(UsageError, match="all readings are equal"):
        gauge_study(flat)
