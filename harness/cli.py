"""The command line: reads arguments, calls the rooms, decides nothing.

Exit codes: 0 passed, 1 something failed, 2 bad command line or files, 3 the
harness or adapter could not tell, 130 ended by Ctrl-C. Imports stand inside the
commands, so that `--help` stays quick.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, NoReturn
from urllib.parse import quote

import typer

from harness.errors import AdapterError, SlotproofError, UsageError

if TYPE_CHECKING:
    from rich.console import Console

    from harness.families.hazard import Hazard
    from harness.plans.gate import HazardUse
    from harness.plans.schema import Fixture, Plan
    from harness.results.record import RunRecord

EXIT_USAGE = 2
EXIT_COULD_NOT_TELL = 3
EXIT_INTERRUPTED = 130

app = typer.Typer(
    name="slotproof",
    help="Prove single-wire devices and buses with a plain USB-to-serial adapter.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)

FixtureOption = Annotated[
    Path,
    typer.Option(
        "--fixture",
        "-f",
        metavar="FILE",
        help="fixture file (YAML): adapter, line, sockets",
    ),
]


def _example(*commands: str) -> str:
    """The end of a command's help; the mark in front keeps its lines as they are."""
    return "\n".join(["\b", "Example:", *(f"  {command}" for command in commands)])


def _console(*, error: bool = False) -> Console:
    from rich.console import Console  # noqa: PLC0415

    return Console(stderr=error, highlight=False, soft_wrap=error)


@app.command(
    epilog=_example(
        "slotproof run test_plans/incoming_thermometers.yaml \\",
        "    --fixture fixtures/demo_bench.yaml --set high_degc=7",
    )
)
def run(
    plan: Annotated[Path, typer.Argument(metavar="PLAN", help="test plan (YAML)")],
    fixture: FixtureOption,
    *,
    set_: Annotated[
        list[str] | None,
        typer.Option(
            "--set",
            metavar="NAME=VALUE",
            help="parameter of the plan; repeatable",
        ),
    ] = None,
    allow: Annotated[
        list[str] | None,
        typer.Option(
            metavar="HAZARD",
            help="hazard that the plan names and you allow, such as memory-wear; "
            "repeatable (`slotproof check PLAN` lists them)",
        ),
    ] = None,
    into: Annotated[
        Path | None,
        typer.Option(
            metavar="FOLDER",
            help="results folder; default is a fresh one under ./results",
        ),
    ] = None,
    case_properties: Annotated[
        bool,
        typer.Option(
            "--case-properties",
            help="also write measured values as properties of each JUnit case "
            "(readers that insist on the strict schema refuse that)",
        ),
    ] = False,
) -> None:
    """Run a test plan on a fixture; leaves junit.xml and journal.jsonl."""
    from harness.plans.gate import parse_allowed, require_allowed  # noqa: PLC0415
    from harness.plans.loading import check_together, load_fixture, load_plan  # noqa: PLC0415
    from harness.plans.loading_problems import PlanError  # noqa: PLC0415

    allowed = parse_allowed(allow or [])
    loaded_plan, loaded_fixture = _load_both(
        lambda: load_plan(plan, _parameters(set_ or [])),
        lambda: load_fixture(fixture),
    )
    problems = check_together(loaded_plan, loaded_fixture)
    if problems:
        raise PlanError(problems)
    # before the port is opened: nothing is sent for a plan that must not run
    require_allowed(loaded_plan, loaded_fixture, allowed)
    raise typer.Exit(
        _run(
            loaded_plan,
            loaded_fixture,
            into,
            allowed=allowed,
            case_properties=case_properties,
        )
    )


def _load_both(*loads: Any) -> list[Any]:  # noqa: ANN401 - a plan and a fixture
    """Load each; the mistakes of all of them in one error."""
    from harness.plans.loading_problems import PlanError, Problem  # noqa: PLC0415

    loaded: list[Any] = []
    problems: list[Problem] = []
    for load in loads:
        try:
            loaded.append(load())
        except PlanError as error:
            problems += error.problems
    if problems:
        raise PlanError(problems)
    return loaded


def _parameters(assignments: list[str]) -> dict[str, str]:
    values = {}
    for assignment in assignments:
        name, sign, value = assignment.partition("=")
        if not sign or not name:
            raise UsageError(
                f"--set takes name=value, got {assignment!r}",
                hint="for example --set high_degc=6.5",
            )
        values[name] = value
    return values


def _fresh_folder(plan: Plan) -> Path:
    from harness.clock import SystemClock  # noqa: PLC0415
    from harness.results.junit import slug  # noqa: PLC0415

    stamp = SystemClock().calendar().strftime("%Y%m%d-%H%M%S")
    base = Path("results") / f"{stamp}-{slug(plan.title)}"
    folder, number = base, 1
    while folder.exists():
        number += 1
        folder = base.with_name(f"{base.name}-{number}")
    return folder


def _run(
    plan: Plan,
    fixture: Fixture,
    into: Path | None,
    *,
    allowed: frozenset[Hazard],
    case_properties: bool,
) -> int:
    from harness.plans.connection import connect  # noqa: PLC0415
    from harness.plans.runner import Runner  # noqa: PLC0415
    from harness.results.journal import Journal  # noqa: PLC0415
    from harness.results.report import rebuild  # noqa: PLC0415
    from harness.terminal import ConsoleOperator, ProgressView  # noqa: PLC0415

    console = _console()
    operator = ConsoleOperator(console)
    # the port comes first: with none there is no run, and no folder is left behind
    with connect(fixture) as bus:
        folder = into or _fresh_folder(plan)
        with Journal.create(folder, bus.clock) as journal:
            view = ProgressView(console, bus.clock)
            operator.view = view
            runner = Runner(
                plan=plan,
                fixture=fixture,
                bus=bus,
                journal=journal,
                operator=operator,
                listener=view.hear,
                allowed=allowed,
            )
            with view:
                code = runner.run()
    record = rebuild(journal.path, folder, case_properties=case_properties)
    _show(record, console)
    console.print(f"results: {folder}", markup=False)
    return code


def _show(record: RunRecord, console: Console) -> None:
    from harness.results.table import (  # noqa: PLC0415
        plain_lines,
        verdict_table,
    )

    if console.is_terminal:
        console.print(verdict_table(record))
    else:
        for line in plain_lines(record):
            typer.echo(line)


@app.command(
    epilog=_example("slotproof check test_plans/*.yaml fixtures/demo_bench.yaml")
)
def check(
    files: Annotated[
        list[Path], typer.Argument(metavar="FILE", help="plan and fixture files")
    ],
) -> None:
    """Check plan and fixture files without any hardware.

    With one fixture among the files, plans are also checked against it. What a plan
    does that can hurt is listed with its cautions.
    """
    from harness.plans.gate import require_named  # noqa: PLC0415
    from harness.plans.loading import (  # noqa: PLC0415
        check_together,
        load_fixture,
        load_plan,
        which,
    )
    from harness.plans.loading_problems import PlanError, Problem  # noqa: PLC0415

    problems: list[Problem] = []
    plans, fixtures = [], []
    for path in files:
        try:
            if which(path) == "plan":
                plans.append(load_plan(path))
            else:
                fixtures.append(load_fixture(path))
        except PlanError as error:
            problems += error.problems
    if len(fixtures) == 1:
        for plan in plans:
            problems += check_together(plan, fixtures[0])
    if problems:
        raise PlanError(problems)
    fixture = fixtures[0] if len(fixtures) == 1 else None
    uses = {plan.source.name: require_named(plan, fixture) for plan in plans}
    for kind, loaded in (("plan", plans), ("fixture", fixtures)):
        for item in loaded:
            typer.echo(f"{item.source.name}: {kind} {item.title!r} is in order")
            _show_hazards(uses.get(item.source.name, []))


def _show_hazards(uses: list[HazardUse]) -> None:
    for use in uses:
        typer.echo(f"    line {use.item.line}: {use.what} can hurt")
        for hazard in sorted(use.hazards):
            typer.echo(f"        {hazard}: {hazard.caution}")
    if uses:
        from harness.families.hazard import ALWAYS  # noqa: PLC0415

        names = sorted({hazard for use in uses for hazard in use.hazards})
        typer.echo(f"    to run: {' '.join(f'--allow {name}' for name in names)}")
        for caution in ALWAYS:
            typer.echo(f"    {caution}")


@app.command(epilog=_example("slotproof schema plan > plan.schema.json"))
def schema(
    kind: Annotated[str, typer.Argument(metavar="KIND", help="plan or fixture")],
) -> None:
    """Print the JSON Schema of a file kind, for completion in an editor."""
    import json  # noqa: PLC0415

    from harness.plans.schema import MODELS, json_schema  # noqa: PLC0415

    for known in MODELS:
        if kind == known:
            typer.echo(json.dumps(json_schema(known), indent=2))
            return
    raise UsageError(f"{kind!r} is no file kind", hint="use plan or fixture")


@app.command(epilog=_example("slotproof ports"))
def ports() -> None:
    """List adapters with a stable name to put into a fixture."""
    from harness.driver.port import list_adapters  # noqa: PLC0415

    adapters = list_adapters()
    if not adapters:
        typer.echo(
            "no adapter found -> plug one in; sim:// in a fixture needs none",
        )
    for adapter in adapters:
        typer.echo(f"{adapter.device}")
        typer.echo(f"    port: {adapter.stable_port}")
        typer.echo(f"    kind: {adapter.kind}")
        typer.echo(f"    about: {adapter.description}")


@app.command(epilog=_example("slotproof bench fixtures/demo_bench.yaml --tty"))
def bench(
    fixture: Annotated[
        Path,
        typer.Argument(metavar="FIXTURE", help="fixture with a simulation section"),
    ],
    tty: Annotated[
        bool, typer.Option("--tty", help="serve the bench behind a real tty")
    ] = False,
    rfc2217: Annotated[
        int | None,
        typer.Option(
            metavar="PORT",
            min=0,
            max=65_535,
            help="serve the bench by RFC 2217 on this loopback port (0 picks one)",
        ),
    ] = None,
) -> None:
    """Serve a simulated bench in real time, until Ctrl-C."""
    from harness.plans.loading import load_fixture  # noqa: PLC0415

    loaded = load_fixture(fixture)
    if tty == (rfc2217 is not None):
        raise UsageError("say how to serve: --tty or --rfc2217 PORT, one of them")
    if loaded.simulation is None:
        raise UsageError("this fixture has no simulation section", where=str(fixture))
    from harness.errors import PortBusy  # noqa: PLC0415
    from harness.simulation.addresses import benches  # noqa: PLC0415

    served = benches.at(f"sim://{quote(loaded.path)}")
    if tty:
        from harness.simulation.tty import serve_tty  # noqa: PLC0415

        serve_tty(served, announce=_announce, report=_report_late)
        return
    from harness.simulation.rfc2217 import serve_rfc2217  # noqa: PLC0415

    try:
        serve_rfc2217(
            served, port=rfc2217 or 0, announce=_announce, report=_report_late
        )
    except OSError as cause:
        raise PortBusy(
            f"the bench cannot be served there ({cause.strerror})",
            where=f"port {rfc2217}",
            hint="take another port; 0 picks a free one",
        ) from cause


def _announce(address: str) -> None:
    typer.echo(f"port: {address}")


def _report_late(sentence: str) -> None:
    typer.echo(f"slotproof: {sentence}", err=True)


@app.command(
    epilog=_example("slotproof report results/20260301-081500-incoming/journal.jsonl")
)
def report(
    journal: Annotated[
        Path, typer.Argument(metavar="JOURNAL", help="journal.jsonl of a run")
    ],
    into: Annotated[
        Path | None,
        typer.Option(
            metavar="FOLDER",
            help="folder for the reports; default is the journal's own",
        ),
    ] = None,
    case_properties: Annotated[
        bool,
        typer.Option(
            "--case-properties", help="also write values as properties of each case"
        ),
    ] = False,
) -> None:
    """Rebuild the reports of a run from its journal alone.

    An interrupted run is marked as an error at the step in which it ended. The
    exit code is the run's own.
    """
    from harness.results.report import rebuild  # noqa: PLC0415

    record = rebuild(journal, into or journal.parent, case_properties=case_properties)
    _show(record, _console())
    raise typer.Exit(record.exit_code)


def _fail(error: SlotproofError) -> int:
    from harness.plans.loading_problems import PlanError  # noqa: PLC0415

    lines = (
        [str(problem) for problem in error.problems]
        if isinstance(error, PlanError)
        else [str(error)]
    )
    for line in lines:
        typer.echo(f"slotproof: {line}", err=True)
    return EXIT_COULD_NOT_TELL if isinstance(error, AdapterError) else EXIT_USAGE


def main() -> NoReturn:
    """Entry point; every error of ours becomes a message and an exit code."""
    try:
        app()
        code = 0
    except SlotproofError as error:
        code = _fail(error)
    except KeyboardInterrupt:
        typer.echo("slotproof: ended by the operator", err=True)
        code = EXIT_INTERRUPTED
    except BrokenPipeError:
        # the reader of our output is gone; nothing more can be said to it
        code = 1
    sys.exit(code)
