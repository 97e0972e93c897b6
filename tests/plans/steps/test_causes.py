"""A failed step names its cause by itself, where the family knows it: no diagnosis asked for."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from harness.errors import AnswerImpossible, CheckValueWrong
from harness.families.hazard import Hazard
from harness.records import CheckResult, Outcome
from tests.diagnosis.benches_kinds import DRIFT, OFFSET, ROW, WRITE_ROW

Make = Callable[..., Any]
"""A fixture that makes or runs something."""

PROTECTED = "00" * 0x80 + "00 55 00 00"
LOCKED = "00" * 0x20 + ROW + "00" * 0x58 + "00 55 00 00 55"
PATTERN = """\
- check: {function: memory_pattern, with: {length: 8}, hazard: memory-wear}
"""
CASES: dict[str, tuple[dict[str, Any], str, float, str, str, str]] = {
    "F22 too little power": (
        {"family": 0x2D}, WRITE_ROW, 3300,
        "supply", "status 27h", "external strong pull-up, power for 10 ms",
    ),
    "F22 the line itself falls": (
        {"family": 0x2D}, WRITE_ROW, 4700,
        "supply", "during the copy", "external strong pull-up, power for 10 ms",
    ),
    "F22 and nothing can be put back": (
        {"family": 0x2D}, PATTERN, 3300,
        "supply", "could not be put back", "memory before the patterns",
    ),
    "F22 protected page": (
        {"family": 0x2D, "content": PROTECTED}, WRITE_ROW, 1000,
        "configuration", "page 1 is write-protected", "open page",
    ),
    "F22 copies blocked": (
        {"family": 0x2D, "content": LOCKED}, WRITE_ROW, 1000,
        "configuration", "page 1 is write-protected", "open page",
    ),
    "F26 drift": (
        {"family": 0x41, "clock_ppm": -200}, DRIFT, 1000,
        "device", "clock_drift is -", "crystal or its cell",
    ),
    "F27 offset": (
        {"family": 0x26, "offset_counts": 5}, OFFSET, 1000,
        "configuration", "offset is 5", "open the load first",
    ),
    "F27 moving": (
        {"family": 0x26, "offset_counts": 4, "wander_counts": 6}, OFFSET, 1000,
        "device", "offset is", "short the sense inputs",
    ),
}  # fmt: skip
"""Device, steps, pull-up; then the cause, words of the message, words of the hint."""


@pytest.mark.parametrize("name", CASES)
def test_a_failed_step_ends_with_its_cause(
    run_plan: Make, bench_data: Make, name: str
) -> None:
    """Message, cause, one thing to try first, and the facts for whoever judges."""
    device, steps, pull_up_ohm, cause, words, advice = CASES[name]
    data = bench_data([device | {"serial": 0x77}], line={"pull_up_ohm": pull_up_ohm})
    data["sockets"][0]["expect"]["sense_mohm"] = 25
    ran = run_plan(steps, data, allow=frozenset(Hazard))
    result: CheckResult = next(
        r.shown for _, r in ran.record.results if r.shown.outcome is Outcome.FAILED
    )
    assert words in result.message
    assert result.message.endswith(f"cause: {cause}")
    assert advice in result.hint
    assert result.evidence["cause"] == cause
    assert "diagnosis" not in result.evidence


def test_a_wrong_check_value_is_never_said_alone() -> None:
    """Nobody knows more than this, and this much is said."""
    assert CheckValueWrong("x").cause == "noise or device"
    assert not AnswerImpossible("x").cause
    assert AnswerImpossible("x", cause="supply").cause == "supply"
