"""Pictures of lots: whole, and the same twice."""

from __future__ import annotations

from pathlib import Path
from xml.etree import ElementTree as ET

import pytest

from harness.results.lot_pictures import Scale, draw_chart, draw_lots, draw_oc_curve

LOTS = {
    "march <lot>": [25.0 + 0.01 * (n * 7 % 20) for n in range(30)],
    "april": [25.05 + 0.01 * (n * 3 % 20) for n in range(40)],
}
SCALE = Scale(quantity="temperature", unit="degC", low=24.9, high=25.4, guard=0.05)


def _text(path: Path) -> str:
    return "".join(ET.parse(path).getroot().itertext())


def _draw_all(folder: Path) -> list[Path]:
    return [
        *draw_lots(LOTS, SCALE, folder),
        *draw_chart(
            LOTS["april"],
            centre=25.1,
            sigma=0.02,
            baseline=20,
            signals=[3, 39],
            rules="western-electric",
            scale=SCALE,
            folder=folder,
        ),
        *draw_oc_curve(
            [(0.0, 1.0), (0.05, 0.5), (0.1, 0.0)],
            marks={"AQL 1 %": 0.01},
            title="draw 20, accept 0",
            folder=folder,
        ),
    ]


@pytest.mark.slow
def test_same_numbers_same_bytes(tmp_path: Path) -> None:
    """Five pictures, PNG and SVG, come out byte for byte the same twice."""
    one, two = _draw_all(tmp_path / "one"), _draw_all(tmp_path / "two")
    assert sorted({path.stem for path in one}) == [
        "boxes", "chart", "histogram", "oc-curve", "probability",
    ]  # fmt: skip
    assert len(one) == 10
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
    assert "limits from the first 20, rules western-electric" in _text(
        tmp_path / "chart.svg"
    )
    assert "AQL 1 %" in _text(tmp_path / "oc-curve.svg")


@pytest.mark.slow
def test_a_lot_of_equal_values_is_drawn(tmp_path: Path) -> None:
    """No spread and no limits are no reason to fail."""
    written = draw_lots({"lot": [5.0, 5.0, 5.0]}, Scale(quantity="x"), tmp_path)
    assert len(written) == 6
    assert "limit" not in _text(tmp_path / "histogram.svg")


def test_limits_of_one_side() -> None:
    """A high limit alone has its acceptance limit inwards, below it."""
    lines = Scale(quantity="x", high=5.0, guard=1.0).lines
    assert [(value, name) for value, _, name in lines] == [
        (5.0, "limit"), (4.0, "acceptance"),
    ]  # fmt: skip
