"""What failed once by a few echoes is asked again; what failed twice stands."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from harness.errors import CheckValueWrong, DeviceError, SlotDisturbed
from harness.plans.schema.bodies import Configure, Read
from harness.plans.steps.second_look import (
    by_echo,
    fault_not_again,
    may_look_again,
    seen_twice,
)
from harness.plans.steps.slots.points import Point
from harness.plans.steps.slots.probe import SlotProbe
from harness.records import Attempt, CheckResult, Outcome

Make = Callable[..., Any]
"""A fixture that makes something; conftest has the signatures."""

READ = Read(quantity="temperature")


def failed(kind: str, **evidence: object) -> CheckResult:
    """A failure of a kind."""
    return CheckResult(
        outcome=Outcome.FAILED, kind=kind, message="as told", evidence=evidence
    )


@pytest.mark.parametrize(
    ("result", "asked_again"),
    [
        (failed("check-value"), True),
        (failed("slot-disturbed"), True),
        (failed("device-absent"), True),
        (failed("count"), True),
        (failed("presence-late"), True),
        (failed("no-presence", odd=1), True),
        (failed("no-presence", odd=2), False),  # two resets of one step
        (failed("unsteady", odd=1), True),
        (failed("unsteady", odd=3), False),
        (failed("limit"), False),  # its bits have travelled
        (failed("family"), False),
        (failed("line-shorted"), False),  # asked twice where it is found
        (CheckResult(outcome=Outcome.PASSED, evidence={"odd": 1}), False),
    ],
)
def test_what_is_asked_again(result: CheckResult, asked_again: bool) -> None:
    """Failures that a few echoes make, seen once."""
    assert by_echo(result) is asked_again


def test_who_is_asked_again() -> None:
    """Nobody twice who failed in an earlier try, and no step with hazards."""
    once = Attempt(outcome=Outcome.FAILED, kind="check-value", message="")
    spoilt = Attempt(outcome=Outcome.ERROR, kind="no-echo", message="")
    assert may_look_again([], READ)
    assert may_look_again([spoilt], READ)
    assert not may_look_again([spoilt, once], READ)
    risky = Configure(settings={"lock": True}, hazard=("lock",))
    assert not may_look_again([], risky)


@pytest.mark.parametrize(
    ("second", "outcome", "kind"),
    [
        (failed("slot-disturbed"), Outcome.FAILED, "check-value"),
        (CheckResult(outcome=Outcome.PASSED), Outcome.ERROR, "echo-doubtful"),
        (CheckResult(outcome=Outcome.SKIPPED), Outcome.ERROR, "echo-doubtful"),
        (CheckResult(outcome=Outcome.ERROR, kind="no-echo"), Outcome.ERROR, "no-echo"),
    ],
)
def test_what_the_second_look_makes_of_it(
    second: CheckResult, outcome: Outcome, kind: str
) -> None:
    """Failed again: as first told. Else an error that still tells what failed."""
    told = seen_twice(failed("check-value", block="00"), second)
    assert (told.outcome, told.kind) == (outcome, kind)
    assert "as told" in told.message
    assert told.evidence["second_look"]["outcome"] == str(second.outcome)


def test_gone_for_good_stays_a_failure(run_plan: Make, three: Make) -> None:
    """A device that drops off is absent at the second look too."""
    gone = {"kind": "device-drops-off", "device": "S2", "at_s": 0.4}
    ran = run_plan("- wait: {for_s: 1}\n- verify: {sockets: all}", three(faults=[gone]))
    result = ran.shown("2", "S2")
    assert (ran.code, result.kind) == (1, "device-absent")
    assert result.evidence["second_look"]["kind"] == "device-absent"


@pytest.mark.parametrize(
    ("fault", "kind"),
    [
        ({"kind": "damaged-command", "probability": 1}, "device-absent"),
        (
            {"kind": "damaged-command", "command": 0xBE, "probability": 1},
            "device-absent",
        ),
    ],
)
def test_a_bad_device_stays_a_failure(
    run_plan: Make, three: Make, fault: dict[str, Any], kind: str
) -> None:
    """It fails each time that it is asked, its neighbour never."""
    steps = "- enumerate: {}\n- read: {quantity: temperature}"
    ran = run_plan(steps, three(faults=[{**fault, "device": "S2"}]))
    assert ran.code == 1
    assert ran.shown("2", "S1").outcome is Outcome.PASSED
    assert ran.shown("2", "S2").kind == kind


def test_supply_of_a_device_that_is_gone(run_plan: Make, three: Make) -> None:
    """A line that nobody pulls says external: no verdict without the device's answer."""
    gone = {"kind": "device-drops-off", "device": "S2", "at_s": 1}
    steps = "- enumerate: {}\n- wait: {for_s: 2}\n- read: {quantity: power_supply}"
    ran = run_plan(steps, three(faults=[gone]))
    assert ran.shown("3", "S1").outcome is Outcome.PASSED
    assert ran.shown("3", "S2").kind == "device-absent"


# -- stressed slots -------------------------------------------------------------------


class Scripted(SlotProbe):
    """A probe whose tries come out as written."""

    def __init__(self, tries: list[tuple[int, int] | DeviceError]) -> None:
        self._left = tries
        self._bus = self  # type: ignore[assignment]
        self.adapter = self
        self._try = self._next

    def settle(self) -> bytes:
        """As an adapter does."""
        return b""

    def _next(self, made: object) -> tuple[int, int]:
        found = self._left.pop(0)
        if isinstance(found, DeviceError):
            raise found
        return found


def point() -> Point:
    """A low time; how it is made does not matter."""
    return Point(asked_us=60.0, made=None)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("tries", "wrong", "only_once"),
    [
        ([(20, 0), (20, 0)], 0, False),
        ([(20, 3), (20, 0), (20, 0)], 3, True),
        ([(20, 3), (20, 1)], 3, False),
    ],
)
def test_a_point_that_failed_is_tried_again(
    tries: list[tuple[int, int] | DeviceError], wrong: int, only_once: bool
) -> None:
    """A point counts as failed if slots fail in the second round as well."""
    tried = point()
    Scripted(tries).sweep([tried], 40)
    assert (tried.wrong, tried.only_once) == (wrong, only_once)


def test_a_try_that_broke_off_is_made_again() -> None:
    """Once: an error that cannot tell. Twice: the fault."""
    fault = CheckValueWrong("block 00: check byte 00h, computed 01h")
    with pytest.raises(
        type(fault_not_again(fault)), match="cannot be determined"
    ) as caught:
        Scripted([fault, (20, 0)]).sweep([point()], 40)
    assert caught.value.facts["doubted"] == "check-value"
    with pytest.raises(CheckValueWrong):
        Scripted([fault, fault]).sweep([point()], 40)


def test_the_error_keeps_the_fault() -> None:
    """What happened, where, and what kind it would have been."""
    told = fault_not_again(SlotDisturbed("1 of 80 written slots", where="port"))
    assert told.what.startswith("1 of 80 written slots; not so when asked again")
    assert (told.where, told.facts) == ("port", {"doubted": "slot-disturbed"})
