"""`slotproof lot compare` and `capability`: values of whole lots."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from harness.commands.base import app, example
from harness.commands.lots.numbers import number
from harness.commands.lots.output import facts_of, leave
from harness.errors import UsageError
from harness.old_names import current_name

if TYPE_CHECKING:
    from harness.lots.lot import Lot

lot_app = typer.Typer(
    name="lot",
    help="Judge lots, samples and the fixture itself by statistics.",
    no_args_is_help=True,
    rich_markup_mode=None,
)
app.add_typer(lot_app)

EXIT_NO = 1
"""The answer is no, or not yet."""

SOURCES = "journal, results folder (every journal in it) or CSV file"

FilesArgument = Annotated[
    list[Path], typer.Argument(metavar="FILE...", help=f"{SOURCES}")
]
QuantityOption = Annotated[
    str,
    typer.Option(
        "--quantity", "-q", metavar="NAME", help="measured value", callback=current_name
    ),
]
StepOption = Annotated[
    str,
    typer.Option(
        metavar="STEP", help="title or number of the step, if several measured it"
    ),
]
LowOption = Annotated[
    float | None,
    typer.Option(
        "--low",
        parser=number,
        metavar="NUMBER",
        help="lower limit; default the journal's",
    ),
]
HighOption = Annotated[
    float | None,
    typer.Option(
        "--high",
        parser=number,
        metavar="NUMBER",
        help="upper limit; default the journal's",
    ),
]
ConfidenceOption = Annotated[
    float,
    typer.Option(parser=number, metavar="SHARE", help="how sure a proof shall be"),
]
LeaveOutOption = Annotated[
    list[str] | None,
    typer.Option(metavar="DEVICE", help="device that does not count; repeatable"),
]
FolderOption = Annotated[
    Path | None,
    typer.Option(
        "--into",
        metavar="FOLDER",
        help="new folder for page, table and pictures; default a dated one in results",
    ),
]


def read_lots(
    sources: dict[str, list[Path]],
    *,
    quantity: str,
    step: str,
    leave_out: list[str] | None,
) -> list[Lot]:
    """Each named lot, without the devices that do not count.

    Raises:
        UsageError: see ``read_lot``; or a device to leave out is in none of them, for
            a misspelt one must not go unnoticed.
    """
    from harness.lots.readings import read_lot  # noqa: PLC0415

    lots = [
        read_lot(files, quantity=quantity, name=name, step=step)
        for name, files in sources.items()
    ]
    gone = set(leave_out or ())
    if unknown := sorted(gone.difference(*(lot.values for lot in lots))):
        raise UsageError(
            f"no lot has a device {unknown[0]!r} to leave out",
            hint="use the name as the table or the journal has it",
        )
    return [lot.without(gone.intersection(lot.values)) for lot in lots]


@lot_app.command(
    epilog=example(
        "slotproof lot compare --quantity temperature --margin 0.1 \\",
        "    --baseline results/march --candidate results/april",
    )
)
def compare(
    *,
    baseline: Annotated[
        list[Path],
        typer.Option(
            "--baseline",
            metavar="FILE",
            help=f"old lot: {SOURCES}; repeatable",
        ),
    ],
    candidate: Annotated[
        list[Path],
        typer.Option("--candidate", metavar="FILE", help="new lot, in the same way"),
    ],
    quantity: QuantityOption,
    margin: Annotated[
        float,
        typer.Option(
            parser=number,
            metavar="NUMBER",
            help="largest difference of the means that does not matter, fixed "
            "beforehand from the specification",
        ),
    ],
    spread_margin: Annotated[
        float | None,
        typer.Option(
            parser=number,
            metavar="RATIO",
            help="the new spread must be proved below so many times the old one",
        ),
    ] = None,
    low: LowOption = None,
    high: HighOption = None,
    confidence: ConfidenceOption = 0.95,
    step: StepOption = "",
    leave_out: LeaveOutOption = None,
    into: FolderOption = None,
) -> None:
    """Is a new lot as good as the old one? Exit code 0 if all that is judged is shown.

    The mean is judged by --margin, the spread by --spread-margin only, each unit by
    the limits if there are any. The answer names what was not judged.
    """
    from harness.lots.judgement import compare as compare_lots  # noqa: PLC0415
    from harness.lots.notes import exclusion_notes  # noqa: PLC0415
    from harness.lots.tables.values import comparison_sheet  # noqa: PLC0415
    from harness.quality.moments import require_fraction  # noqa: PLC0415
    from harness.results.plots.lots import Scale, lot_figures  # noqa: PLC0415

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
        alpha=1 - require_fraction(confidence, what="the confidence"),
    )
    scale = Scale(quantity=quantity, unit=new.unit, low=chosen[0], high=chosen[1])
    sheet = comparison_sheet(found).noting(*exclusion_notes((old, new)))
    leave(
        sheet,
        lot_figures({lot.name: lot.numbers for lot in (old, new)}, scale),
        facts_of(
            quantity=quantity,
            baseline=baseline,
            candidate=candidate,
            step=step,
            margin=margin,
            spread_margin=spread_margin,
            confidence=confidence,
            low=chosen[0],
            high=chosen[1],
            left_out=leave_out,
        ),
        into=into,
        name=f"compare-{quantity}",
    )
    raise typer.Exit(0 if sheet.says_yes else EXIT_NO)


@lot_app.command(
    epilog=example(
        "slotproof lot capability results/april --quantity temperature \\",
        "    --low 24.5 --high 25.5 --uncertainty 0.05",
    )
)
def capability(
    files: FilesArgument,
    *,
    quantity: QuantityOption,
    low: LowOption = None,
    high: HighOption = None,
    target: Annotated[
        float | None,
        typer.Option(parser=number, metavar="NUMBER", help="wanted value, for Ppm"),
    ] = None,
    wanted: Annotated[
        float,
        typer.Option(parser=number, metavar="INDEX", help="Ppk that must be proved"),
    ] = 1.33,
    coverage: Annotated[
        float,
        typer.Option(
            parser=number, metavar="SHARE", help="share inside the tolerance interval"
        ),
    ] = 0.95,
    side: Annotated[
        str,
        typer.Option(
            metavar="SIDE", help="of the tolerance interval: both, below or above"
        ),
    ] = "both",
    history: Annotated[
        list[Path] | None,
        typer.Option(
            metavar="FILE",
            help="earlier lot of the same process, which states the shape: file or "
            "folder, a lot each; repeatable",
        ),
    ] = None,
    confidence: ConfidenceOption = 0.95,
    uncertainty: Annotated[
        float,
        typer.Option(
            parser=number,
            metavar="NUMBER",
            help="expanded uncertainty (k = 2), for guarded limits",
        ),
    ] = 0.0,
    in_order: Annotated[
        bool,
        typer.Option(
            "--in-order", help="units came in the order of making: also give Cp, Cpk"
        ),
    ] = False,
    step: StepOption = "",
    leave_out: LeaveOutOption = None,
    into: FolderOption = None,
) -> None:
    """How does a lot sit between its limits? Exit code 0 if Ppk is proved.

    A proof holds for every shape of distribution and takes 2,296 units at 95 %, or it
    takes its shape from 2,809 values or more of earlier lots (--history).
    """
    from harness.lots.judgement import summary  # noqa: PLC0415
    from harness.lots.lot import require_comparable  # noqa: PLC0415
    from harness.lots.notes import exclusion_notes, held_to_readings  # noqa: PLC0415
    from harness.lots.tables import capability as capability_table  # noqa: PLC0415
    from harness.quality.capability import capability as capability_of  # noqa: PLC0415
    from harness.quality.guard import guarded_limits  # noqa: PLC0415
    from harness.quality.proofs.capability import prove_index  # noqa: PLC0415
    from harness.quality.proofs.history import history_of  # noqa: PLC0415
    from harness.results.plots.lots import Scale, lot_figures  # noqa: PLC0415

    lot, *earlier = read_lots(
        {"lot": files, **{f"history {path}": [path] for path in history or ()}},
        quantity=quantity,
        step=step,
        leave_out=leave_out,
    )
    for old in earlier:
        require_comparable(old, lot)
    low, high = lot.chosen_limits(low, high)
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
    sheet = capability_table.capability_sheet(
        summary(lot, low=low, high=high),
        found,
        proof,
        guarded,
        wanted=wanted,
        inside=capability_table.ShareInside(coverage=coverage, side=side),
    ).noting(*exclusion_notes((lot,)))
    sheet = held_to_readings(sheet, lot, low=low, high=high)
    scale = Scale(
        quantity=quantity,
        unit=lot.unit,
        low=low,
        high=high,
        guard=guarded.guard if guarded else 0.0,
    )
    leave(
        sheet,
        lot_figures({lot.name: lot.numbers}, scale),
        facts_of(
            quantity=quantity,
            lot=files,
            step=step,
            low=low,
            high=high,
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
    )
    raise typer.Exit(0 if sheet.says_yes else EXIT_NO)
