"""Mistakes of check steps, told with place, right form and nearest word."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

import pytest

from harness.plans.loading.files import PlanError, check_together, parse_plan
from harness.plans.schema.files import CheckBody, Fixture, json_schema
from harness.wire.romcode import RomCode

Make = Callable[..., Any]
"""A fixture that makes or runs something."""


def told(step: str) -> list[str]:
    """The problems of a plan with one step on line 3."""
    with pytest.raises(PlanError) as raised:
        parse_plan(f"plan: p\nsteps:\n  - {step}\n", "p")
    return [str(problem) for problem in raised.value.problems]


def in_2d(check: str) -> str:
    """A check on EEPROM 2Dh."""
    return f"for_each: {{family: 0x2D, steps: [check: {{{check}}}]}}"


@pytest.mark.parametrize(
    ("step", "pattern"),
    [
        (
            "check: {function: memory_patern}",
            r"p:3:23: no known family has a check 'memory_patern'; expected one of .*; "
            r"did you mean 'memory_pattern'\?",
        ),
        (
            in_2d("function: loop_back"),
            r"p:3:\d+: family 0x2D has no check 'loop_back'; expected one of memory_verify",
        ),
        (
            "for_each: {family: [0x2D, 0x01], steps: [check: {function: memory_verify}]}",
            r"family 0x01 has no check 'memory_verify'; expected no check step for it",
        ),
        (
            in_2d("function: memory_verify, with: {strat: 1}"),
            r"memory_verify has no option 'strat'; .*did you mean 'start'\?",
        ),
        (
            in_2d("function: memory_verify, with: {start: -1}"),
            r"option start is -1; expected a whole number from 0",
        ),
        (
            in_2d("function: memory_verify, with: {fill: blnk}"),
            r"option fill does not take this value 'blnk'; expected one of blank, zeros",
        ),
        (
            in_2d("function: protection_write, with: {number: 1}, hazard: lock"),
            r"protection_write needs option 'mode'; expected with: {mode: one of",
        ),
        (
            in_2d("function: memory_pattern, hazard: [memory-ware]"),
            r"unknown hazard 'memory-ware'; .*did you mean 'memory-wear'\?",
        ),
        (
            "configure: {settings: {resolution_bits: 9}, hazard: lok}",
            r"unknown hazard 'lok'; .*did you mean 'lock'\?",
        ),
        (
            "check: {function: memory_verify, wiht: {start: 1}}",
            r"unknown key 'wiht'.*did you mean 'with'\?",
        ),
    ],
)
def test_each_mistake_has_its_own_words(step: str, pattern: str) -> None:
    """One mistake comes to one message, at its place."""
    (message,) = told(step)
    assert re.search(pattern, message), message


def test_all_mistakes_at_once() -> None:
    """Option and hazard of one step, in the order of the file."""
    messages = told(in_2d("function: memory_pattern, with: {length: 0}, hazard: x"))
    assert [m.split(": ")[1].split(";")[0] for m in messages] == [
        "option length is 0",
        "unknown hazard 'x'",
    ]


def test_a_parameter_stands_for_an_option() -> None:
    """The value in force is judged, as with any key."""
    text = (
        "plan: p\nparameters: {first: 8}\n"
        "steps: [check: {function: memory_verify, with: {start: $first, fill: blank}}]\n"
    )
    body = parse_plan(text, "p", {"first": "16"}).steps[0].body
    assert isinstance(body, CheckBody)
    assert body.with_ == {"start": 16, "fill": "blank"}
    with pytest.raises(PlanError, match="option start is -5"):
        parse_plan(text, "p", {"first": "-5"})


def test_a_function_that_the_socket_lacks(
    write_fixture: Callable[[dict[str, Any]], Fixture],
    bench_data: Make,
    new_device: Make,
) -> None:
    """Where for_each names sockets, the fixture says what sits there."""
    fixture = write_fixture(bench_data([new_device(0x08, 1), new_device(0x28, 2)]))
    plan = parse_plan(
        "plan: p\nsteps:\n"
        "  - for_each: {sockets: [S1, S2], steps: [check: {function: memory_verify}]}\n",
        "p",
    )
    (problem,) = check_together(plan, fixture)
    assert "socket S2 expects family 0x28, which has no 'memory_verify'" in problem.what


def test_json_schema_has_the_step() -> None:
    """An editor completes function, with and hazard; one name may stand without a list."""
    properties = json_schema("plan")["$defs"]["CheckBody"]["properties"]
    assert {"function", "with", "hazard", "retries"} <= set(properties)
    assert len(properties["hazard"]["anyOf"]) == 2


def test_functions_run_on_those_that_have_them(
    run_plan: Make, bench_data: Make, new_device: Make
) -> None:
    """A mixed bus: the check goes to the memories; a family without it is left alone."""
    data = bench_data([new_device(0x28, 1), new_device(0x08, 2), new_device(0x2D, 3)])
    ran = run_plan(
        "- check: {function: memory_verify, with: {fill: blank, length: 16}}", data
    )
    families = [result.device.family for result in ran.step("1").results]
    assert (ran.code, families) == (0, [0x08, 0x2D])


def test_nobody_has_it(run_plan: Make, bench_data: Make, new_device: Make) -> None:
    """Skipped with the reason, as a reading that nobody has."""
    steps = "- check: {function: memory_verify, with: {fill: blank}}"
    ran = run_plan(steps, bench_data([new_device(0x28, 1)]))
    (result,) = ran.step("1").results
    assert (str(result.outcome), result.shown.message) == (
        "skipped",
        "no device here has memory_verify",
    )


def test_a_failing_check_is_a_failed_device(
    run_plan: Make, bench_data: Make, new_device: Make
) -> None:
    """The value over its limit, and where the first difference is, in the evidence."""
    data = bench_data([new_device(0x08, 1, content="FF 00")])
    ran = run_plan("- check: {function: memory_verify, with: {fill: blank}}", data)
    (result,) = ran.step("1").results
    assert ran.code == 1
    assert result.shown.message == (
        "bytes_different is 1 bytes, above the high limit 0 bytes"
    )
    assert result.shown.evidence["first_differences"] == ["0001h: 00h, wanted FFh"]


def test_unknown_family_is_no_error(
    run_plan: Make, bench_data: Make, new_device: Make
) -> None:
    """A code that no module claims is enumerated, proved by its CRC and reported."""
    data = bench_data([new_device(0x01, 0xA4B3C2D1), new_device(0x28, 2)])
    code = RomCode.build(0x5A, 0xA4B3C2D1)
    data["simulation"]["devices"][0] = {
        "family": 0x01,
        "rom_code": str(code),
        "socket": "S1",
    }
    data["sockets"][0]["expect"] = {"rom_code": str(code)}
    steps = (
        "- enumerate: {count: 2, match_sockets: true}\n"
        "- read: {quantity: serial_number}\n"
        "- check: {function: memory_verify, with: {fill: blank}}\n"
    )
    ran = run_plan(steps, data)
    assert ran.code == 0
    kinds = [
        r.shown.evidence["family"]
        for r in ran.step("1").results
        if r.device and r.device.family == 0x5A and "family" in r.shown.evidence
    ]
    assert kinds == ["unknown family"]
