"""Devices against conditions: each value with its margin, linked to its step."""

from __future__ import annotations

from collections.abc import Iterator

from harness.digits import number_text
from harness.records import Outcome
from harness.results.reasons import reason_words
from harness.results.record.run import RunRecord
from harness.results.record.steps import BAD_OUTCOMES
from harness.results.reports.matrix import (
    Matrix,
    MatrixCell,
    MatrixRow,
    anchor_of,
    position_between_limits,
)
from harness.results.summary.corners import CornerResult, by_step
from harness.results.wording import one_line

_MOST_COLUMNS = 6
"""Conditions side by side; of more there are several tables, one under the other."""


def corner_matrices(record: RunRecord) -> Iterator[Matrix]:
    """One matrix for each step that runs under several conditions."""
    for title, found in by_step(record).items():
        conditions = list(dict.fromkeys(each.step.condition for each in found))
        values = [each.value for each in found if each.value is not None]
        unit = f", {values[0].unit}" if values and values[0].unit else ""
        named = f"margin of {values[0].name}{unit}" if values else title
        for start in range(0, len(conditions), _MOST_COLUMNS):
            yield _matrix(
                found, one_line(named), conditions[start : start + _MOST_COLUMNS]
            )


def _matrix(found: list[CornerResult], named: str, conditions: list[str]) -> Matrix:
    cells = {(each.result.device, each.step.condition): each for each in found}
    devices = dict.fromkeys(each.result.device for each in found)
    return Matrix(
        family=named,
        columns=tuple((_unbroken(c), "", _limits(found, c)) for c in conditions),
        rows=tuple(
            MatrixRow(
                socket=one_line(device.socket),
                rom_code=one_line(device.rom_code),
                outcome=str(
                    Outcome.worst(
                        [f.result.outcome for f in found if f.result.device == device]
                    )
                ),
                cells=tuple(_cell(cells.get((device, c))) for c in conditions),
            )
            for device in devices
            if device is not None
        ),
    )


def _unbroken(condition: str) -> str:
    """A condition that breaks after a comma only, not between number and unit."""
    parts = one_line(condition).split(", ")
    return ", ".join(part.replace(" ", "\N{NO-BREAK SPACE}") for part in parts)


def _limits(found: list[CornerResult], condition: str) -> str:
    """Limits that all devices share at a condition, in words."""
    limits = {
        (each.value.low, each.value.high)
        for each in found
        if each.step.condition == condition and each.value is not None
    }
    if len(limits) != 1:
        return ""
    low, high = limits.pop()
    return f"{'none' if low is None else f'{low:g}'} .. {'none' if high is None else f'{high:g}'}"


def _cell(found: CornerResult | None) -> MatrixCell:
    if found is None:
        return MatrixCell(text="-")
    anchor = anchor_of(found.step.step)
    m, outcome = found.value, found.result.outcome
    bad = str(outcome).upper() if outcome in BAD_OUTCOMES else ""
    if m is None:
        word = reason_words(one_line(found.result.shown.kind)) or str(outcome)
        return MatrixCell(text=word, mark=bad, anchor=anchor)
    if bad:
        bad = "OUTSIDE" if outcome is Outcome.FAILED and m.margin is not None else bad
    return MatrixCell(
        text="-" if m.margin is None else number_text(m.margin, m.uncertainty),
        mark=bad,
        anchor=anchor,
        position=position_between_limits(m),
    )
