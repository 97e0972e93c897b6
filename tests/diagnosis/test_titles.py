"""Every cause has a title of its own in plain words, and no screen shows its key."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

import harness.diagnosis
from harness.diagnosis.causes.table import judge
from harness.diagnosis.diagnosis import Diagnosis
from harness.diagnosis.differential.differential import ROWS
from harness.diagnosis.finding import Cause
from harness.diagnosis.titles import TITLES, title_of, with_title
from harness.results.diagnosis.page import page_of
from tests.diagnosis.sound import SOUND
from tests.diagnosis.test_rules import SPEAKS

ROOM = Path(harness.diagnosis.__file__).parent

KEYS = {
    shown
    for key in TITLES
    for cause in Cause
    if key.startswith(f"{cause} ") and "-" in key
    for shown in (key, f"({key.removeprefix(f'{cause} ')})")
}
"""Keys as the journal has them and as pages once showed them."""


def findings_in_code() -> Iterator[tuple[str, set[str], set[str]]]:
    """Where, causes and kinds of each finding that the rules can make, as far as spelled."""
    for path in (*ROOM.glob("causes/*.py"), ROOM / "recorded.py"):
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if not isinstance(node, ast.Call) or ast.unparse(node.func) != "Finding":
                continue
            given = {k.arg: k.value for k in node.keywords}
            causes = {
                str(Cause[n.attr])
                for n in ast.walk(given["cause"])
                if isinstance(n, ast.Attribute) and n.attr in Cause.__members__
            }
            kinds = {
                str(n.value)
                for n in ast.walk(given["kind"])
                if isinstance(n, ast.Constant)
            }
            yield f"{path.name}:{node.lineno}", causes or set(map(str, Cause)), kinds


def test_every_row_has_a_title() -> None:
    """A cause without one would show its key."""
    assert {row.name for row in ROWS} - set(TITLES) == set()


def test_every_finding_has_a_title() -> None:
    """Also those that have no row, and those of a recording."""
    found = list(findings_in_code())
    assert len(found) > 60
    without = [
        (where, kind)
        for where, causes, kinds in found
        for kind in kinds
        if not any(f"{cause} {kind}" in TITLES for cause in causes)
    ]
    assert without == []


def test_titles_differ_and_stand_in_a_sentence() -> None:
    """One title, one cause; a colon ends a title, so that none is inside."""
    assert len(set(TITLES.values())) == len(TITLES)
    assert not [t for t in TITLES.values() if ":" in t or t.endswith(".")]


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("supply restart: it dips", f"{TITLES['supply restart']}: it dips"),
        ("device (absent): S2 is", f"{TITLES['device absent']}: S2 is"),
        ("noise: others fail too", "noise: others fail too"),
        ("the common supply: others have it", "the common supply: others have it"),
        ("device gone-mad: 1 of 2", "device: gone mad: 1 of 2"),
    ],
)
def test_a_key_becomes_its_title(text: str, shown: str) -> None:
    """As findings write it, and as journals of earlier versions do."""
    assert with_title(text) == shown


def test_a_cause_of_another_version() -> None:
    """It is shown by its words."""
    assert title_of("supply", "gone-mad") == "supply: gone mad"


@pytest.mark.parametrize("name", SPEAKS)
def test_no_page_shows_a_key_or_contradicts_itself(name: str) -> None:
    """Nothing that a finding calls possible is ruled out on the same page."""
    evidence = replace(SOUND, **SPEAKS[name][0])
    findings, ruled_out = judge(evidence)
    page = page_of(
        Diagnosis(findings=findings, evidence=evidence, ruled_out=ruled_out),
        "Diagnosis",
    )
    for found in page.findings:
        shown = " | ".join((found.short, found.summary, *(t for _, t in found.points)))
        assert not [key for key in KEYS if key in shown], shown
        possible = {
            t.split(": ")[0] for label, t in found.points if label == "could also be"
        }
        assert not possible & set(page.ruled_out)
        assert found.title.split(":")[0].lower() not in map(str.lower, page.ruled_out)
