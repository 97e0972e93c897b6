"""`slotproof lot compare` and `capability`: values of whole lots."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from harness.commands.declared.style import OutputStyle
from harness.commands.lots.output import facts_of, leave
from harness.errors import UsageError
from harness.lots.conditions import conditions_of
from harness.lots.judgement import compare as compare_lots
from harness.lots.judgement import summary
from harness.lots.lot import Limits, Lot, require_comparable
from harness.lots.notes import exclusion_notes, held_to_readings
from harness.lots.readings import read_lot
from harness.lots.report_table import LotReport
from harness.lots.tables import capability as capability_table
from harness.lots.tables.conditions import (
    conditions_report,
    lacking_notes,
    reach_of,
    worst_of,
)
from harness.lots.tables.values import comparison_report
from harness.quality.capability import capability as capability_of
from harness.quality.guard import guarded_limits
from harness.quality.moments import require_fraction
from harness.quality.proofs.capability import prove_index
from harness.quality.proofs.history import history_of
from harness.results.plots.lots import Figures, Scale, lot_figures

EXIT_NO = 1
"""The answer is no, or not yet."""

SOURCES = "journal, results folder (every journal in it) or CSV file"


def read_lots(
    sources: Mapping[str, Sequence[Path]],
    *,
    quantity: str,
    step: str,
    leave_out: Sequence[str] = (),
) -> list[Lot]:
    """Each named lot, without the devices that do not count.

    Raises:
        UsageError: see ``read_lot``; or a device to leave out is in none of them, for
            a misspelt one must not go unnoticed.
    """
    lots = [
        read_lot(files, quantity=quantity, name=name, step=step)
        for name, files in sources.items()
    ]
    gone = set(leave_out)
    if unknown := sorted(gone.difference(*(lot.values for lot in lots))):
        raise UsageError(
            f"no lot has a device {unknown[0]!r} to leave out",
            hint="use the name as the table or the journal has it",
        )
    return [lot.without(gone.intersection(lot.values)) for lot in lots]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Answer:
    """What is said of lots under one condition, or under all.

    Attributes:
        report: the answer.
        figures: its pictures.
        limits: that the values were held against; none where they differ.
        badness: how near to a no; higher is worse.
        devices: that have a value.
    """

    report: LotReport
    figures: Figures
    limits: Limits
    badness: float
    devices: frozenset[str]


def _answered(
    at: Callable[[str], _Answer],
    paths: Sequence[Path],
    *,
    quantity: str,
    step: str,
    apart: bool,
    measure: str,
) -> _Answer:
    """The answer for a step, or with ``apart`` for each of its conditions and the worst.

    The pictures are those of the worst.
    """
    if not apart:
        return at(step)
    titles = conditions_of(paths, quantity=quantity, step=step)
    found = {condition: at(title) for condition, title in titles.items()}
    devices = {condition: each.devices for condition, each in found.items()}
    lacking = lacking_notes(devices)
    reports = {c: each.report.noting(*lacking[c]) for c, each in found.items()}
    badness = {condition: each.badness for condition, each in found.items()}
    limits = {each.limits for each in found.values()}
    return replace(
        found[worst_of(reports, badness)],
        report=conditions_report(reports, badness, measure=measure),
        limits=limits.pop() if len(limits) == 1 else (None, None),
    )


def compare(
    *,
    baseline: tuple[Path, ...],
    candidate: tuple[Path, ...],
    quantity: str,
    margin: float,
    spread_margin: float | None,
    low: float | None,
    high: float | None,
    confidence: float,
    step: str,
    by_condition: bool,
    leave_out: tuple[str, ...],
    into: Path | None,
    style: OutputStyle,
) -> int:
    """Is a new lot as good as the old one? Exit code 0 if all that is judged is shown."""
    alpha = 1 - require_fraction(confidence, what="the confidence")

    def at(step: str) -> _Answer:
        old, new = read_lots(
            {"baseline": baseline, "candidate": candidate},
            quantity=quantity,
            step=step,
            leave_out=leave_out,
        )
        chosen = new.chosen_limits(low, high)
        found = compare_lots(
            old,
            new,
            margin=margin,
            low=chosen[0],
            high=chosen[1],
            spread_margin=spread_margin,
            alpha=alpha,
        )
        scale = Scale(quantity=quantity, unit=new.unit, low=chosen[0], high=chosen[1])
        report = comparison_report(found).noting(*exclusion_notes((old, new)))
        return _Answer(
            report=report,
            figures=lot_figures({lot.name: lot.numbers for lot in (old, new)}, scale),
            limits=chosen,
            badness=max(abs(found.mean.low), abs(found.mean.high)) / margin,
            devices=frozenset((*old.devices, *new.devices)),
        )

    done = _answered(
        at,
        (*baseline, *candidate),
        quantity=quantity,
        step=step,
        apart=by_condition,
        measure="largest likely difference over the margin",
    )
    return leave(
        done.report,
        done.figures,
        facts_of(
            quantity=quantity,
            baseline=baseline,
            candidate=candidate,
            step=step,
            margin=margin,
            spread_margin=spread_margin,
            confidence=confidence,
            low=done.limits[0],
            high=done.limits[1],
            by_condition="yes" if by_condition else "",
            left_out=leave_out,
        ),
        into=into,
        name=f"compare-{quantity}",
        style=style,
        code=0 if done.report.says_yes else EXIT_NO,
    )


def capability(
    *,
    files: tuple[Path, ...],
    quantity: str,
    low: float | None,
    high: float | None,
    target: float | None,
    wanted: float,
    coverage: float,
    side: str,
    history: tuple[Path, ...],
    confidence: float,
    uncertainty: float,
    in_order: bool,
    step: str,
    by_condition: bool,
    leave_out: tuple[str, ...],
    into: Path | None,
    style: OutputStyle,
) -> int:
    """How does a lot sit between its limits? Exit code 0 if Ppk is proved."""
    asked = (low, high)

    def at(step: str) -> _Answer:
        lot, *earlier = read_lots(
            {"lot": files, **{f"history {path}": [path] for path in history}},
            quantity=quantity,
            step=step,
            leave_out=leave_out,
        )
        for old in earlier:
            require_comparable(old, lot)
        low, high = lot.chosen_limits(*asked)
        found = capability_of(
            lot.numbers,
            low=low,
            high=high,
            target=target,
            in_order=in_order,
            confidence=confidence,
        )
        proof = prove_index(
            lot.numbers,
            low=low,
            high=high,
            history=history_of([old.numbers for old in earlier]) if earlier else None,
            confidence=confidence,
        )
        guarded = None
        if uncertainty:
            guarded = guarded_limits(low=low, high=high, expanded=uncertainty)
        report = capability_table.capability_report(
            summary(lot, low=low, high=high),
            found,
            proof,
            guarded,
            wanted=wanted,
            inside=capability_table.ShareInside(coverage=coverage, side=side),
        ).noting(*exclusion_notes((lot,)))
        report = held_to_readings(report, lot, low=low, high=high)
        scale = Scale(
            quantity=quantity,
            unit=lot.unit,
            low=low,
            high=high,
            guard=guarded.guard if guarded else 0.0,
        )
        return _Answer(
            report=report,
            figures=lot_figures({lot.name: lot.numbers}, scale),
            limits=(low, high),
            badness=reach_of(lot.numbers, low=low, high=high),
            devices=frozenset(lot.devices),
        )

    sources = (*files, *history)
    done = _answered(
        at,
        sources,
        quantity=quantity,
        step=step,
        apart=by_condition,
        measure="3 standard deviations over the nearer limit's distance",
    )
    return leave(
        done.report,
        done.figures,
        facts_of(
            quantity=quantity,
            lot=files,
            step=step,
            by_condition="yes" if by_condition else "",
            low=done.limits[0],
            high=done.limits[1],
            target=target,
            wanted=wanted,
            coverage=coverage,
            side=side,
            history=history,
            confidence=confidence,
            uncertainty=uncertainty or None,
            in_order="yes" if in_order else "",
            left_out=leave_out,
        ),
        into=into,
        name=f"capability-{quantity}",
        style=style,
        code=0 if done.report.says_yes else EXIT_NO,
    )
