"""The day of 200 units and the new lot's day, by the commands that the README prints.

Three bad units are planted in `fixtures/lot_left.yaml` and `lot_right.yaml`. Exactly these
fail, each for its own reason, and screen, summary, page, ledger, CSV and the lot's
statistics say the same.
"""

from __future__ import annotations

import csv
import io
import re
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.browser import Browser, assert_readable
from tests.page_reader import assert_complete
from tests.pasting import ROOT, Said, of_slotproof, slotproof

pytestmark = pytest.mark.slow

CLONE, WARM, THIN = "CS-010037", "CS-010112", "CS-010171"
"""Clone silicon; in the guard band; a sample instant too near its limit."""

PULLED = "CS-010090"
"""A good unit that is pulled during its first test."""

SHIFT = Path("results/lot-2026-11")

LEDGER = str(SHIFT / "ledger.sqlite")
"""Where simulated units go."""


@pytest.fixture(scope="module")
def day(tmp_path_factory: pytest.TempPathFactory) -> Iterator[list[Said]]:
    """Paste the README's commands into an empty folder, with the data that ship."""
    folder = tmp_path_factory.mktemp("day")
    for name in ("fixtures", "test_plans"):
        (folder / name).symlink_to(ROOT / name)
    *_, shift = of_slotproof("The production line")
    new_lot = of_slotproof("A new lot")
    before = [c for c in new_lot if str(SHIFT) not in c]
    after = [c for c in new_lot if str(SHIFT) in c]
    assert [*before, *after] == new_lot
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)
        patch.delenv("SLOTPROOF_LEDGER", raising=False)
        yield [slotproof(*command) for command in (*before, shift, *after)]


def named(day: list[Said], start: str) -> list[Said]:
    return [said for said in day if said.command.startswith(start)]


def exported(*options: str) -> list[dict[str, str]]:
    return list(
        csv.DictReader(
            io.StringIO(slotproof("units", "export", "--ledger", LEDGER, *options).out)
        )
    )


def test_the_three_bad_units_fail_and_no_other(day: list[Said]) -> None:
    """Each twice, for its own reason, told with value, limit and what to look at."""
    (shift,) = named(day, "station")
    assert shift.code == 0
    failed = [
        line.split() for line in shift.out.splitlines() if line.startswith("FAIL ")
    ]
    assert Counter(words[2] for words in failed) == {CLONE: 2, WARM: 2, THIN: 2}
    told = {words[2]: " ".join(words) for words in failed}
    for serial, words in {
        CLONE: ("resolutions_taken (stated in the data sheet)", "compare marking and papers"),
        WARM: ("21.44 degC, above the high limit 21.4 degC", "is the bath at 21.0 degC"),
        THIN: ("inside the low limit of 15 us", "below the 3 us that the plan demands", "meets its data sheet"),
    }.items():  # fmt: skip
        for text in (*words, "red bin", "No retest is left"):
            assert text in told[serial], text


def test_ledger_and_csv_agree(day: list[Said]) -> None:
    """200 units, 204 tests; the clone has a sound ROM code of its own, so no copy is told."""
    del day
    rows = exported("--lot", "2026-11")
    assert len(rows) == 204
    assert len({row["unit_serial"] for row in rows}) == 200
    why = {(r["unit_serial"], r["reason_step"], r["reason_kind"])
           for r in rows if r["outcome"] == "failed"}  # fmt: skip
    assert why == {
        (CLONE, "check data_sheet_conformance", "limit"),
        (WARM, "read temperature", "limit"),
        (THIN, "measure sample_instant", "thin-margin"),
    }
    (void,) = (row for row in rows if row["outcome"] == "error")
    assert (void["unit_serial"], void["reason_kind"]) == (PULLED, "unit-gone")
    passed = {row["unit_serial"] for row in rows if row["outcome"] == "passed"}
    assert len(passed) == 197
    assert not passed & {CLONE, WARM, THIN}
    assert PULLED in passed
    copies = slotproof("units", "clones", "--ledger", LEDGER)
    assert (copies.code, copies.out) == (0, "")
    listed = slotproof(
        "units", "list", "--lot", "2026-11", "--outcome", "failed", "--ledger", LEDGER
    )
    assert Counter(line.split()[3] for line in listed.out.splitlines()) == {CLONE: 2, WARM: 2, THIN: 2}  # fmt: skip


def test_nearly_bad_units_are_a_real_question(day: list[Said]) -> None:
    """The good ones spread over more than half of what is allowed, in many steps."""
    del day
    values = [
        float(row["value"])
        for row in exported("--values", "--lot", "2026-11")
        if row["quantity"] == "temperature" and row["unit_serial"] not in {WARM, THIN}
    ]
    assert len(values) == 197
    assert max(values) - min(values) > 0.5
    assert len(set(values)) >= 9


def test_summary_and_page_agree(day: list[Said]) -> None:
    """The manager's page says what the screen and the summary said."""
    (shift,) = named(day, "station")
    summary = (SHIFT / "summary.txt").read_text("utf-8")
    assert summary in shift.out
    assert "first-pass yield 98.5 % (197 of 200)" in summary
    shown = assert_complete((SHIFT / "shift.html").read_text("utf-8")).shown
    assert "units an hour" not in summary
    for text in ("197 PASSED, 3 FAILED", "first-pass yield 98.5 % (197 of 200)",
                 "SIMULATED", "204 (3 retests, 1 without a verdict)",
                 "lot acceptance, lot 2026-11", f"{PULLED} no verdict: the unit went away",
                 "measure sample_instant: margin too small 1 2"):  # fmt: skip
        assert text in shown, text
    story = shown.split("what to look at first ")[1].split("Invalid and not accepted")[
        0
    ]
    assert re.findall(r"CS-[0-9]{6}", story) == [WARM, CLONE, THIN]
    units = shown.split("Every unit ")[1]
    assert len(set(re.findall(r"CS-[0-9]{6}", units))) == 200


def test_the_new_lot_is_as_good_without_its_bad_unit(day: list[Said]) -> None:
    """The fixture proves itself; the lot is refused with the bad unit, by name, and passes without."""
    assert [(s.command.split()[1], s.code) for s in named(day, "lot")] == [
        ("sample", 0), ("need", 0), ("golden", 0), ("gauge", 0),
        ("compare", 1), ("compare", 0), ("capability", 1), ("capability", 0),
    ]  # fmt: skip
    with_it, without = named(day, "lot compare")
    (rom_code,) = {r["rom_codes"] for r in exported() if r["unit_serial"] == WARM}
    assert f"1 unit ({rom_code}) outside the limits" in with_it.out
    assert f"--leave-out {rom_code}" in without.command
    assert (
        "candidate is as good as the baseline in the mean of temperature" in without.out
    )
    alone, with_history = named(day, "lot capability")
    assert "198 values do not show the tails of a lot" in alone.out
    assert "which proves 1.33: for a normal lot" in with_history.out


def test_every_command_leaves_a_page(day: list[Said]) -> None:
    """Whole and self-contained."""
    lots = [said for said in day if said.command.startswith("lot")]
    told = [re.search(r"^results: (.*)$", said.out, re.MULTILINE) for said in lots]
    folders = {found[1] for found in told if found}
    assert len(folders) == 8  # no command takes the place of another
    for folder in folders:
        assert_complete((Path(folder) / "lot.html").read_text("utf-8"))


def test_pages_in_a_browser(day: list[Said], browser: Browser) -> None:
    """The shift's page and a lot's: on desk and phone, by day and night, and in print."""
    last = re.search(r"^results: (.*)$", day[-1].out, re.MULTILINE)
    assert last is not None
    for path in (SHIFT / "shift.html", Path(last[1]) / "lot.html"):
        page = path.read_text("utf-8")
        assert_readable(browser, page)
        assert browser.pages_in_print(page) >= 1
