"""The command line: gathers the commands, turns our errors into messages.

Exit codes: 0 passed, 1 something failed, 2 bad command line or files, 3 the
harness or adapter could not tell, 130 ended by Ctrl-C (143 by SIGTERM, 129 by SIGHUP).
"""

from __future__ import annotations

import importlib.metadata
import json
import shutil
import sys
import textwrap
import traceback
from typing import NoReturn

import click

from harness import ending, output
from harness.commands.declared import files, lots, runs, sampling, studies, units
from harness.errors import AdapterError, SlotproofError
from harness.lazy import missing_parts_named
from harness.old_names import printed_notes
from harness.output import say

EXIT_USAGE = 2
EXIT_COULD_NOT_TELL = 3

_NARROW_COLUMNS = 52
"""Below that the library folds help at 50 columns, whatever the window has."""

_MOST_MISTAKES = 30
"""Mistakes reported at once; a file with more is hardly a file of slotproof."""


def _print_version(
    context: click.Context, _option: click.Parameter, wanted: bool
) -> None:
    if wanted:
        say(f"slotproof {importlib.metadata.version('slotproof')}")
        context.exit()


class _InOrder(click.Group):
    """A group whose help lists the commands as they were declared, not by alphabet."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """The names, in order of use."""
        del ctx
        return list(self.commands)


app = _InOrder(
    "slotproof",
    help="Prove single-wire devices and buses with a plain USB-to-serial adapter.",
    no_args_is_help=True,
    context_settings={"help_option_names": ["--help", "-h"]},
    params=[
        click.Option(
            ["--version"],
            is_flag=True,
            is_eager=True,
            expose_value=False,
            callback=_print_version,
            help="print the version and end",
        )
    ],
    commands=[
        *runs.COMMANDS,
        *files.COMMANDS,
        *units.COMMANDS,
        _InOrder(
            "units",
            help="Ask the ledger of all units ever tested.",
            no_args_is_help=True,
            commands=units.UNITS,
        ),
        _InOrder(
            "lot",
            help="Judge lots, samples and the fixture itself by statistics.",
            no_args_is_help=True,
            commands=[*lots.COMMANDS, *studies.COMMANDS, *sampling.COMMANDS],
        ),
    ],
)


def _fail(error: SlotproofError) -> int:
    lines = error.lines()
    code = EXIT_COULD_NOT_TELL if isinstance(error, AdapterError) else EXIT_USAGE
    if "--json" in sys.argv[1:]:
        _say_json(lines, code)
    for line in lines[:_MOST_MISTAKES]:
        _say_error(f"slotproof: {line}")
    if len(lines) > _MOST_MISTAKES:
        more = len(lines) - _MOST_MISTAKES
        say(f"slotproof: and {more} more mistakes like these", err=True)
    return code


def _say_error(line: str) -> None:
    """A line on standard error; in a window it goes on in the next, at a space."""
    if sys.stderr.isatty():
        width = max(20, shutil.get_terminal_size().columns)
        line = textwrap.fill(
            line, width, subsequent_indent="    ", break_long_words=False,
            break_on_hyphens=False,
        )  # fmt: skip
    for part in line.splitlines():
        say(part, err=True)


def _misused(mistake: click.ClickException) -> int:
    """What the command line itself refuses: an option that is not there, and the like."""
    if "--json" in sys.argv[1:]:
        _say_json([mistake.format_message()], mistake.exit_code)
    mistake.show()
    return mistake.exit_code


def _say_json(errors: list[str], code: int) -> None:
    command = " ".join(sys.argv[1:2])
    answer = {"format": 1, "command": command, "exit_code": code, "errors": errors}
    say(json.dumps(answer, indent=2))


def _note(sentence: str) -> None:
    say(f"slotproof: note: {sentence}", err=True)


def main() -> NoReturn:
    """Entry point; every error of ours becomes a message and an exit code."""
    with ending.watched(), output.guarded() as outputs, printed_notes(_note):
        code = _run()
        ending.leave_with(code)
        if outputs.lost:
            say(f"slotproof: output is missing: {outputs.lost}", err=True)
            code = code or EXIT_COULD_NOT_TELL
    sys.exit(code)


def _help_width() -> dict[str, int]:
    """Width of help in a narrow window, which the command-line library takes for wider."""
    columns = shutil.get_terminal_size().columns
    return {"terminal_width": max(columns, 20)} if columns < _NARROW_COLUMNS else {}


def _run() -> int:
    """The command; its exit code."""
    code = ending.exit_code_of(ending.CTRL_C)
    left_on: list[str] = []
    try:
        with missing_parts_named():
            code = app(standalone_mode=False, **_help_width()) or 0
    except click.ClickException as mistake:
        code = _misused(mistake)
    except SystemExit as ended:
        code = ended.code if isinstance(ended.code, int) else int(bool(ended.code))
    except SlotproofError as error:
        code = _fail(error)
        left_on = _notes_of(error)
    except (KeyboardInterrupt, click.Abort) as request:
        left_on = _notes_of(request)  # the rest is said below
    except Exception:  # noqa: BLE001 - a mistake of ours is no verdict on a device
        traceback.print_exc()
        say(
            "slotproof: this is a mistake in slotproof itself; please report it",
            err=True,
        )
        code = EXIT_COULD_NOT_TELL
    code = _ended_by_request(code)
    for sentence in left_on:
        say(sentence, err=True)
    return EXIT_COULD_NOT_TELL if left_on else code


def _ended_by_request(code: int) -> int:
    """The exit code of a request to end, if one came; else that of the command.

    The command-line library turns what a request raised into an exit code of its own.
    """
    if not (name := ending.acknowledge()):
        return code
    say(f"slotproof: ended by {ending.in_words(name)}", err=True)
    return ending.exit_code_of(name)


def _notes_of(fault: BaseException) -> list[str]:
    """What may still be on: the last lines of all."""
    return [str(note) for note in getattr(fault, "__notes__", ())]
