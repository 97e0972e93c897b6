"""`slotproof run`, and what every command that runs a plan needs."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path

from harness.clock import Clock
from harness.commands.base import (
    guesses_named,
    make_console,
    print_json,
    print_lines,
    show_run,
    warn_left_on,
)
from harness.commands.declared.style import OutputStyle
from harness.commands.outputs.runs import RunAnswer
from harness.errors import HostError, SlotproofError, UsageError
from harness.output import say
from harness.plans.execution.connection import LineRecording
from harness.plans.execution.hazard_gate import parse_allowed
from harness.plans.execution.request import RunRequest, require_options
from harness.plans.execution.run import RunResult, execute
from harness.plans.execution.runner import Listener
from harness.plans.execution.tracing.line_estimate import line_sentences
from harness.plans.loading.files import load_both
from harness.plans.loading.parameters import assignments
from harness.plans.records.values import plan_of_unit
from harness.results.journal.reader import FILE_NAME
from harness.results.reports.rebuild import read_record
from harness.results.summary.lines import verdict_line
from harness.results.summary.making import summary_of
from harness.terminal import ConsoleOperator, ProgressView


def run(
    *,
    plan: Path,
    fixture: Path,
    set_: tuple[str, ...],
    unit: tuple[str, ...],
    allow: tuple[str, ...],
    into: Path | None,
    events: Path | None,
    resume: Path | None,
    recall: tuple[str, ...],
    case_properties: bool,
    line: Path | None,
    line_last: float | None,
    echoes: bool,
    style: OutputStyle,
) -> int:
    """Run a test plan on a fixture; leaves junit.xml and journal.jsonl."""
    require_options(into=into, events=events, resume=resume)
    allowed = parse_allowed(allow)
    loaded_plan, loaded_fixture = load_both(plan, fixture, assignments(set_))
    loaded_plan = plan_of_unit(loaded_plan, assignments(unit, option="--unit"))
    request = RunRequest(
        plan=loaded_plan,
        fixture=loaded_fixture,
        into=into,
        allowed=allowed,
        events=events,
        resume=resume,
        guesses=guesses_named(recall),
        case_properties=case_properties,
        line=_recording(line, line_last),
        echoes=echoes or line is not None,
        command=_command(
            plan,
            fixture,
            {"--set": set_, "--unit": unit, "--allow": allow},
            events,
        ),
    )
    if not (style.json or style.quiet):
        for sentence in line_sentences(request):
            say(sentence)
    done = run_to_end(request, style)
    if style.json:
        print_json(
            RunAnswer(
                command="run",
                exit_code=done.exit_code,
                results=str(done.folder),
                summary=summary_of(done.record),
            )
        )
        warn_left_on(done.record)
    else:
        show_run(done.record, done.folder, style)
    return done.exit_code


def _recording(line: Path | None, last_s: float | None) -> LineRecording | None:
    if line is not None:
        return LineRecording(path=line, last_s=last_s)
    if last_s is not None:
        raise UsageError(
            "--line-last says how much --line keeps", hint="add --line FILE"
        )
    return None


def _command(
    plan: Path,
    fixture: Path,
    repeated: Mapping[str, tuple[str, ...]],
    events: Path | None,
) -> tuple[str, ...]:
    """The words of the command line without folder and journal."""
    words = ["slotproof", "run", str(plan), "--fixture", str(fixture)]
    for option, values in repeated.items():
        for value in values:
            words += [option, value]
    if events is not None:
        words += ["--events", str(events)]
    return tuple(words)


def run_to_end(request: RunRequest, style: OutputStyle) -> RunResult:
    """Run a plan, with its progress on standard error."""
    console = make_console(error=True)
    operator = ConsoleOperator(console)

    @contextmanager
    def watch(clock: Clock) -> Iterator[Listener]:
        with ProgressView(console, clock, quiet=style.quiet) as view:
            operator.view = view
            yield view.hear

    try:
        return execute(
            request,
            operator=operator,
            watch=watch,
            left_behind=lambda folder: _show_left_behind(folder, style),
        )
    except HostError as fault:
        journal = Path(fault.where)
        if journal.suffix != Path(FILE_NAME).suffix or not journal.is_file():
            raise
        raise _with_reports_later(fault, journal.parent) from fault


def _with_reports_later(fault: HostError, folder: Path) -> HostError:
    """The error of a full disk, and how reports are made once there is room."""
    return HostError(
        fault.what,
        where=fault.where,
        hint=f"{fault.hint}; then `slotproof report {folder}` makes the reports of it",
        cause=fault.cause,
        facts=fault.facts,
    )


def _show_left_behind(folder: Path, style: OutputStyle) -> None:
    """The verdict of a run that an error ended; the reason follows on standard error."""
    if style.json:
        say(f"results: {folder}", err=True)
        return
    with suppress(SlotproofError):  # a journal that cannot be read
        print_lines([verdict_line(summary_of(read_record(folder / FILE_NAME)))])
    say(f"results: {folder}")
