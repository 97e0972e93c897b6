"""What declarations are made of: arguments with a help text, commands that load late."""

from __future__ import annotations

import importlib
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

from harness.commands.declared.style import OutputStyle

PATH = click.Path(path_type=Path)


class _Number(click.ParamType[float]):
    """A finite number as instruments write it, by the same rule as in files.

    Python's ``float`` also takes ``2_0``, ``nan`` and digits of other scripts; as a limit
    or a margin each of them is a slip.
    """

    name = "number"

    def convert(
        self,
        value: Any,  # noqa: ANN401 - as declared by the library
        param: click.Parameter | None,
        ctx: click.Context | None,
    ) -> float:
        """The number, or the command line's own error."""
        if isinstance(value, float | int):  # a default of ours
            return float(value)
        # the rule stands beside the readers of files, which take long to load
        plain_number = importlib.import_module("harness.lots.csv_rows").plain_number
        found = plain_number(value)
        if found is None:
            self.fail(
                f"{value!r} is not a plain number, such as 20 or 1.5E-3", param, ctx
            )
        return float(found)


NUMBER = _Number()


class DeclaredCommand(click.Command):
    """A command that names its work."""

    work = ""
    """``module.function`` that is loaded when it runs."""


def argument(*names: str, **settings: Any) -> click.Argument:  # noqa: ANN401 - the library's
    """An argument by its position."""
    return click.Argument(list(names), **settings)


def option(*names: str, default: Any = None, **settings: Any) -> click.Option:  # noqa: ANN401
    """An option by its name; help shows its default and its variable, if it has them."""
    if default is not None:
        settings["default"] = default
    return click.Option(
        list(names),
        show_default=default not in (None, ""),
        show_envvar=True,
        **settings,
    )


def offered(
    function: str,
) -> Callable[[click.Context, click.Parameter, str], list[str]]:
    """Completion of an argument in a shell, by words that are loaded when asked for.

    Args:
        function: ``module.function`` without arguments that returns the words.
    """

    def complete(
        _context: click.Context, _parameter: click.Parameter, begun: str
    ) -> list[str]:
        module, _, name = function.rpartition(".")
        words = getattr(importlib.import_module(module), name)()
        return [word for word in map(str, words) if word.startswith(begun)]

    return complete


def command(
    name: str,
    *,
    work: str,
    help: str,  # noqa: A002 - as the library calls it
    params: list[click.Parameter],
    examples: tuple[str, ...] = (),
    styles: tuple[click.Option, ...] = (),
) -> DeclaredCommand:
    """A command that imports its work when it runs.

    Args:
        name: as it is typed.
        work: ``module.function``; its arguments are the parameters by name, and what it
            returns is the exit code, if it returns any.
        help: what it does; the first sentence is what the list of commands shows.
        params: arguments and options.
        styles: options of ``OutputStyle`` that the command has; with any, its work takes
            the argument ``style``.
        examples: lines for the end of the help; a backslash at an end goes on below.
    """

    def run(**given: Any) -> None:  # noqa: ANN401 - as declared
        module, _, function = work.rpartition(".")
        if styles:
            asked = {str(option.name): given.pop(str(option.name)) for option in styles}
            given["style"] = OutputStyle(**asked)
        code = getattr(importlib.import_module(module), function)(**given)
        click.get_current_context().exit(code or 0)

    made = DeclaredCommand(
        name,
        callback=run,
        params=[*params, *styles],
        help=help,
        short_help=re.split(r"[;:.]", help)[0],
        epilog=_epilog(examples),
    )
    made.work = work
    return made


def _epilog(examples: tuple[str, ...]) -> str:
    """Examples, with the mark in front that keeps their lines as they are."""
    lines = [f"  {line}" for text in examples for line in text.split("\n")]
    return "\n".join(["\b", "Example:" if len(examples) == 1 else "Examples:", *lines])


FIXTURE = option(
    "--fixture",
    "-f",
    metavar="FILE",
    required=True,
    type=PATH,
    help="fixture file (YAML): adapter, line, sockets",
)
INTO = option(
    "--into",
    metavar="FOLDER",
    type=PATH,
    help="results folder; default is a fresh one under ./results",
)
SET = option(
    "--set",
    "set_",
    metavar="NAME=VALUE",
    multiple=True,
    help="parameter of the plan; repeatable",
)
_RECALL = (
    "journal, results folder or ledger whose devices a search guesses first, which saves "
    "time and decides nothing; repeatable, the latest last"
)


def _recall(note: str = "") -> click.Option:
    return option(
        "--recall",
        metavar="SOURCE",
        multiple=True,
        help=_RECALL + note,
    )


RECALL = _recall(
    ". Default: the last run of the fixture beside this one, unless its bench is simulated"
)
RECALL_NAMED = _recall()
JSON = option(
    "--json",
    is_flag=True,
    help="one JSON object on standard output (`slotproof schema output-COMMAND`), all "
    "else on standard error",
)
QUIET = option(
    "--quiet", "-q", is_flag=True, help="the verdict and the results folder alone"
)
QUIET_LONG = option(
    "--quiet", is_flag=True, help="the answer and the results folder alone"
)
"""Where ``-q`` has always been the quantity."""
TABLE = option("--table", is_flag=True, help="every value too, as a table")
