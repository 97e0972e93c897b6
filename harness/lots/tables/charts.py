"""What `lot chart` says: control limits, signals and a verdict, as a report."""

from __future__ import annotations

import itertools
from collections.abc import Sequence

from harness.lots.report_table import Block, LotReport, ReportTable, Row
from harness.quality.charts.kinds import Panel
from harness.quality.charts.limits import FEW_FOR_LIMITS, rules_at
from harness.records import Outcome
from harness.results.wording import number_text

_TOO_ALIKE = 0.5
"""Neighbours correlated more than this make control limits too narrow (common
practice, no source)."""

_MOST_SIGNALS = 30
"""Signals listed one by one."""


def chart_report(
    found: Sequence[Panel],
    *,
    quantity: str,
    unit: str,
    baseline: int,
    neighbours: float,
) -> LotReport:
    """Limits, signals, verdict.

    Args:
        found: charts of the same readings.
        quantity: what was measured.
        unit: of the readings.
        baseline: readings that the limits come from.
        neighbours: correlation of neighbours in the baseline.
    """
    changed = [panel for panel in found if panel.judgement.is_more_than_chance]
    answer = "no more signals than chance gives"
    outcome = Outcome.PASSED
    state = (
        f"{_signals(found)}, which is no more than chance gives: nothing speaks against "
        "one and the same process."
    )
    if changed:
        names = " and ".join(panel.name for panel in changed)
        answer, outcome = f"the process changed ({names})", Outcome.FAILED
        state = (
            f"the {names} changed: more signals, or points farther out, than chance gives "
            f"in {100 * changed[0].judgement.alpha:g} % of processes that do not change."
        )
    state += " " + " ".join(f"{panel.name}: {panel.judgement.text}." for panel in found)
    if baseline < FEW_FOR_LIMITS:
        state += f" Limits from fewer than {FEW_FOR_LIMITS} readings are rough."
    if neighbours > _TOO_ALIKE:
        state += (
            f" Neighbours are alike (correlation {neighbours:.2f}), so signals come "
            "oftener; this is allowed for."
        )
    return LotReport(
        question=f"Is the process the same all along in {quantity}?",
        answer=answer,
        outcome=outcome,
        verdict=state,
        blocks=(*(_block(panel, unit) for panel in found), (state,)),
    )


def _signals(found: Sequence[Panel]) -> str:
    count = sum(len(panel.signals) for panel in found)
    return {0: "no signal", 1: "1 signal"}.get(count, f"{count} signals")


def _block(panel: Panel, unit: str) -> Block:
    limits = panel.limits
    said = (
        f"{panel.name}: centre {number_text(limits.centre)}, control limits "
        f"{number_text(limits.low)} .. {number_text(limits.high)} {unit}".rstrip()
        + f", from the first {panel.baseline} points; rules: {panel.rules}"
    )
    if not panel.signals:
        return (said,)
    rows: list[Row] = [("point", f"{panel.name}, {unit or '-'}", "rule broken")]
    for point in itertools.islice(panel.signals, _MOST_SIGNALS):
        broken = rules_at(panel.away, point, rules=panel.rules)
        rows.append(
            (str(point + 1), number_text(panel.points[point]), "; ".join(broken))
        )
    left = len(panel.signals) - _MOST_SIGNALS
    more = (f"and {left} more",) if left > 0 else ()
    return (said, ReportTable(rows=tuple(rows)), *more)
