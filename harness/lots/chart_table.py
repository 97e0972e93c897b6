"""What `lot chart` says: control limits, signals and a verdict, as a sheet."""

from __future__ import annotations

from collections.abc import Sequence

from harness.lots.sheet import Block, Row, Sheet, Table
from harness.quality.charts import FEW_FOR_LIMITS, ChartLimits, RuleSet, Signal
from harness.records import Outcome
from harness.results.wording import number_text

_TOO_ALIKE = 0.5
"""Neighbours correlated more than this make control limits too narrow (common
practice, no source)."""

_MOST_SIGNALS = 30
"""Signals listed one by one."""


def chart_sheet(
    values: Sequence[float],
    limits: ChartLimits,
    found: Sequence[Signal],
    *,
    rules: RuleSet,
    quantity: str,
    unit: str,
    baseline: int,
    neighbours: float,
) -> Sheet:
    """Limits, signals, verdict."""
    rows: list[Row] = [("reading", f"value, {unit or '-'}", "rule broken")]
    rows += [
        (str(s.place + 1), number_text(values[s.place]), s.rule)
        for s in found[:_MOST_SIGNALS]
    ]
    blocks: list[Block] = [
        (
            f"centre {number_text(limits.centre)}, limits {number_text(limits.low)} .. "
            f"{number_text(limits.high)} {unit}, from the first {baseline} readings; "
            f"rules: {rules}",
        )
    ]
    if found:
        left = len(found) - _MOST_SIGNALS
        more = (f"and {left} more",) if left > 0 else ()
        blocks.append((Table(rows=tuple(rows)), *more))
    state = (
        f"{len(found)} signals: the process changed, or its limits do not fit."
        if found
        else "no signal: nothing speaks against one and the same process."
    )
    if baseline < FEW_FOR_LIMITS:
        state += f" Limits from fewer than {FEW_FOR_LIMITS} readings are rough."
    if neighbours > _TOO_ALIKE:
        state += (
            f" Neighbours are alike (correlation {neighbours:.2f}): readings follow too "
            "fast on each other for these limits."
        )
    return Sheet(
        question=f"Is the process the same all along in {quantity}?",
        answer=f"{len(found)} signals" if found else "no signal",
        outcome=Outcome.FAILED if found else Outcome.PASSED,
        verdict=state,
        blocks=(*blocks, (state,)),
    )
