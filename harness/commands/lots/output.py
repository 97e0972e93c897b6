"""What a lot command prints and keeps: text, page and pictures in a folder."""

from __future__ import annotations

import itertools
from pathlib import Path
from typing import TextIO

from harness.clock import SystemClock
from harness.commands.base import print_json, print_texts, show_results
from harness.commands.declared.style import OutputStyle
from harness.commands.outputs.others import LotAnswer
from harness.errors import UsageError
from harness.lots.page import Facts, write_lot_page
from harness.lots.report_table import LotReport
from harness.results.plots.lots import Figures, save
from harness.results.reports.junit import slug
from harness.results.reports.unwritten import unwritten

ANSWER_NAME = "lot.txt"


def leave(
    report: LotReport,
    figures: Figures,
    facts: Facts,
    *,
    into: Path | None,
    name: str,
    style: OutputStyle,
    code: int = 0,
) -> int:
    """Print the answer; keep it as text, page and pictures in a folder of its own.

    Args:
        report: the answer.
        figures: its pictures by name.
        facts: what it was worked out from.
        into: the folder, or None for a new, dated one under ``results``.
        name: what such a folder is called by; begins with the command's name.
        style: how to print it.
        code: exit code of the command, which is returned.

    Raises:
        UsageError: the folder cannot be used, or holds an answer already.
        HostError: the disk takes no more.
    """
    now = SystemClock().calendar()
    facts = [("made at", now.strftime("%Y-%m-%d %H:%M:%S UTC")), *facts]
    folder = into or Path("results") / f"{now:%Y%m%d-%H%M%S}-lot-{slug_of(name)}"
    try:
        with _new_answer(folder, numbered=into is None) as stream:
            folder = Path(stream.name).parent
            used = [f"{name}: {value}" for name, value in facts]
            stream.write("\n".join([*report.lines, "", *used, ""]))
        save(figures, folder)
        write_lot_page(report, figures, facts, folder)
    except FileExistsError as exc:
        raise UsageError(
            "the folder holds the answer of a lot command already",
            where=str(folder),
            hint="name another folder with --into, or leave --into out",
        ) from exc
    except OSError as exc:
        raise unwritten(exc, what="the answer", folder=folder) from exc
    if style.json:
        print_json(_answer(report, facts, folder, name, code))
        return code
    print_texts([report.verdict] if style.quiet else report.lines)
    show_results(folder, style, simulated=report.is_simulated)
    return code


def _answer(
    report: LotReport, facts: Facts, folder: Path, name: str, code: int
) -> LotAnswer:
    parts = [part for block in report.blocks for part in block]
    return LotAnswer(
        command=f"lot {name.partition('-')[0]}",
        exit_code=code,
        question=report.question,
        answer=report.answer,
        verdict=str(report.outcome),
        reason=report.verdict,
        notes=report.notes,
        tables=tuple(
            tuple(map(tuple, part.rows)) for part in parts if not isinstance(part, str)
        ),
        sentences=tuple(part for part in parts if isinstance(part, str)),
        facts=dict(facts),
        results=str(folder),
    )


def slug_of(name: str) -> str:
    """A name of a folder."""
    return slug(name)


def _new_answer(folder: Path, *, numbered: bool) -> TextIO:
    """The file of the answer, opened so that no other answer can be overwritten.

    Raises:
        FileExistsError: the folder holds an answer, and may not be numbered.
    """
    for number in itertools.count(1):
        tried = folder if number == 1 else folder.with_name(f"{folder.name}-{number}")
        try:
            tried.mkdir(parents=True, exist_ok=not numbered)
            return (tried / ANSWER_NAME).open("x", encoding="utf-8")
        except FileExistsError:
            if not numbered:
                raise
    raise AssertionError("counting does not end")


def facts_of(**given: object) -> list[tuple[str, str]]:
    """What a command was told, for its page; what was not told is left out."""
    return [
        (name.replace("_", " "), _shown(value))
        for name, value in given.items()
        if value not in (None, "", ())
    ]


def _shown(value: object) -> str:
    if isinstance(value, tuple):
        return ", ".join(map(str, value))
    return f"{value:g}" if isinstance(value, float) else str(value)
