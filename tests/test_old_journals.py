"""Journals of earlier versions stay readable: each gives the verdicts it gave."""

from __future__ import annotations

import re
import shutil
from pathlib import Path
from xml.etree import ElementTree

import pytest
from click.testing import CliRunner

from harness.cli import app
from tests.page_reader import read

KEPT = Path(__file__).parent / "old_journals"
EXIT_CODES = {
    "passed_run": 0,
    "failed_run": 1,
    "cut_soak": 3,
    "survey": 0,
    "diagnosis": 1,
    "all_families": 0,
}


def _key(name: str) -> tuple[str, str]:
    """The step's number and the device of a case; wording may change, these not."""
    device = re.search(r"\[([^\]]+)\]", name)
    return name.split(maxsplit=1)[0], device[1] if device else ""


def _then(folder: Path) -> list[tuple[str, tuple[str, str]]]:
    rows = (folder / "cases.tsv").read_text("utf-8").splitlines()
    return sorted((kind, _key(name)) for kind, _, name in (r.split("\t") for r in rows))


def _now(junit: Path) -> list[tuple[str, tuple[str, str]]]:
    found = []
    for case in ElementTree.parse(junit).iter("testcase"):
        kinds = [k for k in ("failure", "error", "skipped") if case.find(k) is not None]
        found.append((kinds[0] if kinds else "passed", _key(case.get("name") or "")))
    return sorted(found)


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore::harness.old_names.RenamedName")
@pytest.mark.parametrize("kept", EXIT_CODES)
def test_an_old_journal_gives_the_verdicts_it_gave(kept: str, tmp_path: Path) -> None:
    """The same exit code, the same verdict for each step and device, a whole page."""
    shutil.copytree(KEPT / kept, tmp_path / kept)
    result = CliRunner().invoke(app, ["report", str(tmp_path / kept)])
    assert result.exit_code == EXIT_CODES[kept], result.output
    assert _now(tmp_path / kept / "junit.xml") == _then(KEPT / kept)
    page = read((tmp_path / kept / "report.html").read_text("utf-8"))
    assert page.shown


@pytest.mark.slow
def test_an_old_shift_gives_the_counts_it_gave(tmp_path: Path) -> None:
    """Units, yield and the page, from the journals of its tests."""
    folder = tmp_path / "shift"
    shutil.copytree(KEPT / "shift", folder)
    result = CliRunner().invoke(app, ["report", str(folder)])
    assert result.exit_code == 0, result.output
    page = read((folder / "shift.html").read_text("utf-8")).shown
    assert "81.8 %" in page
    assert "140000A4B4029A28" in page or "cs-000101" in page.lower()
