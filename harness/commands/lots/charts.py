"""`slotproof lot chart` and `stability`: did a process, or a gauge, stay the same?"""

from __future__ import annotations

from pathlib import Path

from harness.commands.declared.style import OutputStyle
from harness.commands.lots.output import facts_of, leave
from harness.commands.lots.values import EXIT_NO, read_lots
from harness.lots.lot import Lot
from harness.lots.notes import exclusion_notes
from harness.lots.tables.charts import chart_report
from harness.quality.charts import kinds as chart_kinds
from harness.quality.charts import limits as charts
from harness.quality.moments import lag_one
from harness.results.plots.charts import chart_figures
from harness.results.plots.lots import Scale


def chart(
    *,
    files: tuple[Path, ...],
    quantity: str,
    device: str,
    baseline: int,
    rules: str,
    kind: str,
    subgroup: int,
    weight: float,
    step: str,
    into: Path | None,
    style: OutputStyle,
) -> int:
    """Is the process the same all along? Exit code 1 if more than chance speaks against."""
    plan = chart_kinds.ChartPlan(
        kind=chart_kinds.chart_kind(kind),
        baseline=baseline,
        rules=charts.rule_set(rules),
        subgroup=subgroup,
        weight=weight,
    )
    (lot,) = read_lots({"lot": files}, quantity=quantity, step=step)
    values = lot.readings_of(device)
    return _leave_chart(
        lot,
        values,
        plan,
        into=into,
        style=style,
        name=f"chart-{quantity}",
        quantity=quantity,
        lot=files,
        device=device,
        step=step,
        chart=plan.kind,
        baseline=min(baseline, len(values)),
        subgroup=subgroup if plan.kind is chart_kinds.ChartKind.XBAR_R else None,
        weight=weight if plan.kind is chart_kinds.ChartKind.EWMA else None,
        rules=plan.rules,
    )


def stability(
    *,
    files: tuple[Path, ...],
    quantity: str,
    subgroup: int,
    baseline: int,
    step: str,
    into: Path | None,
    style: OutputStyle,
) -> int:
    """Readings of one unit over weeks: does the gauge stay the same?"""
    (lot,) = read_lots({"known unit": files}, quantity=quantity, step=step)
    single = chart_kinds.ChartKind.INDIVIDUALS
    plan = chart_kinds.ChartPlan(
        kind=chart_kinds.ChartKind.XBAR_R if subgroup > 1 else single,
        baseline=baseline,
        subgroup=max(2, subgroup),
    )
    return _leave_chart(
        lot,
        lot.readings_of(lot.only_device),
        plan,
        into=into,
        style=style,
        name=f"stability-{quantity}",
        quantity=quantity,
        readings=files,
        device=lot.only_device,
        step=step,
        subgroup=subgroup,
        baseline=baseline,
    )


def _leave_chart(
    measured: Lot,
    values: tuple[float, ...],
    plan: chart_kinds.ChartPlan,
    *,
    into: Path | None,
    style: OutputStyle,
    name: str,
    quantity: str,
    **facts: object,
) -> int:
    """The chart of readings in their order; the exit code."""
    found = chart_kinds.panels(values, plan)
    report = chart_report(
        found,
        quantity=quantity,
        unit=measured.unit,
        baseline=min(plan.baseline, len(values)),
        neighbours=lag_one(values[: plan.baseline]),
    ).noting(*exclusion_notes((measured,)))
    return leave(
        report,
        chart_figures(found, Scale(quantity=quantity, unit=measured.unit)),
        facts_of(quantity=quantity, **facts),
        into=into,
        name=name,
        style=style,
        code=0 if report.says_yes else EXIT_NO,
    )
