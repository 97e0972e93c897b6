"""`slotproof lot golden`, `bias` and `linearity`: a gauge against known values."""

from __future__ import annotations

from pathlib import Path

from harness.commands.declared.style import OutputStyle
from harness.commands.lots.output import facts_of, leave
from harness.commands.lots.values import EXIT_NO, read_lots
from harness.lots.csv_rows import read_known
from harness.lots.lot import Lot
from harness.lots.notes import exclusion_notes
from harness.lots.report_table import LotReport
from harness.lots.tables.gauges import bias_report, golden_report, linearity_report
from harness.quality.gauges.reference_study import (
    bias_study,
    golden_check,
    linearity_study,
)
from harness.results.plots.lots import Scale, golden_figures

_SHARE_OF_TOLERANCE = 0.1
"""A golden unit may be off by a tenth of the tolerance (rule of ten; common practice)."""


def golden(
    *,
    files: tuple[Path, ...],
    quantity: str,
    reference: float,
    tolerance: float,
    step: str,
    into: Path | None,
    style: OutputStyle,
) -> int:
    """Many readings of one golden unit: scatter and bias against the tolerance."""
    (lot,) = read_lots({"golden unit": files}, quantity=quantity, step=step)
    found = golden_check(
        lot.readings_of(lot.only_device), reference=reference, tolerance=tolerance
    )
    return _leave_known(
        golden_report(found, quantity=quantity, unit=lot.unit),
        lot,
        half_width=_SHARE_OF_TOLERANCE * tolerance,
        limits=None,
        into=into,
        name=f"golden-{quantity}",
        quantity=quantity,
        readings=files,
        device=lot.only_device,
        step=step,
        reference=reference,
        tolerance=tolerance,
        style=style,
        code=0 if found.holds else EXIT_NO,
    )


def bias(
    *,
    files: tuple[Path, ...],
    quantity: str,
    reference: float,
    margin: float,
    step: str,
    into: Path | None,
    style: OutputStyle,
) -> int:
    """Readings of one known unit: is the bias shown to be small? Then exit code 0."""
    (lot,) = read_lots({"known unit": files}, quantity=quantity, step=step)
    found = bias_study(
        lot.readings_of(lot.only_device), reference=reference, margin=margin
    )
    report = bias_report(found, quantity=quantity, unit=lot.unit)
    return _leave_known(
        report,
        lot,
        half_width=margin,
        limits="margin",
        into=into,
        name=f"bias-{quantity}",
        quantity=quantity,
        readings=files,
        device=lot.only_device,
        step=step,
        reference=reference,
        margin=margin,
        style=style,
        code=0 if report.says_yes else EXIT_NO,
    )


def _leave_known(
    report: LotReport,
    lot: Lot,
    *,
    half_width: float,
    limits: str | None,
    into: Path | None,
    name: str,
    style: OutputStyle,
    code: int,
    quantity: str,
    reference: float,
    **facts: object,
) -> int:
    """The answer on one unit whose value is known, with its picture."""
    scale = Scale(
        quantity=quantity,
        unit=lot.unit,
        low=reference - half_width,
        high=reference + half_width,
    )
    given = {"limits": limits} if limits else {}
    return leave(
        report.noting(*exclusion_notes((lot,))),
        golden_figures(
            lot.readings_of(lot.only_device),
            reference=reference,
            scale=scale,
            **given,
        ),
        facts_of(quantity=quantity, **facts, reference=reference),
        into=into,
        name=name,
        style=style,
        code=code,
    )


def linearity(
    *, file: Path, margin: float, unit: str, into: Path | None, style: OutputStyle
) -> int:
    """Readings of several known values: is the bias small over the range? Then code 0."""
    found = linearity_study(read_known(file), margin=margin)
    report = linearity_report(found, unit=unit)
    return leave(
        report,
        {},
        facts_of(study=file, margin=margin, unit=unit),
        into=into,
        name=f"linearity-{file.stem}",
        style=style,
        code=0 if report.says_yes else EXIT_NO,
    )
