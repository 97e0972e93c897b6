"""Steps about the bus as a whole: reset, enumerate, verify."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from harness.records import CheckResult, Outcome
from harness.results.wording import value_row
from harness.wire.romcode import RomCode

Make = Callable[..., Any]
"""A fixture that makes or runs something."""


def values(result: CheckResult) -> dict[str, Any]:
    """Measured values by name."""
    return {m.name: m.value for m in result.measurements}


def test_resets_are_counted(run_plan: Make, three: Make) -> None:
    """A passed reset step says how many of how many resets were answered."""
    ran = run_plan("- reset: {times: 25}", three())
    result = ran.shown("1")
    assert ran.code == 0
    assert values(result) == {"presence_seen": 25}
    assert result.measurements[0].low == 25
    assert sum(result.evidence["presence"].values()) == 25


def test_reset_that_must_stay_unanswered(run_plan: Make, three: Make) -> None:
    """With presence: absent an answered reset fails and tells to empty the sockets."""
    ran = run_plan("- reset: {times: 3, presence: absent}", three())
    result = ran.shown("1")
    assert ran.code == 1
    assert (result.outcome, result.kind) == (Outcome.FAILED, "presence-seen")
    assert "empty the sockets" in result.hint


def test_an_empty_bus_may_be_wanted(run_plan: Make, three: Make) -> None:
    """With presence: absent an empty bus passes."""
    empty = three(faults=[{"kind": "device-absent"}])
    assert run_plan("- reset: {times: 3, presence: absent}", empty).code == 0


def test_first_wrong_reset_is_named(run_plan: Make, three: Make) -> None:
    """A bus that falls silent on the way is told with the first silent reset."""
    steps = "- reset: {times: 50}"
    start_s = run_plan(steps, three()).started_s("1")
    silent = three(faults=[{"kind": "device-absent", "at_s": start_s + 0.05}])
    result = run_plan(steps, silent).shown("1")
    first = int(result.message.rsplit(" ", 1)[1])
    assert result.kind == "no-presence"
    assert 1 < first < 50
    assert result.message.startswith(f"{51 - first} of 50 resets")


def test_enumerate_gives_bus_and_devices(run_plan: Make, three: Make) -> None:
    """Enumerate leaves one result for the bus and one for each device, in socket order."""
    ran = run_plan("- enumerate: {count: 3, match_sockets: true}", three())
    assert ran.step("1").outcome is Outcome.PASSED
    sockets = [r.device.socket if r.device else "" for r in ran.step("1").results]
    assert sockets == ["", "S1", "S2", "S3"]
    assert values(ran.shown("1")) == {"devices": 3}


def test_enumerate_count_names_who_is_missing(run_plan: Make, three: Make) -> None:
    """A wrong count names the sockets whose device was not found."""
    data = three(faults=[{"kind": "device-absent", "device": "S2"}])
    result = run_plan("- enumerate: {count: 3}", data).shown("1")
    assert result.kind == "count"
    assert f"S2 ({RomCode.build(0x28, 6)})" in result.message
    assert "reseat" in result.hint


def test_enumerate_at_least(run_plan: Make, three: Make) -> None:
    """at_least is a low limit alone."""
    assert run_plan("- enumerate: {at_least: 2}", three()).code == 0
    assert run_plan("- enumerate: {at_least: 4}", three()).code == 1


def test_enumerate_refuses_a_stranger_family(run_plan: Make, three: Make) -> None:
    """A device of another family than allowed fails by itself, the others pass."""
    ran = run_plan("- enumerate: {families: 0x28}", three())
    assert ran.shown("1", "S3").kind == "family"
    assert "01h" in ran.shown("1", "S3").message
    assert ran.shown("1", "S1").outcome is Outcome.PASSED


def test_scans_must_agree(run_plan: Make, three: Make) -> None:
    """A device that goes away between scans fails the step, with the scans it was in."""
    steps = "- reset: {}\n- enumerate: {scans: 8}"
    start_s = run_plan(steps, three()).started_s("2")
    gone = {"kind": "device-drops-off", "device": "S2", "at_s": start_s + 0.1}
    ran = run_plan(steps, three(faults=[gone]))
    result = ran.shown("2")
    seen = result.evidence["found_in_scans"]
    assert ran.code == 1
    assert values(result)["equal_scans"] < 8
    assert 0 < seen[str(RomCode.build(0x28, 6))] < 8
    assert seen[str(RomCode.build(0x28, 5))] == 8


def test_newcomer_is_proved_twice(run_plan: Make, three: Make) -> None:
    """A device that no socket expects is proved by a directed search of its own."""
    data = three()
    del data["sockets"][2]["expect"]["rom_code"]
    ran = run_plan("- enumerate: {}", data)
    newcomers = [
        r.shown for r in ran.step("1").results if r.device and not r.device.socket
    ]
    assert [n.evidence.get("newcomer") for n in newcomers] == [True]


def test_match_sockets_by_family(run_plan: Make, three: Make) -> None:
    """A socket that expects a family fails when no such device is left for it."""
    data = three(faults=[{"kind": "device-absent", "device": "S2"}])
    for socket in data["sockets"]:
        socket["expect"] = {"family": 0x28}
    ran = run_plan("- enumerate: {match_sockets: true}", data)
    missing = [r.shown for r in ran.step("1").results if r.outcome is Outcome.FAILED]
    assert [m.kind for m in missing] == ["device-absent"]
    assert "28h" in missing[0].message


def test_alarm_search(run_plan: Make, bench_data: Make, new_device: Make) -> None:
    """A conditional search finds the one device above its threshold and nobody else."""
    limits = {"alarm_high_degc": 30, "alarm_low_degc": 0}
    hot = new_device(0x28, 5, temperature_degc=40.0, **limits)
    cool = new_device(0x28, 6, temperature_degc=20.0, **limits)
    ran = run_plan(
        [{"convert": {}}, {"enumerate": {"alarm": True, "count": 1}}],
        bench_data([hot, cool]),
    )
    assert ran.code == 0
    found = ran.shown("2").evidence["rom_codes"]
    assert found == [str(RomCode.build(0x28, 5))]


def test_verify_each_socket(run_plan: Make, three: Make) -> None:
    """Verify proves the named sockets only, and skips one without a ROM code."""
    data = three()
    data["sockets"][1]["expect"] = {"family": 0x28}
    ran = run_plan("- verify: {sockets: [S1, S2]}", data)
    assert ran.shown("1", "S1").outcome is Outcome.PASSED
    skipped = ran.shown("1")
    assert (skipped.outcome, skipped.kind) == (Outcome.SKIPPED, "no-rom-code")
    assert "S2" in skipped.message
    assert len(ran.step("1").results) == 2


def test_verify_misses_a_device(run_plan: Make, three: Make) -> None:
    """An absent device fails verify by name; the others pass."""
    data = three(faults=[{"kind": "device-absent", "device": "S2"}])
    ran = run_plan("- verify: {}", data)
    assert ran.shown("1", "S2").kind == "device-absent"
    assert ran.shown("1", "S1").outcome is Outcome.PASSED


def test_retry_stays_visible(run_plan: Make, three: Make) -> None:
    """A pass after a retry keeps the try that went before it, and counts it.

    The device comes back while the adapter is being proved after the first try, which
    takes about a second.
    """
    steps = "- verify: {retries: 3}"
    start_s = run_plan(steps, three()).started_s("1")
    gone = {"kind": "device-absent", "device": "S1", "for_s": start_s + 1.5}
    ran = run_plan(steps, three(faults=[gone]))
    first = next(
        r for r in ran.step("1").results if r.device and r.device.socket == "S1"
    )
    assert first.passed_after_retry
    assert first.attempts[0].kind == "device-absent"
    assert first.tries == 1 + first.retries


def test_hint_of_the_plan_wins(run_plan: Make, three: Make) -> None:
    """A step's own hint takes the place of the built-in one."""
    data = three(faults=[{"kind": "device-absent", "device": "S1"}])
    ran = run_plan("- verify: {hint: look under the lid}", data)
    assert ran.shown("1", "S1").hint == "look under the lid"
    assert ran.shown("1", "S2").hint == ""


# -- hints and verdicts fit what happened -------------------------------------------------


def test_too_many_devices_are_named(run_plan: Make, three: Make) -> None:
    """Nothing is missing, so nothing is to be reseated: the extra one is named."""
    data = three()
    extra = RomCode.build(0x01, 7)
    data["sockets"].pop(2)
    data["simulation"]["devices"][2].pop("socket", None)
    result = run_plan("- enumerate: {count: 2}", data).shown("1")
    assert result.message.startswith(
        "3 devices found, 2 expected; expected by no socket"
    )
    assert f"{extra} (family 01h" in result.message
    assert "take out" in result.hint
    assert "reseat" not in result.hint


def test_too_many_of_a_family(run_plan: Make, three: Make) -> None:
    """Sockets that name families only still tell which kind is one too many."""
    data = three()
    for place, family in enumerate((0x28, 0x01)):
        data["sockets"][place]["expect"] = {"family": family}
    data["sockets"].pop(2)
    for device in data["simulation"]["devices"]:
        device.pop("socket", None)
    result = run_plan("- enumerate: {count: 2}", data).shown("1")
    assert f"expected by no socket: 1 of {RomCode.build(0x28, 6)} (" in result.message
    assert str(RomCode.build(0x01, 7)) not in result.message


def test_too_many_for_the_plan_alone(run_plan: Make, three: Make) -> None:
    """All are named by the fixture: then the plan is wrong, not the bus."""
    result = run_plan("- enumerate: {count: 2}", three()).shown("1")
    assert "plan and fixture disagree" in result.hint


def test_another_device_in_the_socket(run_plan: Make, three: Make) -> None:
    """Right family, other ROM code: it is named beside the one that is missing."""
    data = three()
    data["sockets"][1]["expect"] = {"rom_code": str(RomCode.build(0x28, 99))}
    ran = run_plan("- enumerate: {count: 3, match_sockets: true}", data)
    missing = next(
        r.shown for r in ran.step("1").results if r.outcome is Outcome.FAILED
    )
    assert f"found and named by no socket: {RomCode.build(0x28, 6)}" in missing.message
    assert f"`rom_code: {RomCode.build(0x28, 6)}`" in missing.hint


def test_verify_names_the_device_that_may_sit_there(
    run_plan: Make, three: Make
) -> None:
    """After an enumeration the stranger of the same family is known."""
    data = three()
    data["sockets"][1]["expect"] = {"rom_code": str(RomCode.build(0x28, 99))}
    ran = run_plan("- enumerate: {}\n- verify: {sockets: [S2]}", data)
    absent = ran.shown("2", "S2")
    assert absent.kind == "device-absent"
    assert f"{RomCode.build(0x28, 6)} (family 28h" in absent.hint


def test_scans_that_differ_are_no_matter_of_reseating(
    run_plan: Make, three: Make
) -> None:
    """A device that comes and goes is named with the number of scans it was in."""
    steps = "- reset: {}\n- enumerate: {scans: 8}"
    start_s = run_plan(steps, three()).started_s("2")
    gone = {"kind": "device-drops-off", "device": "S2", "at_s": start_s + 0.1}
    result = run_plan(steps, three(faults=[gone])).shown("2")
    assert result.kind == "unsteady"
    assert "S2 (" in result.message
    assert "comes and goes" in result.hint


def test_a_wrong_number_in_alarm_has_its_own_advice(
    run_plan: Make, bench_data: Make, new_device: Make
) -> None:
    """Whoever is not in alarm need not be missing."""
    limits = {"alarm_high_degc": 30, "alarm_low_degc": 0}
    data = bench_data([new_device(0x28, 5, temperature_degc=40.0, **limits)])
    for count, hint in ((2, "convert before it"), (0, "their value and alarm limits")):
        steps = [{"convert": {}}, {"enumerate": {"alarm": True, "count": count}}]
        result = run_plan(steps, data).shown("2")
        assert hint in result.hint
        assert f"1 device in alarm found, {count} expected" in result.message


def test_a_proved_rom_code_is_judged(run_plan: Make, three: Make) -> None:
    """Not "no limits, not judged": the step says what it was judged by."""
    ran = run_plan("- enumerate: {families: [0x28, 0x01]}\n- verify: {}", three())
    lines = [value_row(ran.shown(step, "S1").measurements[0]).line for step in "12"]
    code = RomCode.build(0x28, 5)
    assert lines == [
        f"rom_code = {code} (CRC right, family allowed, expected in S1) ok",
        f"rom_code = {code} (answers a directed search) ok",
    ]
