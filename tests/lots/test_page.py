"""The page of a lot command: verdict on top, tables, pictures inside, safe and whole."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.cli import app
from harness.lots.page import render
from harness.lots.report_table import LotReport, ReportTable
from harness.records import Outcome
from tests.page_reader import assert_complete, read

ROOT = Path(__file__).parents[2]
BEFORE = ROOT / "fixtures/lot_before.csv"


def report(word: str = "word", outcome: Outcome = Outcome.PASSED) -> LotReport:
    """An invented answer."""
    return LotReport(
        question=f"Is it {word}?",
        answer=f"it is {word}",
        outcome=outcome,
        verdict=f"it is {word} by far.",
        blocks=(
            (
                ReportTable(rows=(("name", "value"), (word, "1.5"), ("other", "-"))),
                f"about {word}",
            ),
            (f"it is {word} by far.",),
        ),
    )


def test_text_and_page_say_the_same() -> None:
    """The verdict on top and not twice; what it rests on stands apart."""
    assert report("good").lines == [
        "Is it good? It is good", "it is good by far.", "",
        "name   value", "good   1.5", "other  -", "about good",
    ]  # fmt: skip
    shown = assert_complete(render(report("good"), {}, [("margin", "0.1")])).shown
    for text in ("Is it good?", "It is good it is good by far.", "name value good 1.5 other -",
                 "about good", "margin 0.1"):  # fmt: skip
        assert text in shown, text
    assert shown.count("it is good by far.") == 1


@pytest.mark.parametrize("outcome", [Outcome.PASSED, Outcome.FAILED, Outcome.SKIPPED])
def test_each_answer_has_its_mark(outcome: Outcome) -> None:
    """Yes, no and not decided differ in shape and colour."""
    page = render(report(outcome=outcome), {}, [])
    assert f'class="verdict {outcome}"' in page
    others = {Outcome.PASSED, Outcome.FAILED, Outcome.SKIPPED} - {outcome}
    assert not any(f'class="verdict {other}"' in page for other in others)


def test_numbers_stand_to_the_right_and_words_to_the_left() -> None:
    """A column of numbers and gaps, not one whose words begin with a number."""
    table = ReportTable(rows=(("a", "b"), ("1.5", "1 point beyond"), ("-", "2 of 3")))
    page = render(
        LotReport(question="q", answer="a", outcome=Outcome.PASSED, verdict="v", blocks=((table,),)),
        {}, [],
    )  # fmt: skip
    assert '<td class="num">1.5</td><td>1 point beyond</td>' in page


@settings(deadline=None, derandomize=True, max_examples=40)
@given(text=st.text(max_size=40))
def test_any_text_stays_text(text: str) -> None:
    """Names of lots, devices and files never become markup."""
    hostile = f"</td><script>alert(1)</script>{text}<b>"
    page = render(report(hostile), {}, [(hostile, hostile)])
    assert read(page).tags == read(render(report("x"), {}, [("x", "x")])).tags
    page.encode("utf-8")


COMMANDS: dict[str, tuple[tuple[Any, ...], int, tuple[str, ...]]] = {
    "sample": (("--size", 200, "--aql", 1.0), 0, ("Sample size 50, accept up to 1", "91.06", "aql 1")),
    "golden": (
        (ROOT / "fixtures/lot_golden.csv", "-q", "temperature", "--reference", 21.0, "--tolerance", 1.0),
        0, ("Shown to be good enough", "Cgk 1.4995", "Cgk at least 1.369", "reference 21"),
    ),
    "gauge": (
        (ROOT / "fixtures/lot_gauge.csv", "--tolerance", 1.0, "--unit", "degC"),
        1, ("Conditionally acceptable", "15.6 % of the tolerance", "at most 20.5 %",
            "Readings come in steps of 0.0625 degC."),
    ),
    "capability": (
        (BEFORE, "-q", "temperature", "--low", 20.5, "--high", 21.5),
        1, ("Ppk 1.33 is not proved", "Ppk 1.3747", "high 21.5"),
    ),
    "compare": (
        ("--baseline", BEFORE, "--candidate", ROOT / "fixtures/lot_golden.csv", "-q", "temperature", "--margin", 0.1),
        2, (),
    ),
    "chart": (
        (BEFORE, "-q", "temperature"), 0,
        ("No more signals than chance gives", "1 point beyond 3 sigma", "rules western-electric", "moving range"),
    ),
}  # fmt: skip


def run(command: str, into: Path) -> Result:
    arguments = [str(a) for a in COMMANDS[command][0]]
    return CliRunner().invoke(app, ["lot", command, *arguments, "--into", str(into)])


@pytest.mark.slow
@pytest.mark.parametrize("command", [c for c in COMMANDS if c != "compare"])
def test_every_command_leaves_its_page(command: str, tmp_path: Path) -> None:
    """On the shipped, invented data: exit code, verdict, numbers, pictures; twice the same but for the date."""
    _, code, words = COMMANDS[command]
    assert run(command, tmp_path / "one").exit_code == code
    assert run(command, tmp_path / "two").exit_code == code
    page, again = (
        re.sub(r"\d{4}-\d\d-\d\d \d\d:\d\d:\d\d UTC", "", path.read_text("utf-8"))
        for path in (tmp_path / "one/lot.html", tmp_path / "two/lot.html")
    )
    assert page == again
    reader = assert_complete(page)
    for word in words:
        assert word in reader.shown, word
    pictures = list((tmp_path / "one").glob("*.png"))
    assert pictures
    assert reader.tags.count("figure") == len(pictures)


def test_a_lot_of_one_unit_has_no_page(tmp_path: Path) -> None:
    """What cannot be answered leaves nothing that looks like an answer."""
    assert run("compare", tmp_path).exception is not None
    assert not (tmp_path / "lot.html").exists()
