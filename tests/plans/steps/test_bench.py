"""Steps about the bench: wait, prompt, switch, repeat."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from harness.errors import UsageError
from harness.records import Outcome

Make = Callable[..., Any]
"""A fixture that makes or runs something."""


class Answers:
    """An operator who answers from a list and keeps what was asked."""

    def __init__(self, *answers: bool) -> None:
        self.answers = list(answers)
        self.asked: list[tuple[str, bool]] = []

    def ask(self, text: str, *, yes_no: bool) -> bool:
        """The next answer."""
        self.asked.append((text, yes_no))
        return self.answers.pop(0)


class NobodyThere:
    """A terminal without a person."""

    def ask(self, text: str, *, yes_no: bool) -> bool:
        """Refuse."""
        raise UsageError("nobody is at the terminal")


def test_wait_takes_its_time(run_plan: Make, three: Make) -> None:
    """A wait lasts as long as it says, on the port's clock."""
    ran = run_plan("- wait: {for_s: 90}", three())
    assert ran.code == 0
    assert ran.step("1").duration_s == pytest.approx(90)


@pytest.mark.parametrize(("answer", "code"), [(True, 0), (False, 1)])
def test_prompt_yes_or_no(run_plan: Make, three: Make, answer: bool, code: int) -> None:
    """A yes passes, a no fails with the question in the message."""
    operator = Answers(answer)
    step = [{"prompt": {"text": "Is the lid shut?", "expect": "yes-no"}}]
    ran = run_plan(step, three(), operator=operator)
    assert operator.asked == [("Is the lid shut?", True)]
    assert ran.code == code
    if not answer:
        assert ran.shown("1").kind == "operator"
        assert "Is the lid shut?" in ran.shown("1").message


def test_prompt_without_a_person_is_an_error(run_plan: Make, three: Make) -> None:
    """A question that nobody can answer is an error of that step; the run goes on."""
    ran = run_plan("- prompt: {text: x}\n- reset: {}", three(), operator=NobodyThere())
    assert ran.code == 3
    assert ran.shown("1").outcome is Outcome.ERROR
    assert ran.shown("2").outcome is Outcome.PASSED


POWER_CYCLE = """
- convert: {}
- read: {quantity: temperature, fresh: false, low: 10, high: 30}
- switch: {supply: "off", settle_s: 1}
- switch: {supply: "on", settle_s: 1}
- read: {quantity: temperature, fresh: false}
- read: {quantity: temperature, low: 10, high: 30}
"""


def test_power_cycle_takes_the_conversion(
    run_plan: Make, bench_data: Make, new_device: Make
) -> None:
    """After supply off and on again a reading makes the conversion that was lost.

    The device then holds its power-on value of 85 degC: data sheet family 28h (part
    DS18B20), p. 4.
    """
    data = bench_data([new_device(0x28, 5, temperature_degc=21.0)])
    data["power"] = {"supply_on": "rts"}
    ran = run_plan(POWER_CYCLE, data)
    assert [str(s.outcome) for s in ran.record.steps] == ["passed"] * 6
    result = ran.shown("5", "S1")
    assert [m.value for m in result.measurements] == [21.0]
    assert result.evidence["conversion"] == "of this reading"
    assert "switched the supply on" in result.notes[0]
    assert not ran.shown("2", "S1").notes


def test_switching_without_a_switch_is_an_error(run_plan: Make, three: Make) -> None:
    """Asking for a switch that the fixture lacks is an error, never a failed device."""
    ran = run_plan('- switch: {supply: "off"}', three())
    assert ran.code == 3
    assert ran.shown("1").kind == "cannot-switch"
    assert "README" in ran.shown("1").hint


def test_repeat_counts_rounds(run_plan: Make, three: Make) -> None:
    """A repeated step is one step with a result for each round."""
    ran = run_plan("- repeat: {times: 4, steps: [{reset: {}}]}", three())
    rounds = [e["round"] for e in ran.events if e["event"] == "check_done"]
    assert rounds == [1, 2, 3, 4]
    (result,) = ran.step("1.1").results
    assert result.rounds == 4


def test_one_bad_round_counts(run_plan: Make, three: Make) -> None:
    """One failing round of many fails the step, and says which."""
    gone = {"kind": "device-absent", "at_s": 0.8, "for_s": 2.4}
    ran = run_plan(
        "- repeat: {times: 4, steps: [{reset: {}}, {wait: {for_s: 1}}]}",
        three(faults=[gone]),
    )
    (result,) = ran.step("1.1").results
    assert ran.code == 1
    assert result.round == 2
    assert result.counts == {Outcome.PASSED: 3, Outcome.FAILED: 1}


def test_strong_pull_up_feeds_a_parasite_device(
    run_plan: Make, bench_data: Make, new_device: Make
) -> None:
    """Through 2.2 kohm alone a conversion starves; with a strong pull-up it is right."""
    data = bench_data(
        [new_device(0x28, 5, supply="parasite", temperature_degc=21.0)],
        line={"pull_up_ohm": 2200},
    )
    read = "- read: {quantity: temperature, low: 20, high: 22}"
    assert run_plan(read, data).code == 1
    data["power"] = {
        "strong_pull_up_on": "rts-without-dtr",
        "strong_pull_up_ohm": 390,
    }
    assert run_plan(read, data).code == 0
