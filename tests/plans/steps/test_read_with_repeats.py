"""Suspect readings in a run: repeated by rule, visible, never published."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, cast

import pytest

from harness.errors import ReadingSuspect
from harness.families.family import Answer, Quantity, Session
from harness.plans.steps.read_with_repeats import read_with_repeats
from harness.records import Outcome

Make = Callable[..., Any]
"""A fixture that makes something; conftest has the signatures."""


@dataclass
class Memory:
    """A session that only remembers."""

    memory: dict[str, Any] = field(default_factory=dict)


def held_back(times: int, *, asked: list[str]) -> Quantity:
    """A quantity that is suspect some times, then 21."""

    def ask(how: str) -> Answer:
        asked.append(how)
        if len(asked) <= times:
            raise ReadingSuspect(f"held back {len(asked)}")
        return Answer(value=21.0)

    return Quantity(
        name="temperature",
        unit="degC",
        about="",
        read=lambda _: ask("read"),
        reread=lambda _: ask("reread"),
    )


def test_repetitions_are_told() -> None:
    """Two suspect readings, then a valid one: the two stand beside it."""
    asked: list[str] = []
    session = cast("Session", Memory())
    answer, held = read_with_repeats(held_back(2, asked=asked), session, fresh=False)
    assert answer.value == 21.0
    assert answer.evidence["quality"] == "valid"
    assert [(a.outcome, a.kind, a.message) for a in held] == [
        (Outcome.FAILED, "reading-suspect", "held back 1"),
        (Outcome.FAILED, "reading-suspect", "held back 2"),
    ]
    assert asked == ["reread", "read", "read"]


def test_without_agreement_nothing_is_published() -> None:
    """Three repetitions, none agrees: an error and no value."""
    asked: list[str] = []
    session = cast("Session", Memory())
    with pytest.raises(ReadingSuspect, match="held back 4"):
        read_with_repeats(held_back(9, asked=asked), session, fresh=True)
    assert asked == ["read"] * 4


@pytest.mark.slow
def test_a_bus_powered_probe_is_read_twice_and_says_so(
    run_plan: Make, bench_data: Make, new_device: Make
) -> None:
    """Nobody sees a bus-powered conversion end: a pass, after one visible repetition."""
    data = bench_data(
        [new_device(0x28, 5, supply="parasite", temperature_degc=21.0)],
        line={"pull_up_ohm": 1000},
    )
    ran = run_plan("- read: {quantity: temperature}", data)
    (result,) = ran.step("1").results
    assert ran.code == 0
    assert result.passed_after_retry
    assert "freshness cannot be seen" in result.attempts[0].message
    assert result.shown.evidence["quality"] == "valid"


@pytest.mark.slow
def test_marker_tells_a_restart(
    run_plan: Make, bench_data: Make, new_device: Make
) -> None:
    """A chip that restarts in each conversion loses the marker, and says no value."""
    data = bench_data(
        [new_device(0x28, 5), new_device(0x28, 6)],
        faults=[{"kind": "stuck-at-power-on", "device": "S2"}],
    )
    ran = run_plan("- read: {quantity: temperature_restart_checked}", data)
    sound, bad = ran.step("1").results
    assert sound.outcome is Outcome.PASSED
    assert bad.outcome is Outcome.FAILED
    assert "restarted meanwhile" in bad.shown.message
    assert bad.shown.measurements == ()
    assert bad.shown.evidence["quality"] == "rejected"


@pytest.mark.slow
def test_marker_leaves_the_settings_as_they_were(
    run_plan: Make, bench_data: Make, new_device: Make
) -> None:
    """Alarm bytes read the same before and after a marked reading."""
    device = new_device(0x28, 5, alarm_high_degc=40, alarm_low_degc=-3)
    ran = run_plan(
        "- read: {quantity: temperature_restart_checked}\n"
        "- read: {quantity: alarm_high, wanted: 40}\n"
        "- read: {quantity: alarm_low, wanted: -3}",
        bench_data([device]),
    )
    assert ran.code == 0
