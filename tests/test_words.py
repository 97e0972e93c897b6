"""The words of docstrings and comments: sources that a reader can look up."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]

NO_SOURCE = re.compile(
    r"\b(?:family|bus|adapter|statistics)\s+facts\b|\bfacts\s+(?:of\s+the|about|from\s+the)\b"
    r"|\bfield\s+failures?\b|\bthe\s+facts,|\(facts,? \d",
    re.IGNORECASE,
)
"""Names of collections that nobody outside has; a citation names the published thing."""


def _files() -> list[Path]:
    return [
        path
        for top in ("harness", "tests")
        for path in sorted((ROOT / top).rglob("*.py"))
        if path != Path(__file__)
    ]


@pytest.mark.parametrize("path", _files(), ids=lambda p: str(p.relative_to(ROOT)))
def test_a_citation_names_what_is_published(path: Path) -> None:
    """A data sheet, an application note, a standard, or "from memory"."""
    text = " ".join(path.read_text("utf-8").split()).replace(" # ", " ")
    assert [m[0] for m in NO_SOURCE.finditer(text)] == []


def test_the_search_finds_what_it_is_for() -> None:
    """The pattern takes each of the names, broken over lines too."""
    for text in (
        "family facts, 1.1",
        "bus\nfacts 2.2",
        "Field failure F11",
        "(facts, 3)",
    ):
        assert NO_SOURCE.search(text)
    assert not NO_SOURCE.search("the facts that a step knows")
