"""`slotproof lot chart`: was the process the same all along?"""

from __future__ import annotations

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
        typer.Option(
            metavar="SET", help="run rules: western-electric, nelson or beyond-limits"
        ),
    ] = "western-electric",
    kind: Annotated[
        str,
        typer.Option(
            metavar="KIND",
            help="individuals (with moving range), xbar-r (means and ranges of "
            "subgroups) or ewma",
        ),
    ] = "individuals",
    subgroup: Annotated[
        int,
        typer.Option(metavar="N", help="xbar-r: readings in a row of a subgroup"),
    ] = 5,
    weight: Annotated[
        float,
        typer.Option(
            parser=number, metavar="SHARE", help="ewma: weight of the newest reading"
        ),
    ] = 0.2,
    step: StepOption = "",
    into: FolderOption = None,
) -> None:
    """Is the process the same all along? Exit code 1 if more than chance speaks against.

    Run rules signal now and then though nothing changes; how often on a chart like this
    one is simulated, and the signals are held against that.
    """
    from harness.lots.notes import exclusion_notes  # noqa: PLC0415
    from harness.lots.tables.charts import chart_sheet  # noqa: PLC0415
    from harness.quality.charts import kinds as chart_kinds  # noqa: PLC0415
    from harness.quality.charts import limits as charts  # noqa: PLC0415
    from harness.quality.moments import lag_one  # noqa: PLC0415
    from harness.results.plots.charts import chart_figures  # noqa: PLC0415
    from harness.results.plots.lots import Scale  # noqa: PLC0415

    plan = chart_kinds.ChartPlan(
        kind=chart_kinds.chart_kind(kind),
        baseline=baseline,
        rules=charts.rule_set(rules),
        subgroup=subgroup,
        weight=weight,
    )
    (lot,) = read_lots({"lot": files}, quantity=quantity, step=step, leave_out=None)
    values = lot.readings_of(device)
    found = chart_kinds.panels(values, plan)
    first = min(baseline, len(values))
    sheet = chart_sheet(
        found,
        quantity=quantity,
        unit=lot.unit,
        baseline=first,
        neighbours=lag_one(values[:baseline]),
    ).noting(*exclusion_notes((lot,)))
    leave(
        sheet,
        chart_figures(found, Scale(quantity=quantity, unit=lot.unit)),
        facts_of(
            quantity=quantity,
            lot=files,
            device=device,
            step=step,
            chart=plan.kind,
            baseline=first,
            subgroup=subgroup if plan.kind is chart_kinds.ChartKind.XBAR_R else None,
            weight=weight if plan.kind is chart_kinds.ChartKind.EWMA else None,
            rules=plan.rules,
        ),
        into=into,
        name=f"chart-{quantity}",
    )
    raise typer.Exit(0 if sheet.says_yes else EXIT_NO)
