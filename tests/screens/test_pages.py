"""The pages of kept journals in a real browser: by day, by night, on a phone, in print."""

from __future__ import annotations

from pathlib import Path

import pytest

from harness.results.reports.html import render
from harness.results.reports.rebuild import read_record
from harness.station.shift import page as shift_page
from harness.station.shift.record import read_shift
from tests.browser import Browser, assert_readable
from tests.page_reader import assert_complete

KEPT = Path(__file__).parents[1] / "old_journals"

pytestmark = [
    pytest.mark.slow,
    pytest.mark.filterwarnings("ignore::harness.old_names.RenamedName"),
]


def _page(kept: str) -> str:
    if kept == "shift":
        return shift_page.render(read_shift(KEPT / kept))
    return render(read_record(KEPT / kept / "journal.jsonl"))


@pytest.mark.parametrize(
    ("kept", "words"),
    [
        ("failed_run", ("FAILED", "SIMULATED", "A5 8A0000A4B5F00D28", "Look first")),
        ("cut_soak", ("ERROR", "SIMULATED", "no verdict on a device")),
        ("survey", ("PASSED", "SIMULATED", "Margins, smallest first")),
        ("shift", ("2 FAILED", "SIMULATED", "CS-000103")),
    ],
)
def test_a_page_is_readable_and_names_the_culprit(
    browser: Browser, kept: str, words: tuple[str, ...]
) -> None:
    """Verdict and culprit stand in its first 600 px; nothing is faint, wide or empty."""
    page = _page(kept)
    shown = assert_complete(page).shown
    for word in words:
        assert word in shown, word
    assert_readable(browser, page)


def test_folded_steps_are_open_in_print(browser: Browser) -> None:
    """On paper nothing can be unfolded: as many sheets as with every step open."""
    page = _page("failed_run")
    unfolded = page.replace("<details id=", "<details open id=")
    assert page.count("<details") > page.count("<details open")
    assert browser.pages_in_print(page) == browser.pages_in_print(unfolded)
    without = page.replace("details::details-content", "details::nothing")
    assert browser.pages_in_print(without) < browser.pages_in_print(page)
