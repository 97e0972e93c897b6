"""``only_if_passed``: what cannot be taken back waits for the verdict on all before it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from harness.families.hazard import Hazard
from harness.plans.execution.hazard_gate import require_allowed
from harness.plans.loading.files import parse_plan
from harness.plans.loading.problems import PlanError

Make = Callable[..., Any]
"""A fixture that makes or runs something."""

LOCK = {
    "check": {
        "function": "register_lock",
        "with": {"data": "01:02:03:04:05:06:07:08"},
        "hazard": ["lock"],
        "only_if_passed": True,
    }
}
IS_LOCKED = {"read": {"quantity": "register_locked"}}


@pytest.fixture
def lock(run_plan: Make, bench_data: Make, new_device: Make) -> Make:
    """Run steps, the lock among them, on a lockable EEPROM."""

    def run(*steps: Any) -> Any:  # noqa: ANN401 - a finished run
        data = bench_data([new_device(0x14, 5)])
        return run_plan(list(steps), data, allow=frozenset({Hazard.LOCK}))

    return run


def test_it_is_done_where_all_before_it_passed(lock: Make) -> None:
    """The register is locked, and reads so."""
    ran = lock({"reset": {}}, LOCK, IS_LOCKED)
    assert ran.code == 0
    assert ran.shown("3", "S1").measurements[0].value is True


def test_a_failure_before_it_leaves_it_out(lock: Make) -> None:
    """Skipped, with the step that failed, and nothing is locked; the unit has failed."""
    ran = lock({"enumerate": {"count": 2}}, {"reset": {}}, LOCK, IS_LOCKED)
    assert ran.code == 1
    shown = ran.shown("3")
    assert shown.outcome == "skipped"
    assert "step 1 (enumerate 2): failed" in shown.message
    assert ran.shown("4", "S1").measurements[0].value is False


def test_a_step_that_was_skipped_proves_nothing(lock: Make) -> None:
    """A unit without its lock must not pass, so that is an error."""
    absent = {"check": {"function": "i2c_scan"}}
    ran = lock(absent, LOCK, IS_LOCKED)
    assert ran.step("1").outcome == "skipped"
    assert ran.code == 3
    shown = ran.shown("2")
    assert shown.outcome == "error"
    assert "step 1 (check i2c_scan): skipped" in shown.message
    assert "did not happen in this run" in ran.shown("3", "S1").message


def test_the_step_around_it_may_say_so(
    run_plan: Make, bench_data: Make, new_device: Make
) -> None:
    """A whole for_each waits; its second device waits for its first."""
    data = bench_data([new_device(0x14, n) for n in (5, 6)])
    locks = {k: v for k, v in LOCK["check"].items() if k != "only_if_passed"}
    each = {"family": 0x14, "only_if_passed": True, "steps": [{"check": locks}]}
    plan = [{"for_each": each}, IS_LOCKED]
    ran = run_plan(plan, data, allow=frozenset({Hazard.LOCK}))
    assert ran.code == 0
    ran = run_plan(
        [{"enumerate": {"count": 3}}, *plan], data, allow=frozenset({Hazard.LOCK})
    )
    for socket in ("S1", "S2"):
        assert ran.shown("3", socket).measurements[0].value is False


GUARDED = """\
plan: p
steps:
  - for_each:
      steps:
        - read: {{quantity: rom_code{first}}}
        - repeat: {{times: 2, steps: [reset: {{only_if_passed: true}}]}}
"""


def test_behind_other_steps_of_a_round_it_is_a_mistake() -> None:
    """With two devices one would be locked before the other is judged."""
    with pytest.raises(PlanError, match=r"p.yaml:6:.*one device would be done before"):
        parse_plan(GUARDED.format(first=""), "p.yaml")
    parse_plan(GUARDED.format(first=", only_if_passed: true"), "p.yaml")


def test_the_hazard_is_asked_for_as_ever(write_fixture: Make, bench_data: Make) -> None:
    """The key takes no caution away: the lock must be named, and allowed."""
    text = (
        "plan: p\nsteps:\n  - check: {function: register_lock, only_if_passed: true,\n"
        "      with: {data: '01:02:03:04:05:06:07:08'}%s}\n"
    )
    fixture = write_fixture(bench_data([{"family": 0x14, "serial": 5}]))
    for more, told in (("", "does not say so"), (", hazard: lock", "does not allow")):
        with pytest.raises(PlanError, match=told):
            require_allowed(parse_plan(text % more, "p"), fixture, frozenset())
