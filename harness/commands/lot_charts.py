"""`slotproof lot chart`: was the process the same all along?"""

from __future__ import annotations

from typing import Annotated

import typer

from harness.commands.base import example
from harness.commands.lot_output import facts_of, leave
from harness.commands.lots import (
    EXIT_NO,
    FilesArgument,
    FolderOption,
    QuantityOption,
    StepOption,
    lot_app,
    read_lots,
)


@lot_app.command(
    epilog=example("slotproof lot chart results/april --quantity temperature")
)
def chart(
    files: FilesArgument,
    *,
    quantity: QuantityOption,
    device: Annotated[
        str, typer.Option(metavar="DEVICE", help="only this device's readings")
    ] = "",
    baseline: Annotated[
        int,
        typer.Option(
            metavar="N",
            min=2,
            help="control limits come from the first N readings and are then frozen",
        ),
    ] = 25,
    rules: Annotated[
        str,
        typer.Option(metavar="SET", help="run rules: western-electric or nelson"),
    ] = "western-electric",
    step: StepOption = "",
    into: FolderOption = None,
) -> None:
    """Is the process the same all along? Exit code 0 if no run rule is broken."""
    from harness.lots.chart_table import chart_sheet  # noqa: PLC0415
    from harness.lots.notes import exclusion_notes  # noqa: PLC0415
    from harness.quality import charts  # noqa: PLC0415
    from harness.quality.moments import lag_one  # noqa: PLC0415
    from harness.results.lot_pictures import Scale, chart_figures  # noqa: PLC0415

    rule_set = charts.rule_set(rules)
    (lot,) = read_lots({"lot": files}, quantity=quantity, step=step, leave_out=None)
    values = lot.readings_of(device)
    limits = charts.individuals_limits(values[:baseline])
    first = min(baseline, len(values))
    found = charts.signals(values, limits, rules=rule_set)
    sheet = chart_sheet(
        values,
        limits,
        found,
        rules=rule_set,
        quantity=quantity,
        unit=lot.unit,
        baseline=first,
        neighbours=lag_one(values[:baseline]),
    ).noting(*exclusion_notes((lot,)))
    figures = chart_figures(
        values,
        centre=limits.centre,
        sigma=limits.sigma,
        baseline=first,
        signals=sorted({signal.place for signal in found}),
        rules=rule_set,
        scale=Scale(quantity=quantity, unit=lot.unit),
    )
    leave(
        sheet,
        figures,
        facts_of(
            quantity=quantity,
            lot=files,
            device=device,
            step=step,
            baseline=first,
            rules=rule_set,
        ),
        into=into,
        name=f"chart-{quantity}",
    )
    raise typer.Exit(EXIT_NO if found else 0)
