"""Each change that is listed as equivalent is one that can still be made."""

from __future__ import annotations

from pathlib import Path

from tests.mutation.mutants import mutants_of
from tests.mutation.run import equivalents

ROOT = Path(__file__).parents[2]


def test_listed_changes_exist() -> None:
    """An entry whose code has moved on would hide nothing, or another change."""
    listed = equivalents()
    made = {
        (m.path, m.scope, m.before, m.after, m.nth)
        for path in sorted({path for path, *_ in listed})
        for m in mutants_of(ROOT, ROOT / path)
    }
    assert listed - made == set()
    assert len(listed) > 10


def test_places_of_a_scope_are_counted(tmp_path: Path) -> None:
    """Two places of one function that read the same are two."""
    file = tmp_path / "module.py"
    file.write_text("def f(a, b):\n    return (a < 3) + (b < 3)\n", encoding="utf-8")
    again = [
        m for m in mutants_of(tmp_path, file) if (m.before, m.after) == ("3", "(4)")
    ]
    assert [(m.nth, m.start) for m in again] == [(1, 29), (2, 39)]
