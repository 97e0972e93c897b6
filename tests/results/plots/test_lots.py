"""Pictures of lots: whole, and the same twice."""

from __future__ import annotations

import itertools
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest

from harness.quality.charts.kinds import ChartPlan, panels
from harness.results.plots.charts import chart_figures
from harness.results.plots.lots import (
    Scale,
    gauge_figures,
    golden_figures,
    histogram_edges,
    lot_figures,
    oc_figures,
    save,
    shown_indices,
)

LOTS = {
    "march <lot>": [25.0 + 0.01 * (n * 7 % 20) for n in range(30)],
    "april": [25.05 + 0.01 * (n * 3 % 20) for n in range(40)],
}
SCALE = Scale(quantity="temperature", unit="degC", low=24.9, high=25.4, guard=0.05)


def _text(path: Path) -> str:
    return "".join(ET.parse(path).getroot().itertext())


def _draw_all(folder: Path) -> list[Path]:
    figures = [
        lot_figures(LOTS, SCALE),
        chart_figures(panels(LOTS["april"], ChartPlan(baseline=20)), SCALE),
        oc_figures(
            [(0.0, 1.0), (0.05, 0.5), (0.1, 0.0)],
            marks={"AQL 1 %": 0.01},
            title="draw 20, accept 0",
        ),
        golden_figures(LOTS["april"], reference=25.1, scale=SCALE),
        gauge_figures(
            [("part <1>", s, v) for s in ("left", "right") for v in (25.0, 25.1)],
            scale=SCALE,
        ),
    ]
    return [path for found in figures for path in save(found, folder)]


@pytest.mark.slow
def test_same_numbers_same_bytes(tmp_path: Path) -> None:
    """Each picture, PNG and SVG, comes out byte for byte the same twice."""
    one, two = _draw_all(tmp_path / "one"), _draw_all(tmp_path / "two")
    for ending in (".png", ".svg"):
        assert {path.with_suffix(ending) for path in one} <= set(one)
    assert len(set(one)) == len(one) > 2
    for left, right in zip(one, two, strict=True):
        assert left.read_bytes() == right.read_bytes(), left.name
    png = b"\x89PNG\r\n\x1a\n"
    assert all(p.read_bytes().startswith(png) for p in one if p.suffix == ".png")


@pytest.mark.slow
def test_what_the_pictures_say(tmp_path: Path) -> None:
    """Names, units, limits and rules stand in them as text, whatever signs a name holds."""
    _draw_all(tmp_path)
    histogram = _text(tmp_path / "histogram.svg")
    for word in ("march <lot>, 30 units", "april, 40 units", "temperature, degC",
                 "limit", "acceptance"):  # fmt: skip
        assert word in histogram
    assert "normal scale" in _text(tmp_path / "probability.svg")
    assert "march <lot>" in _text(tmp_path / "boxes.svg")
    assert "limits from the first 20 points, rules western-electric" in _text(
        tmp_path / "chart.svg"
    )
    assert "AQL 1 %" in _text(tmp_path / "oc-curve.svg")
    assert "a tenth of the tolerance" in _text(tmp_path / "readings.svg")
    for word in ("part <1>", "left", "right"):
        assert word in _text(tmp_path / "parts.svg")


@pytest.mark.slow
def test_a_lot_of_equal_values_is_drawn(tmp_path: Path) -> None:
    """No spread and no limits are no reason to fail."""
    figures = lot_figures({"lot": [5.0, 5.0, 5.0]}, Scale(quantity="x"))
    written = save(figures, tmp_path)
    assert len(written) == 6
    assert "limit" not in _text(tmp_path / "histogram.svg")


def test_limits_of_one_side() -> None:
    """A high limit alone has its acceptance limit inwards, below it."""
    lines = Scale(quantity="x", high=5.0, guard=1.0).lines
    assert [(value, name) for value, _, name in lines] == [
        (5.0, "limit"), (4.0, "acceptance"),
    ]  # fmt: skip


def test_readings_in_steps_get_whole_steps_a_bin() -> None:
    """A 12-bit thermometer's lot has one bin a step, each around its step, none empty between."""
    steps = [21 + n / 16 for n in range(-4, 5)]
    often = (1, 5, 20, 45, 60, 45, 20, 5, 1)
    values = [v for v, times in zip(steps, often, strict=True) for _ in range(times)]
    edges = histogram_edges(values)
    assert edges[0] == pytest.approx(steps[0] - 1 / 32)
    widths = [b - a for a, b in itertools.pairwise(edges)]
    assert widths == pytest.approx([1 / 16] * len(widths))
    assert edges[-1] >= steps[-1]


def test_readings_without_steps_are_binned_as_they_come() -> None:
    """All of them lie inside, and the bins are of one width."""
    values = [25 + 0.01 * (n * 37 % 101) for n in range(101)]
    edges = histogram_edges(values)
    assert (edges[0], edges[-1]) == (min(values), max(values))
    assert 6 <= len(edges) - 1 <= 40


def test_a_long_series_is_thinned_without_hiding_a_reading() -> None:
    """Of 100,000 readings about 2,000 are drawn, the one far out among them."""
    values = [float(n * 7919 % 1000) for n in range(100_000)]
    values[54_321] = -9000.0
    places = shown_indices(values)
    assert len(places) <= 2002
    assert 54_321 in places
    assert shown_indices(values[:500]) == list(range(500))
