"""Steps in overdrive: who is found there, what is said where it cannot be had."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import pytest

from harness.plans.loading.files import parse_plan
from harness.plans.loading.problems import PlanError
from harness.records import Outcome
from harness.wire.romcode import RomCode

if TYPE_CHECKING:
    from tests.conftest import Ran

Data = Callable[..., dict[str, Any]]
Run = Callable[..., "Ran"]
New = Callable[..., dict[str, Any]]

LINE = {"pull_up_ohm": 1000, "cable_m": 1}


@pytest.fixture
def mixed(bench_data: Data, new_device: New) -> Data:
    """A bench with two devices that know overdrive and one that does not."""

    def make(**more: object) -> dict[str, Any]:
        devices = [new_device(0x2D, 1), new_device(0x43, 2), new_device(0x28, 3)]
        return bench_data(devices, **{"line": LINE, **more})

    return make


def test_enumerate_verify_and_read(run_plan: Run, mixed: Data) -> None:
    """Two of three are found in overdrive, proved, and read; the bus comes back."""
    ran = run_plan(
        """
        - enumerate: {count: 3}
        - verify: {sockets: [S1, S2], speed: overdrive}
        - for_each:
            family: 0x2D
            steps: [{read: {quantity: rom_code, speed: overdrive}}]
        - enumerate: {count: 2, speed: overdrive}
        - enumerate: {count: 3}
        """,
        mixed(),
    )
    assert ran.code == 0, [r.shown.message for _, r in ran.record.results]
    title = ran.step("4").title
    assert title == "enumerate 2 in overdrive"


def test_a_device_that_cannot_fails_where_overdrive_is_asked(
    run_plan: Run, mixed: Data
) -> None:
    """A plan that insists on overdrive fails a device that stays silent there."""
    ran = run_plan("- verify: {speed: overdrive}", mixed())
    assert ran.code == 1
    assert ran.shown("1", "S1").outcome is Outcome.PASSED
    silent = ran.shown("1", "S3")
    assert (silent.outcome, silent.kind) == (Outcome.FAILED, "no-presence")
    assert "does not answer in overdrive: its kind may not know it" in silent.message
    assert "its data sheet" in silent.hint


def test_a_slow_adapter_is_an_error_and_no_failed_device(
    run_plan: Run, mixed: Data
) -> None:
    """Customary rates only: the adapter cannot, and says which rate it lacks."""
    ran = run_plan("- verify: {speed: overdrive}", mixed(kind="unknown"))
    assert ran.code == 3
    shown = ran.shown("1", "S1")
    assert (shown.outcome, shown.kind) == (Outcome.ERROR, "cannot-overdrive")
    assert "at least 750000 baud" in shown.message


@pytest.mark.slow
def test_measure_takes_who_can_and_names_who_cannot(run_plan: Run, mixed: Data) -> None:
    """Every quantity of two devices with margins; the third one is named as skipped."""
    ran = run_plan("- measure: {what: devices, speed: overdrive}", mixed())
    assert ran.code == 0
    for socket in ("S1", "S2"):
        result = ran.shown("1", socket)
        names = {value.name for value in result.measurements}
        assert {"overdrive_sample_instant", "overdrive_presence_end"} <= names
        assert set(result.evidence["timing"]) == names
    (skipped,) = (
        result.shown
        for _, result in ran.record.results
        if result.shown.outcome is Outcome.SKIPPED
    )
    assert str(RomCode.build(0x28, 3)) in skipped.message


@pytest.mark.parametrize(
    ("more", "why"),
    [
        ({"kind": "unknown"}, "this adapter is too slow"),
        ({"line": {"pull_up_ohm": 4700, "cable_m": 20}}, "this line rises too slowly"),
    ],
)
def test_measure_is_skipped_where_overdrive_cannot_be_had(
    run_plan: Run, mixed: Data, more: dict[str, Any], why: str
) -> None:
    """One skipped result that says why; no device is blamed."""
    ran = run_plan("- measure: {what: devices, speed: overdrive}", mixed(**more))
    assert ran.code == 0
    ((_, result),) = ran.record.results
    assert result.shown.outcome is Outcome.SKIPPED
    assert why in result.shown.message


@pytest.mark.slow
def test_own_limits_in_overdrive(
    run_plan: Run, bench_data: Data, new_device: New
) -> None:
    """A plan's limits replace the published ones there too."""
    device = new_device(0x2D, 4, overdrive_times={"sample_us": 3.0})
    data = bench_data([device], line=LINE)
    step = "- measure: {{what: sample_instant, speed: overdrive, high: {high}}}"
    assert run_plan(step.format(high=4.0), data).code == 0
    ran = run_plan(step.format(high=2.0), data)
    assert ran.code == 1
    assert "overdrive_sample_instant is" in ran.shown("1", "S1").message


@pytest.mark.parametrize("what", ["line", "rise_time", "[sample_instant, reset_high]"])
def test_the_line_is_not_measured_in_overdrive(what: str) -> None:
    """What belongs to the line or to standard resets is refused when the plan loads."""
    text = f"plan: p\nsteps:\n  - measure: {{what: {what}, speed: overdrive}}\n"
    with pytest.raises(PlanError, match="in overdrive"):
        parse_plan(text, "plan.yaml")
