"""`slotproof lot gauge` and `golden`: prove the fixture before the lot is judged."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from harness.commands.base import example
from harness.commands.lots.numbers import number
from harness.commands.lots.output import facts_of, leave
from harness.commands.lots.values import (
    EXIT_NO,
    FilesArgument,
    FolderOption,
    QuantityOption,
    StepOption,
    lot_app,
    read_lots,
)

ToleranceOption = Annotated[
    float,
    typer.Option(
        parser=number, metavar="NUMBER", help="width between the limits to be judged by"
    ),
]


@lot_app.command(epilog=example("slotproof lot gauge study.csv --tolerance 1.0"))
def gauge(
    file: Annotated[
        Path, typer.Argument(metavar="CSV", help="columns: part, station, value")
    ],
    *,
    tolerance: Annotated[
        float | None,
        typer.Option(
            parser=number,
            metavar="NUMBER",
            help="width between the limits to be judged by",
        ),
    ] = None,
    unit: Annotated[
        str, typer.Option(metavar="UNIT", help="unit of the values, for the table")
    ] = "",
    resolution: Annotated[
        float | None,
        typer.Option(
            parser=number,
            metavar="NUMBER",
            help="step of the readings; default as they show it",
        ),
    ] = None,
    accept_conditional: Annotated[
        bool,
        typer.Option(
            "--accept-conditional",
            help="exit code 0 for a conditionally acceptable gauge too",
        ),
    ] = False,
    into: FolderOption = None,
) -> None:
    """Repeatability and reproducibility: every part on every station, at least twice.

    A station is whatever shall agree: a station, a socket, an adapter. Exit code 0 if
    the gauge is shown to be good, or with --accept-conditional to be acceptable.
    """
    from harness.lots.csv_rows import read_study  # noqa: PLC0415
    from harness.lots.tables.gauges import gauge_sheet  # noqa: PLC0415
    from harness.quality.gauges.gauge import GaugeVerdict, gauge_study  # noqa: PLC0415
    from harness.results.plots.lots import Scale, gauge_figures  # noqa: PLC0415

    readings = read_study(file)
    found = gauge_study(readings, tolerance=tolerance, step=resolution)
    leave(
        gauge_sheet(found, unit=unit),
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
    )
    enough = {GaugeVerdict.GOOD}
    if accept_conditional:
        enough.add(GaugeVerdict.CONDITIONAL)
    raise typer.Exit(0 if found.verdict in enough else EXIT_NO)


@lot_app.command(
    epilog=example(
        "slotproof lot golden results/golden --quantity temperature \\",
        "    --reference 25.00 --tolerance 1.0",
    )
)
def golden(
    files: FilesArgument,
    *,
    quantity: QuantityOption,
    reference: Annotated[
        float,
        typer.Option(
            parser=number, metavar="NUMBER", help="known value of the golden unit"
        ),
    ],
    tolerance: ToleranceOption,
    step: StepOption = "",
    into: FolderOption = None,
) -> None:
    """Many readings of one golden unit: scatter and bias against the tolerance."""
    from harness.lots.notes import exclusion_notes  # noqa: PLC0415
    from harness.lots.tables.gauges import golden_sheet  # noqa: PLC0415
    from harness.quality.gauges.reference_study import golden_check  # noqa: PLC0415
    from harness.results.plots.lots import Scale, golden_figures  # noqa: PLC0415

    (lot,) = read_lots(
        {"golden unit": files}, quantity=quantity, step=step, leave_out=None
    )
    readings = lot.readings_of(lot.only_device)
    found = golden_check(readings, reference=reference, tolerance=tolerance)
    scale = Scale(
        quantity=quantity,
        unit=lot.unit,
        low=reference - 0.1 * tolerance,
        high=reference + 0.1 * tolerance,
    )
    leave(
        golden_sheet(found, quantity=quantity, unit=lot.unit).noting(
            *exclusion_notes((lot,))
        ),
        golden_figures(readings, reference=reference, scale=scale),
        facts_of(
            quantity=quantity,
            readings=files,
            device=lot.only_device,
            step=step,
            reference=reference,
            tolerance=tolerance,
        ),
        into=into,
        name=f"golden-{quantity}",
    )
    raise typer.Exit(0 if found.holds else EXIT_NO)
