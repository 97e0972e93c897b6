"""A file that is whole or not there, and nothing beside it."""

from __future__ import annotations

import errno
from pathlib import Path

import pytest

from harness.results.reports.whole_file import whole_file


def _write_half(path: Path) -> None:
    with whole_file(path) as part:
        part.write_text("ha")
        raise OSError(errno.ENOSPC, "No space left on device")


def test_a_full_disk_leaves_nothing_behind(tmp_path: Path) -> None:
    """The file that was there before stays as it was."""
    path = tmp_path / "junit.xml"
    path.write_text("before")
    with pytest.raises(OSError, match="No space"):
        _write_half(path)
    assert [p.name for p in tmp_path.iterdir()] == ["junit.xml"]
    assert path.read_text() == "before"


def test_it_takes_its_place(tmp_path: Path) -> None:
    path = tmp_path / "page.html"
    with whole_file(path) as part:
        part.write_text("whole")
        assert not path.exists()
    assert [(p.name, p.read_text()) for p in tmp_path.iterdir()] == [
        ("page.html", "whole")
    ]
