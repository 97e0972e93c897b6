"""The station's rules in a plan: defaults, mistakes, and what the schema says."""

from __future__ import annotations

import pytest

from harness.plans.loading.files import PlanError, parse_plan
from harness.plans.schema.files import json_schema
from harness.plans.schema.unit import UnitRules

PLAN = "plan: p\nunit: {%s}\nsteps:\n  - reset:\n"


def test_defaults() -> None:
    """Without a unit section there is one retest, and passed units are refused."""
    unit = parse_plan("plan: p\nsteps:\n  - reset:\n", "p").unit
    assert (unit.retests, unit.passed_again, unit.bins.failed) == (1, "refuse", "failed bin")  # fmt: skip


@pytest.mark.parametrize(
    ("rules", "words"),
    [
        ("retest: 1", "did you mean 'retests'?"),
        ("retests: -1", "p:2:17"),
        ("serial_pattern: '['", "is no regular expression"),
        ("passed_again: refused", "did you mean 'refuse'?"),
        ("bins: {good: a}", "p:2:15"),
    ],
)
def test_mistakes_are_told_with_their_place(rules: str, words: str) -> None:
    """A misspelt rule would let units through: it is an error of the plan."""
    with pytest.raises(PlanError) as refused:
        parse_plan(PLAN % rules, "p")
    assert words in "\n".join(map(str, refused.value.problems))


def test_editors_know_the_rules() -> None:
    """The published schema lists the keys."""
    rules = json_schema("plan")["$defs"]["UnitRules"]["properties"]
    assert set(rules) == set(UnitRules.model_fields)
