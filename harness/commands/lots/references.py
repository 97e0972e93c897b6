"""`slotproof lot bias`, `linearity` and `stability`: a gauge against known values."""

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

ReferenceOption = Annotated[
    float,
    typer.Option(
        "--reference", parser=number, metavar="NUMBER", help="known value of the unit"
    ),
]
MarginOption = Annotated[
    float,
    typer.Option(
        "--margin",
        parser=number,
        metavar="NUMBER",
        help="largest bias that does not matter, such as a tenth of the tolerance",
    ),
]


@lot_app.command(
    epilog=example(
        "slotproof lot bias results/golden --quantity temperature \\",
        "    --reference 25.00 --margin 0.1",
    )
)
def bias(
    files: FilesArgument,
    *,
    quantity: QuantityOption,
    reference: ReferenceOption,
    margin: MarginOption,
    step: StepOption = "",
    into: FolderOption = None,
) -> None:
    """Readings of one known unit: is the bias shown to be small? Then exit code 0."""
    from harness.lots.notes import exclusion_notes  # noqa: PLC0415
    from harness.lots.tables.gauges import bias_sheet  # noqa: PLC0415
    from harness.quality.gauges.reference_study import bias_study  # noqa: PLC0415
    from harness.results.plots.lots import Scale, golden_figures  # noqa: PLC0415

    (lot,) = read_lots(
        {"known unit": files}, quantity=quantity, step=step, leave_out=None
    )
    readings = lot.readings_of(lot.only_device)
    found = bias_study(readings, reference=reference, margin=margin)
    sheet = bias_sheet(found, quantity=quantity, unit=lot.unit)
    scale = Scale(
        quantity=quantity,
        unit=lot.unit,
        low=reference - margin,
        high=reference + margin,
    )
    leave(
        sheet.noting(*exclusion_notes((lot,))),
        golden_figures(readings, reference=reference, scale=scale, limits="margin"),
        facts_of(
            quantity=quantity,
            readings=files,
            device=lot.only_device,
            step=step,
            reference=reference,
            margin=margin,
        ),
        into=into,
        name=f"bias-{quantity}",
    )
    raise typer.Exit(0 if sheet.says_yes else EXIT_NO)


@lot_app.command(
    epilog=example("slotproof lot linearity study.csv --margin 0.1 --unit degC")
)
def linearity(
    file: Annotated[
        Path, typer.Argument(metavar="CSV", help="columns: reference, value")
    ],
    *,
    margin: MarginOption,
    unit: Annotated[
        str, typer.Option(metavar="UNIT", help="unit of the values, for the table")
    ] = "",
    into: FolderOption = None,
) -> None:
    """Readings of several known values: is the bias small over the range? Then code 0."""
    from harness.lots.csv_rows import read_known  # noqa: PLC0415
    from harness.lots.tables.gauges import linearity_sheet  # noqa: PLC0415
    from harness.quality.gauges.reference_study import linearity_study  # noqa: PLC0415

    found = linearity_study(read_known(file), margin=margin)
    sheet = linearity_sheet(found, unit=unit)
    leave(
        sheet,
        {},
        facts_of(study=file, margin=margin, unit=unit),
        into=into,
        name=f"linearity-{file.stem}",
    )
    raise typer.Exit(0 if sheet.says_yes else EXIT_NO)


@lot_app.command(
    epilog=example(
        "slotproof lot stability results/golden --quantity temperature \\",
        "    --subgroup 5",
    )
)
def stability(
    files: FilesArgument,
    *,
    quantity: QuantityOption,
    subgroup: Annotated[
        int,
        typer.Option(metavar="N", help="readings of a session; 1: single values"),
    ] = 5,
    baseline: Annotated[
        int,
        typer.Option(metavar="N", min=2, help="control limits come from the first N"),
    ] = 25,
    step: StepOption = "",
    into: FolderOption = None,
) -> None:
    """Readings of one unit over weeks: does the gauge stay the same?

    Exit code 1 if more than chance speaks against it.
    """
    from harness.lots.notes import exclusion_notes  # noqa: PLC0415
    from harness.lots.tables.charts import chart_sheet  # noqa: PLC0415
    from harness.quality.charts.kinds import ChartKind, ChartPlan, panels  # noqa: PLC0415
    from harness.quality.moments import lag_one  # noqa: PLC0415
    from harness.results.plots.charts import chart_figures  # noqa: PLC0415
    from harness.results.plots.lots import Scale  # noqa: PLC0415

    (lot,) = read_lots(
        {"known unit": files}, quantity=quantity, step=step, leave_out=None
    )
    values = lot.readings_of(lot.only_device)
    kind = ChartKind.XBAR_R if subgroup > 1 else ChartKind.INDIVIDUALS
    plan = ChartPlan(kind=kind, baseline=baseline, subgroup=max(2, subgroup))
    found = panels(values, plan)
    sheet = chart_sheet(
        found,
        quantity=quantity,
        unit=lot.unit,
        baseline=min(baseline, len(values)),
        neighbours=lag_one(values[:baseline]),
    ).noting(*exclusion_notes((lot,)))
    leave(
        sheet,
        chart_figures(found, Scale(quantity=quantity, unit=lot.unit)),
        facts_of(
            quantity=quantity,
            readings=files,
            device=lot.only_device,
            step=step,
            subgroup=subgroup,
            baseline=baseline,
        ),
        into=into,
        name=f"stability-{quantity}",
    )
    raise typer.Exit(0 if sheet.says_yes else EXIT_NO)
