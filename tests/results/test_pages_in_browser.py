"""The pages in a real browser: on a desk, on a phone, at night and in print."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from harness.results.html import render
from tests.results.browser import DESK_PX, PHONE_PX, Browser, find_browser

Make = Callable[..., Any]
"""A fixture that makes something; conftest has the signatures."""

pytestmark = pytest.mark.slow


@pytest.fixture
def browser(tmp_path: Path) -> Browser:
    """A browser, or the test is skipped and says so."""
    path = find_browser()
    if path is None:
        pytest.skip("no browser on this machine: the pages are not laid out")
    return Browser(path, tmp_path)


@pytest.fixture
def report(run_plan: Make, bench_data: Make, new_device: Make) -> str:
    """A report with a failed step, a diagnosis, a survey with picture, and a soak."""
    devices = [new_device(0x28, n, temperature_degc=20.0 + n) for n in (5, 6, 7)]
    faults = [{"kind": "supply-lead-open", "device": "S3"}]
    examination = {"listen_s": 1, "scans": 2, "verifies": 6, "reads": 4, "rounds": 1, "alone": 1}  # fmt: skip
    ran = run_plan(
        [
            {"diagnose": examination},
            {"measure": {"what": "devices"}},
            {"soak": {"for_s": 600, "every_s": 60}},
        ],
        bench_data(devices, faults=faults),
    )
    return render(ran.record)


def test_the_report_on_desk_phone_night_and_paper(
    browser: Browser, report: str
) -> None:
    """Nothing sticks out, day and night are told apart and can be read, it prints."""
    for width_px in (DESK_PX, PHONE_PX):
        for dark in (False, True):
            seen = browser.look(report, width_px=width_px, dark=dark)
            where = f"at {width_px} px, {'night' if dark else 'day'}"
            assert not seen.wide, where
            assert seen.scroll_px <= width_px, where
            assert seen.contrast >= 7, where  # WCAG 2.2, 1.4.6, level AAA
            assert (sum(seen.paper) < 3 * 128) is dark, where
            assert seen.letters > 2000, where
    assert browser.pages_in_print(report) >= 2


def test_the_look_itself_can_fail(browser: Browser) -> None:
    """A page that is too wide and pale is seen to be so."""
    page = "<body style='color:#999;background:#bbb'><p style='width:900px'>words</p>"
    seen = browser.look(page, width_px=PHONE_PX)
    assert seen.wide
    assert seen.scroll_px > PHONE_PX
    assert seen.contrast < 2
