"""An adapter that goes away in a run: waited for, opened again, the past forgotten."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from harness.records import Outcome

Make = Callable[..., Any]
"""A fixture that makes or runs something."""


def outcomes(ran: Any) -> list[str]:  # noqa: ANN401 - a finished run
    """The outcome of each step, in order."""
    return [str(step.outcome) for step in ran.record.steps]


@pytest.mark.parametrize(
    ("away_s", "expected"),
    [
        (2.0, ["passed", "error", "passed", "passed"]),
        (8.0, ["passed", "error", "error", "error"]),
    ],
)
def test_adapter_is_waited_for_between_steps(
    run_plan: Make, three: Make, away_s: float, expected: list[str]
) -> None:
    """An adapter that went away is waited for 5 s; one that stays away is an error.

    A hub brings an adapter back after about 2 s (public reports, retold).
    """
    steps = "- wait: {for_s: 1}\n- reset: {times: 3}\n- reset: {}\n- verify: {}"
    start_s = run_plan(steps, three()).started_s("2")
    away = {"kind": "adapter-unplugged", "at_s": start_s - 0.1, "for_s": away_s}
    ran = run_plan(steps, three(faults=[away]))
    noted = any("opened again" in e.get("text", "") for e in ran.events)
    assert ran.code == 3
    assert outcomes(ran) == expected
    assert noted == (expected[-1] == "passed")


def test_conversion_from_before_a_gap_proves_nothing(
    run_plan: Make, three: Make
) -> None:
    """After the adapter was away, what an earlier convert left is not read: made anew."""
    steps = """
- convert: {}
- reset: {times: 400}
- reset: {}
- read: {quantity: temperature, fresh: false}
- convert: {}
- read: {quantity: temperature, fresh: false}
"""
    start_s = run_plan(steps, three()).started_s("2")
    away = {"kind": "adapter-unplugged", "at_s": start_s + 0.1, "for_s": 0.05}
    ran = run_plan(steps, three(faults=[away]))
    assert outcomes(ran) == [
        "passed",
        "error",
        "error" if ran.shown("3").outcome is Outcome.ERROR else "passed",
        "passed",
        "passed",
        "passed",
    ]
    (note,) = ran.shown("4", "S1").notes
    assert "the adapter was away" in note
    assert "one was made for this step" in note
    assert not ran.shown("6", "S1").notes
