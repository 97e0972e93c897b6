"""Which kinds there are is a value of the run."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from harness.plans.kinds.table import families_in_journal, kinds_of
from harness.plans.loading.files import PlanError, load_fixture, load_plan, parse_plan

ROOT = Path(__file__).parents[3] / "harness"
Make = Callable[..., Any]
"""A fixture that makes or runs something."""

BUILT_IN_ONLY = {
    "plans/enrolment/measuring.py",
    "commands/adapters/enrol.py",
    "diagnosis/expected_time.py",
}
"""Where no plan and no fixture is known yet, and an estimate of time."""

KIND = """
kind: %s
codes: 0xE5
class: converter
sources: [invented]
blocks: {b: {write: "BE", read: 3, crc: [{kind: crc-8}]}}
registers: [{name: %s, block: b, at: 0, bytes: 2}]
"""


def test_a_run_asks_its_own_table() -> None:
    """Nothing outside the families takes the functions of the kinds built in."""
    found = set()
    for path in ROOT.rglob("*.py"):
        name = str(path.relative_to(ROOT))
        text = path.read_text("utf-8")
        for names in re.findall(r"from harness\.families\.registry import (.*)", text):
            other = set(re.findall(r"\w+", names)) - {"Kinds", "built_in"}
            if other and not name.startswith("families/"):
                found.add(name)
    assert found == BUILT_IN_ONLY


@pytest.fixture
def bench(tmp_path: Path) -> Make:
    """A fixture that names a description of its own."""

    def make(name: str, quantity: str) -> Any:  # noqa: ANN401
        (tmp_path / f"{name}.kind.yaml").write_text(KIND % (name, quantity), "utf-8")
        path = tmp_path / f"{name}.yaml"
        path.write_text(
            f"fixture: {name}\nkinds: [{name}.kind.yaml]\nadapter: {{port: COM7}}\n"
            "line: {pull_up_ohm: 2200, supply_v: 5}\nsockets: [{name: S}]\n",
            "utf-8",
        )
        return load_fixture(path)

    return make


def test_two_fixtures_describe_one_code_differently(bench: Make) -> None:
    """Each run reads what its own fixture says; a plan is held against that."""
    one, other = bench("one", "raw_a"), bench("other", "raw_b")
    assert "raw_a" in kinds_of(fixture=one).quantities(0xE5)
    assert "raw_b" in kinds_of(fixture=other).quantities(0xE5)
    assert not kinds_of().family_of(0xE5).quantities
    text = (
        "plan: p\nsteps: [for_each: {family: 0xE5, steps: [read: {quantity: raw_a}]}]"
    )
    assert parse_plan(text, "p", fixtures=[one]).title == "p"
    with pytest.raises(PlanError, match="did you mean 'raw_b'"):
        parse_plan(text, "p", fixtures=[other])


def test_two_descriptions_beside_a_plan_claim_one_code(
    bench: Make, tmp_path: Path
) -> None:
    """A mistake that names both files."""
    bench("one", "raw_a")
    bench("other", "raw_b")
    (tmp_path / "plan.yaml").write_text("plan: p\nsteps: [reset: ]\n", "utf-8")
    with pytest.raises(PlanError, match=r"one.kind.yaml describes family 0xE5 too"):
        load_plan(tmp_path / "plan.yaml")


def test_a_description_in_a_journal_that_was_edited(bench: Make) -> None:
    """It gives no families, and no crash."""
    (described,) = bench("one", "raw_a").described
    (family,) = families_in_journal({"description": described.plain})
    assert family.code == 0xE5
    assert families_in_journal({"description": {"kind": 3}}) == ()
    assert families_in_journal({}) == ()
