"""Bytes of one's own on simulated devices: proved, cut, judged, and gated."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from harness.families.hazard import Hazard
from harness.plans.loading.files import PlanError, parse_plan
from harness.records import Bound, Outcome

Make = Callable[..., Any]
"""A fixture that makes or runs something."""

RAW = frozenset({Hazard.RAW_WRITE})
SCRATCHPAD = """
- for_each:
    family: 0x28
    steps:
      - transact:
          write: "BE"
          read: 9
          crc: [{kind: crc-8}]
          values:
            - {name: degrees, at: 0, bytes: 2, signed: true, scale: 0.0625, unit: degC, low: 80, high: 90}
            - {name: resolution_code, at: 4, shift: 5, bits: 2, wanted: 3}
"""


def _thermometers(bench_data: Make, new_device: Make, **more: object) -> Any:  # noqa: ANN401
    return bench_data([new_device(0x28, n, **more) for n in (5, 6)])


def test_a_scratchpad_is_proved_and_cut(
    run_plan: Make, bench_data: Make, new_device: Make
) -> None:
    """Power-on value 85 degC, 12 bits (data sheet of family 28h p. 4 and 9)."""
    ran = run_plan(SCRATCHPAD, _thermometers(bench_data, new_device))
    result = ran.shown("1.1", "S2")
    assert (ran.code, result.outcome) == (0, Outcome.PASSED)
    assert [(m.name, m.value, m.unit) for m in result.measurements] == [
        ("degrees", 85, "degC"),
        ("resolution_code", 3, ""),
    ]
    assert result.evidence["sent"] == "BE"
    assert result.evidence["answer"].startswith("50 05")


def test_a_conversion_needs_the_hazard_and_is_waited_for(
    run_plan: Make, bench_data: Make, new_device: Make
) -> None:
    """Busy slots are polled, the time is a bound; without ``raw-write`` nothing is sent."""
    data = _thermometers(bench_data, new_device, temperature_degc=21.0)
    steps = """
    - transact: {select: skip, write: "44", busy: {up_to_ms: 800}, hazard: raw-write}
    - transact: {family: 0x28, write: "BE", read: 9, crc: [{kind: crc-8}],
                 values: [{name: degrees, at: 0, bytes: 2, signed: true, scale: 0.0625, low: 20, high: 22}]}
    """
    with pytest.raises(PlanError, match="transact 44 is refused"):
        run_plan(steps, data)
    ran = run_plan(steps, data, allow=RAW)
    (busy,) = ran.shown("1").measurements
    assert (ran.code, busy.name, busy.bound) == (0, "busy_time", Bound.AT_MOST)
    assert 400 < float(busy.value) < 750


def test_a_device_that_stays_busy_fails(
    run_plan: Make, bench_data: Make, new_device: Make
) -> None:
    """12 bits take longer than 100 ms."""
    step = """- transact: {family: 0x28, write: "44", busy: {up_to_ms: 100}, hazard: raw-write}"""
    ran = run_plan(step, _thermometers(bench_data, new_device), allow=RAW)
    assert ran.shown("1", "S1").kind == "still-busy"


def test_parasite_supply_is_fed(
    run_plan: Make, bench_data: Make, new_device: Make
) -> None:
    """The strong pull-up of the fixture feeds a conversion."""
    power = {"strong_pull_up_on": "rts-without-dtr", "strong_pull_up_ohm": 390}
    data = {
        **bench_data([new_device(0x28, 5, supply="parasite", temperature_degc=21.0)]),
        "power": power,
    }
    steps = """
    - transact: {family: 0x28, write: "44", wait_ms: 750, strong_pull_up: true, hazard: raw-write}
    - transact: {family: 0x28, write: "BE", read: 9, crc: [{kind: crc-8}],
                 values: [{name: degrees, at: 0, bytes: 2, scale: 0.0625, low: 20, high: 22}]}
    """
    assert run_plan(steps, data, allow=RAW).code == 0


def test_crc_16_over_command_and_answer(
    run_plan: Make, bench_data: Make, new_device: Make
) -> None:
    """Registers of an eight-channel switch (data sheet of family 29h p. 13)."""
    step = """- transact: {family: 0x29, write: "F0 88 00", read: 10,
                           crc: [{kind: crc-16, over: write-and-answer}]}"""
    assert run_plan(step, bench_data([new_device(0x29, 5)])).code == 0


def test_either_speed(run_plan: Make, bench_data: Make, new_device: Make) -> None:
    """A memory is read in overdrive, and the bus comes back from it."""
    line = {"pull_up_ohm": 1000, "cable_m": 1}
    steps = """
    - transact: {family: 0x2D, write: "F0 00 00", read: 4, twice: true, speed: overdrive}
    - enumerate: {count: 2}
    """
    data = bench_data([new_device(0x2D, 5), new_device(0x28, 6)], line=line)
    ran = run_plan(steps, data)
    assert ran.code == 0
    assert ran.step("1").title == "transact F0 00 00 in overdrive"


def test_read_rom_without_a_selection(
    run_plan: Make, bench_data: Make, new_device: Make
) -> None:
    """One device alone answers 33h with its ROM code."""
    step = """- transact: {select: none, write: "33", read: 8, crc: [{kind: crc-8}],
                           values: [{name: family, at: 0, wanted: 40}]}"""
    assert run_plan(step, bench_data([new_device(0x28, 5)])).code == 0


def test_expected_bytes_under_a_mask(
    run_plan: Make, bench_data: Make, new_device: Make
) -> None:
    """What the mask leaves out does not count; what differs is shown."""
    step = """- transact: {family: 0x28, write: "BE", read: 2, twice: true, expect: "5%s 05", mask: "F0 FF"}"""
    data = _thermometers(bench_data, new_device)
    assert run_plan(step % "F", data).code == 0
    failed = run_plan(step.replace("5%s", "60"), data).shown("1", "S1")
    assert (failed.outcome, failed.message) == (
        Outcome.FAILED,
        "answer is 50 05, wanted 60 05",
    )


def test_a_wrong_check_value_and_silence(
    run_plan: Make, bench_data: Make, new_device: Make
) -> None:
    """Bytes without CRC taken for some with it; a family that does not answer."""
    step = """- transact: {family: 0x%s, write: "BE", read: 8, hazard: raw-write, crc: [{kind: crc-8}]}"""
    data = bench_data([new_device(0x28, 5), new_device(0x01, 6)])
    assert run_plan(step % "28", data, allow=RAW).shown("1", "S1").kind == "check-value"
    silent = run_plan(step % "01", data, allow=RAW).shown("1", "S2")
    assert silent.kind == "device-absent"


def test_after_raw_bytes_nothing_is_known(
    run_plan: Make, bench_data: Make, new_device: Make
) -> None:
    """A setting of this run is made again by the step that needs it, and remarked."""
    steps = """
    - for_each:
        family: 0x28
        steps:
          - configure: {settings: {resolution_bits: 9}}
          - transact: {write: "4E 00 00 7F", hazard: raw-write}
          - read: {quantity: temperature}
    """
    ran = run_plan(steps, _thermometers(bench_data, new_device), allow=RAW)
    assert ran.code == 0
    assert any("resolution_bits" in n for n in ran.shown("1.3", "S1").notes)


def test_two_devices_that_answer_at_once_are_named_beside_noise(
    run_plan: Make, bench_data: Make, new_device: Make
) -> None:
    """Read ROM by two: the AND of both has no right CRC, and no device is broken."""
    step = '- transact: {select: none, write: "33", read: 8, crc: [{kind: crc-8}]}'
    two = [new_device(0x28, 5), new_device(0x28, 6)]
    result = run_plan(step, bench_data(two)).shown("1")
    assert result.kind == "check-value"
    assert result.hint.startswith(
        "2 devices are on the bus: those that answer at once look the same"
    )
    assert result.hint.endswith("if it stays look at the device")
    assert run_plan(step, bench_data(two[:1])).code == 0


MISTAKES = {
    "{family: 0x28, write: 44}": "44 without quotes is a number",
    '{family: 0x28, write: "4"}': "'4' is no row of bytes",
    "{family: 0x28}": "nothing to write and nothing to read",
    '{write: "BE", read: 9}': "does not say which devices are meant",
    '{select: skip, family: 0x28, write: "44"}': "family beside select: skip",
    '{family: 0x28, write: "BE", read: 2, expect: "50"}': "expect has 1 bytes and read 2",
    '{family: 0x28, write: "BE", read: 1, expect: "50", mask: "F0 0F"}': "mask has 2",
    '{family: 0x28, write: "BE", read: 1, crc: [{kind: crc-16}]}': "crc-16 at byte -1",
    '{family: 0x28, write: "BE", read: 1, crc: [{kind: crc-32}]}': "kind is 'crc-32'",
    '{family: 0x28, write: "BE", read: 2, values: [{name: a, at: 2}]}': "ends with byte 2",
    '{family: 0x28, write: "BE", read: 2, values: [{name: a, at: 0, shift: 6, bits: 3}]}': "bits 6 to 8 of a place of 8 bits (bytes is 1); expected bytes: 2",
    '{family: 0x28, write: "BE", read: 2, values: [{name: a, at: 0}, {name: a, at: 1}]}': "two values",
    '{family: 0x28, write: "BE", strong_pull_up: true}': "strong_pull_up for no time",
    '{family: 0x28, write: "44", wait_ms: 5, busy: {up_to_ms: 5}}': "busy and wait_ms",
    '{family: 0x28, write: "44", bussy: {up_to_ms: 5}}': "did you mean 'busy'",
    '{family: 0x28, write: "44", hazard: raw-rite}': "did you mean 'raw-write'",
}


@pytest.mark.parametrize(("body", "words"), MISTAKES.items())
def test_mistakes_have_their_place(body: str, words: str) -> None:
    """Line and column, what is wrong, and what would be right."""
    with pytest.raises(PlanError) as raised:
        parse_plan(f"plan: p\nsteps:\n  - transact: {body}\n", "p.yaml")
    (problem,) = raised.value.problems
    assert words in str(problem)
    assert problem.line == 3
    assert problem.column > 4


def test_family_inside_a_for_each() -> None:
    """The loop alone chooses the devices."""
    with pytest.raises(PlanError, match="family inside the for_each on line 3"):
        parse_plan(
            "plan: p\nsteps:\n  - for_each: {family: 0x28, steps: "
            '[transact: {family: 0x28, write: "BE", read: 9}]}',
            "p",
        )
