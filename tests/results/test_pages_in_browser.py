"""The pages in a real browser: on a desk, on a phone, at night and in print."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from harness.results.reports.html import render
from tests.browser import PHONE_PX, Browser, assert_readable

Make = Callable[..., Any]
"""A fixture that makes something; conftest has the signatures."""

pytestmark = pytest.mark.slow


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
    assert_readable(browser, report)
    assert browser.pages_in_print(report) >= 2


def test_the_look_itself_can_fail(browser: Browser) -> None:
    """A page that is too wide and pale is seen to be so."""
    page = "<body style='color:#999;background:#bbb'><p style='width:900px'>words</p>"
    seen = browser.look(page, width_px=PHONE_PX)
    assert seen.wide
    assert seen.scroll_px > PHONE_PX
    assert seen.contrast < 2
