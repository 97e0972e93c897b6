"""Pictures: drawn from the record alone, whole, and the same twice."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

import pytest

from harness.records import Bound, Measurement
from harness.results.plots.run import draw
from harness.results.reports.rebuild import rebuild
from harness.results.timing import TimingRow

PNG = b"\x89PNG\r\n\x1a\n"


@pytest.mark.slow
def test_survey_and_shmoo_are_drawn_from_the_journal(
    run_plan: Callable[..., Any],
    bench_data: Callable[..., dict[str, Any]],
    new_device: Callable[..., dict[str, Any]],
    tmp_path: Path,
) -> None:
    """A finished run's journal gives PNG and SVG, with devices and limits in them."""
    steps = [
        {"measure": {"what": "devices"}},
        {"shmoo": {"slot": "write-0", "low_us": [30, 66], "slots": 6,
                   "against": {"axis": "baud", "values": [110000]}}},
    ]  # fmt: skip
    ran = run_plan(steps, bench_data([new_device(0x28, 1)]))
    for folder in (tmp_path / "one", tmp_path / "two"):
        rebuild(ran.folder / "journal.jsonl", folder)
    names = sorted(p.name for p in (tmp_path / "one").iterdir())
    rom = ran.record.devices[0].rom_code
    assert names == [
        "junit.xml", "report.html", f"shmoo-2-{rom}.png", f"shmoo-2-{rom}.svg",
        "survey.png", "survey.svg",
    ]  # fmt: skip
    for name in names:
        one, two = ((tmp_path / f / name).read_bytes() for f in ("one", "two"))
        assert one == two, name
        if name.endswith(".png"):
            assert one.startswith(PNG)
    text = "".join(ET.parse(tmp_path / "one" / "survey.svg").getroot().itertext())
    assert rom in text
    assert "host writes 0" in text
    assert "us left" in text


def test_nothing_to_draw_draws_nothing(
    run_plan: Callable[..., Any],
    bench_data: Callable[..., dict[str, Any]],
    new_device: Callable[..., dict[str, Any]],
    tmp_path: Path,
) -> None:
    """A run without measuring steps leaves no picture."""
    ran = run_plan("- reset:", bench_data([new_device(0x28, 1)]))
    assert draw(ran.record, tmp_path) == []


def test_a_bound_is_drawn_as_an_arrow_to_the_side_of_the_truth() -> None:
    """At most points left and at least points right; neither looks like a value."""
    from harness.results.plots.palette import new_figure
    from harness.results.plots.run import _draw_bounds

    axes = new_figure(4, 3).subplots()
    values = [
        Measurement(name="sample_instant", value=20.0, unit="us", bound=bound)
        for bound in (Bound.AT_MOST, Bound.AT_LEAST)
    ]
    _draw_bounds(
        axes, [TimingRow(device="A1", value=value) for value in values], ["A1"], "black"
    )
    arrows: list[Any] = list(axes.texts)
    assert [arrow.xy[0] for arrow in arrows] == [16.0, 24.0]
    assert not axes.containers
