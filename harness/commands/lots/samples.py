"""`slotproof lot sample`, `need` and `claim`: how many to test, what may be said."""

from __future__ import annotations

from typing import Annotated

import typer

from harness.commands.base import example
from harness.commands.lots.numbers import number
from harness.commands.lots.output import facts_of, leave
from harness.commands.lots.values import EXIT_NO, FolderOption, lot_app
from harness.errors import UsageError


@lot_app.command(epilog=example("slotproof lot sample --size 2000 --aql 0.65"))
def sample(
    *,
    size: Annotated[int, typer.Option(metavar="N", help="units in the lot")],
    aql: Annotated[
        float | None,
        typer.Option(
            parser=number,
            metavar="PERCENT",
            help="acceptance quality limit, bad units per hundred (above 10: "
            "nonconformities per hundred units)",
        ),
    ] = None,
    limit: Annotated[
        float | None,
        typer.Option(
            parser=number,
            metavar="PERCENT",
            help="instead of --aql: accept on 0 bad units only (c = 0), for this "
            "limiting quality",
        ),
    ] = None,
    accept_zero: Annotated[
        bool,
        typer.Option(
            "--accept-zero",
            help="with --aql: the plan with c = 0 that has the same 10 % point",
        ),
    ] = False,
    confidence: Annotated[
        float,
        typer.Option(
            parser=number,
            metavar="SHARE",
            help="chance to reject a lot of the limiting quality",
        ),
    ] = 0.9,
    level: Annotated[
        str,
        typer.Option(metavar="LEVEL", help="inspection level I, II or III, S-1 to S-4"),
    ] = "II",
    standard: Annotated[
        str,
        typer.Option(
            metavar="NAME",
            help="iso-2859-1 or mil-std-105e; they differ in reduced inspection",
        ),
    ] = "iso-2859-1",
    severity: Annotated[
        str, typer.Option(metavar="KIND", help="normal, tightened or reduced")
    ] = "normal",
    tested: Annotated[
        int | None,
        typer.Option(metavar="N", help="afterwards: units tested, for the verdict"),
    ] = None,
    bad: Annotated[
        int | None, typer.Option(metavar="N", help="afterwards: bad units among them")
    ] = None,
    into: FolderOption = None,
) -> None:
    """How many units of a lot to test, and after the test the verdict on the lot."""
    from harness.lots.tables.sampling import sampling_sheet  # noqa: PLC0415
    from harness.quality.sampling import verdict as sampling  # noqa: PLC0415
    from harness.results.plots.lots import Figures, oc_figures  # noqa: PLC0415

    if (tested is None) != (bad is None):
        raise UsageError("--tested and --bad go together")
    if (aql is None) == (limit is None):
        raise UsageError("give either --aql or --limit")
    plan = None
    if aql is not None:
        plan = sampling.plan_for_lot(
            lot_size=size,
            aql=aql,
            level=level,
            severity=sampling.severity_of(severity),
            standard=sampling.standard_of(standard),
        )
        if accept_zero:
            limit = 100 * sampling.fraction_accepted_at(plan, 0.1)
    if plan is None or accept_zero:
        assert limit is not None
        plan = sampling.zero_acceptance_plan(
            lot_size=size, limit=limit, confidence=confidence
        )
    sheet = sampling_sheet(plan, tested=tested, bad=bad)
    figures: Figures = {}
    if not plan.tests_everything:
        figures = oc_figures(
            sampling.curve(plan),
            marks={
                **({f"AQL {aql:g} %": aql / 100} if aql is not None else {}),
                "accepted one time in ten": sampling.fraction_accepted_at(plan, 0.1),
            },
            title=f"draw {plan.size}, accept up to {plan.accept}, "
            f"reject from {plan.reject}",
        )
    leave(
        sheet,
        figures,
        facts_of(
            size=size,
            aql=aql,
            limiting_quality=limit,
            accept_zero="yes" if accept_zero else "",
            level=level if aql is not None else "",
            severity=severity if aql is not None else "",
            standard=standard if aql is not None else "",
            confidence=confidence if limit is not None else None,
            tested=tested,
            bad=bad,
        ),
        into=into,
        name=f"sample-{size}",
    )
    raise typer.Exit(0 if tested is None or sheet.says_yes else EXIT_NO)


@lot_app.command(epilog=example("slotproof lot need --margin 0.1 --deviation 0.12"))
def need(
    *,
    margin: Annotated[
        float,
        typer.Option(
            parser=number,
            metavar="NUMBER",
            help="difference of means that does not matter",
        ),
    ],
    deviation: Annotated[
        float,
        typer.Option(
            parser=number,
            metavar="NUMBER",
            help="standard deviation of a lot, from earlier ones",
        ),
    ],
    power: Annotated[
        float,
        typer.Option(
            parser=number,
            metavar="SHARE",
            help="chance that equal lots are called equal",
        ),
    ] = 0.9,
    into: FolderOption = None,
) -> None:
    """How many units of each lot a comparison needs, before any is measured."""
    from harness.lots.tables.before import need_sheet  # noqa: PLC0415

    sheet = need_sheet(margin=margin, deviation=deviation, power=power)
    facts = facts_of(margin=margin, deviation=deviation, power=power)
    leave(sheet, {}, facts, into=into, name="need")


@lot_app.command(
    epilog=example(
        "slotproof lot claim --rate 1e-6 --allow 1",
        "slotproof lot claim --trials 28800 --errors 0",
    )
)
def claim(
    *,
    rate: Annotated[
        float | None,
        typer.Option(
            parser=number,
            metavar="RATE",
            help="errors a trial to be claimed, such as 1e-6",
        ),
    ] = None,
    allow: Annotated[
        int, typer.Option(metavar="N", min=0, help="errors that may come meanwhile")
    ] = 0,
    trials: Annotated[
        int | None,
        typer.Option(metavar="N", help="trials that were made (bits, readings, units)"),
    ] = None,
    errors: Annotated[
        int, typer.Option(metavar="N", min=0, help="errors among them")
    ] = 0,
    confidence: Annotated[
        float,
        typer.Option(
            parser=number, metavar="SHARE", help="how sure the claim shall be"
        ),
    ] = 0.95,
    into: FolderOption = None,
) -> None:
    """How long to run for a claim on an error rate, or what may be claimed after."""
    from harness.lots.tables.before import claim_plan_sheet, claim_sheet  # noqa: PLC0415

    if trials is not None:
        sheet = claim_sheet(
            rate=rate, trials=trials, errors=errors, confidence=confidence
        )
    elif rate is not None:
        sheet = claim_plan_sheet(rate=rate, allow=allow, confidence=confidence)
    else:
        raise UsageError(
            "nothing is asked", hint="give --rate before a run, --trials after it"
        )
    facts = facts_of(
        rate=rate, allow=allow, trials=trials, errors=errors, confidence=confidence
    )
    leave(sheet, {}, facts, into=into, name="claim")
    if trials is not None and rate is not None:
        raise typer.Exit(0 if sheet.says_yes else EXIT_NO)
