"""The pages of kept journals in a real browser: by day, by night, on a phone, in print."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from pathlib import Path

import pytest
from click.testing import CliRunner

from harness.cli import app
from harness.results.reports.html import render
from harness.results.reports.rebuild import read_record
from harness.station.shift import page as shift_page
from harness.station.shift.record import read_shift
from tests.browser import Browser, assert_readable
from tests.page_reader import assert_complete

ROOT = Path(__file__).parents[2]
KEPT = ROOT / "tests/old_journals"

pytestmark = [
    pytest.mark.slow,
    pytest.mark.filterwarnings("ignore::harness.old_names.RenamedName"),
]


def _page(kept: str) -> str:
    if kept == "shift":
        return shift_page.render(read_shift(KEPT / kept))
    return render(read_record(KEPT / kept / "journal.jsonl"))


def _page_of_command(file: str, *words: str) -> str:
    """What a command leaves; it is as its golden screen, so it ends 0."""
    result = CliRunner().invoke(app, [*words, "--into", "left"])
    assert result.exit_code == 0, result.output
    return Path("left", file).read_text("utf-8")


def _lot() -> str:
    readings = str(ROOT / "fixtures/lot_golden.csv")
    return _page_of_command(
        "lot.html", "lot", "golden", readings, "--quantity", "temperature",
        "--reference", "21.00", "--tolerance", "1.0",
    )  # fmt: skip


def _trace() -> str:
    recording = ROOT / "tests/recordings/data/octal_switch_29h_read.vcd"
    return _page_of_command("report.html", "trace", str(recording))


PAGES: dict[str, tuple[Callable[[], str], tuple[str, ...]]] = {
    **{
        kept: (partial(_page, kept), words)
        for kept, words in {
            "passed_run": ("PASSED", "SIMULATED", "100 passed"),
            "failed_run": ("FAILED", "SIMULATED", "A5 8A0000A4B5F00D28", "Look first"),
            "cut_soak": ("ERROR", "SIMULATED", "no verdict on a device"),
            "survey": ("PASSED", "SIMULATED", "Margins, smallest first"),
            "diagnosis": (
                "FAILED",
                "SIMULATED",
                "fed from the data line",
                "Look first",
            ),
            "all_families": ("PASSED", "SIMULATED"),
            "shift": ("2 FAILED", "SIMULATED", "CS-000103"),
        }.items()
    },
    "lot": (_lot, ("golden", "21")),
    "trace": (_trace, ("PASSED", "write-0 low")),
}
"""Each kind of page: how it is made, and what it must say."""


def test_each_page_is_readable_and_names_the_culprit(
    browser: Browser, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Verdict and culprit stand in its first 600 px; nothing is faint, wide or empty.

    All in one test, because each start of the browser costs more than the pages.
    """
    pages = []
    for name, (make, words) in PAGES.items():
        (tmp_path / name).mkdir()
        monkeypatch.chdir(tmp_path / name)
        pages.append(page := make())
        shown = assert_complete(page).shown
        for word in words:
            assert word in shown, f"{name}: {word}"
    assert_readable(browser, *pages)


def test_folded_steps_are_open_in_print(browser: Browser) -> None:
    """On paper nothing can be unfolded: as many sheets as with every step open."""
    page = _page("failed_run")
    unfolded = page.replace("<details id=", "<details open id=")
    assert page.count("<details") > page.count("<details open")
    assert browser.pages_in_print(page) == browser.pages_in_print(unfolded)
    without = page.replace("details::details-content", "details::nothing")
    assert browser.pages_in_print(without) < browser.pages_in_print(page)
