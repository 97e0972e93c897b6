"""`slotproof lot gauge`: the fixture is proved before the lot is judged."""

from __future__ import annotations

from pathlib import Path

from harness.commands.declared.style import OutputStyle
from harness.commands.lots.output import facts_of, leave
from harness.commands.lots.values import EXIT_NO
from harness.lots.csv_rows import read_study
from harness.lots.tables.gauges import gauge_report
from harness.quality.gauges.gauge import GaugeVerdict, gauge_study
from harness.results.plots.lots import Scale, gauge_figures


def gauge(
    *,
    file: Path,
    tolerance: float | None,
    unit: str,
    resolution: float | None,
    accept_conditional: bool,
    into: Path | None,
    style: OutputStyle,
) -> int:
    """Repeatability and reproducibility: every device on every station, at least twice."""
    readings = read_study(file)
    found = gauge_study(readings, tolerance=tolerance, step=resolution)
    enough = {GaugeVerdict.GOOD}
    if accept_conditional:
        enough.add(GaugeVerdict.CONDITIONAL)
    return leave(
        gauge_report(found, unit=unit),
        gauge_figures(
            [(r.part, r.station, r.value) for r in readings],
            scale=Scale(quantity="value", unit=unit),
        ),
        facts_of(
            study=file,
            tolerance=tolerance,
            unit=unit,
            resolution=resolution,
            conditional="is enough" if accept_conditional else "",
        ),
        into=into,
        name=f"gauge-{file.stem}",
        style=style,
        code=0 if found.verdict in enough else EXIT_NO,
    )
