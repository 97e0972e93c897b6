"""What a lot command prints and keeps: text, page and pictures in a folder."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import typer

from harness.errors import UsageError

if TYPE_CHECKING:
    from harness.lots.page import Facts
    from harness.lots.sheet import Sheet
    from harness.results.lot_pictures import Figures


def leave(
    sheet: Sheet, figures: Figures, facts: Facts, *, into: Path | None, name: str
) -> None:
    """Print the answer; keep it as text, page and pictures in a folder.

    Args:
        sheet: the answer.
        figures: its pictures by name.
        facts: what it was worked out from.
        into: the folder, or None for one under ``results``.
        name: what such a folder is called by.

    Raises:
        UsageError: the folder cannot be used.
    """
    from harness.lots.page import write_lot_page  # noqa: PLC0415
    from harness.results.junit import slug  # noqa: PLC0415
    from harness.results.lot_pictures import save  # noqa: PLC0415

    folder = into or Path("results") / f"lot-{slug(name)}"
    lines = sheet.lines
    try:
        folder.mkdir(parents=True, exist_ok=True)
        (folder / "lot.txt").write_text("\n".join([*lines, ""]), encoding="utf-8")
        save(figures, folder)
        write_lot_page(sheet, figures, facts, folder)
    except OSError as exc:
        raise UsageError(
            f"the folder cannot be used: {exc.strerror}",
            where=str(folder),
            hint="name a folder that you may write to",
        ) from exc
    for line in lines:
        typer.echo(line)
    typer.echo(f"results: {folder}")


def facts_of(**given: object) -> list[tuple[str, str]]:
    """What a command was told, for its page; what was not told is left out."""
    return [
        (name.replace("_", " "), _shown(value))
        for name, value in given.items()
        if value not in (None, "", [])
    ]


def _shown(value: object) -> str:
    if isinstance(value, list):
        return ", ".join(map(str, value))
    return f"{value:g}" if isinstance(value, float) else str(value)
