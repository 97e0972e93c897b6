"""What may hurt: named in the plan, allowed by name, borne by the fixture, or refused."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from harness.errors import UsageError
from harness.families.hazard import ALWAYS, Hazard, known_hazards
from harness.plans.execution.hazard_gate import (
    hazards_in,
    parse_allowed,
    require_allowed,
    require_named,
    require_on_device,
)
from harness.plans.loading.files import PlanError, parse_plan
from harness.plans.schema.files import Fixture, Plan
from harness.records import Outcome

Make = Callable[..., Any]
"""A fixture that makes or runs something."""

WEAR = frozenset({Hazard.MEMORY_WEAR})
ONCE = frozenset({Hazard.WRITE_ONCE, Hazard.PROGRAMMING_12_V})
PROGRAMMING = {"programming_v": 12.0, "programming_on": "dtr-without-rts"}


def plan_of(*steps: str) -> Plan:
    """A plan of steps, one a line."""
    return parse_plan("plan: p\nsteps:\n" + "".join(f"  - {s}\n" for s in steps), "p")


def pattern(hazard: str = "") -> str:
    """A step that wears EEPROM, and not RAM."""
    named = f", hazard: {hazard}" if hazard else ""
    return f"check: {{function: memory_pattern{named}, with: {{length: 8}}}}"


@pytest.fixture
def bench(
    write_fixture: Callable[[dict[str, Any]], Fixture],
    bench_data: Make,
    new_device: Make,
) -> Callable[..., Fixture]:
    """A fixture whose sockets expect these families."""

    def make(*families: int, **sections: object) -> Fixture:
        devices = [new_device(code, n) for n, code in enumerate(families, 1)]
        return write_fixture({**bench_data(devices), **sections})

    return make


def told(action: Callable[[], object]) -> list[str]:
    """The problems that an action raises."""
    with pytest.raises(PlanError) as raised:
        action()
    return [f"{p.line}: {p.what}; {p.expected}" for p in raised.value.problems]


def test_every_hazard_has_a_caution_that_defers() -> None:
    """Each names the harm and leaves the last word to data sheet, codes and staff."""
    for name in known_hazards():
        caution = Hazard(name).caution
        assert "data sheet" in caution
        assert "qualified staff" in caution
    assert any("ESD" in caution for caution in ALWAYS)


@pytest.mark.parametrize(
    ("families", "step", "hazards"),
    [
        ((0x2D,), pattern(), WEAR),
        ((0x08,), pattern(), frozenset()),
        ((0x08, 0x2D), pattern(), WEAR),
        (
            (0x08, 0x2D),
            f"for_each: {{family: 0x08, steps: [{pattern()}]}}",
            frozenset(),
        ),
        ((0x08, 0x2D), f"for_each: {{sockets: [S2], steps: [{pattern()}]}}", WEAR),
        (
            (0x08, 0x2D),
            f"for_each: {{sockets: [S1], steps: [{pattern()}]}}",
            frozenset(),
        ),
        ((0x08,), f"repeat: {{times: 2, steps: [{pattern()}]}}", frozenset()),
        ((0x2D,), "check: {function: memory_verify}", frozenset()),
        ((0x28,), "configure: {settings: {resolution_bits: 9}}", frozenset()),
    ],
)
def test_hazards_are_those_of_the_families_meant(
    bench: Make, families: tuple[int, ...], step: str, hazards: frozenset[Hazard]
) -> None:
    """By for_each first, by the sockets meant where it is silent."""
    uses = hazards_in(plan_of(step), bench(*families))
    assert {hazard for use in uses for hazard in use.hazards} == hazards


def test_an_open_socket_may_hold_anything(bench: Make) -> None:
    """Where one socket expects nothing, every family counts; likewise without a fixture."""
    fixture = bench(0x08, sockets=[{"name": "S1"}])
    plan = plan_of(pattern())
    assert hazards_in(plan, fixture)[0].hazards == WEAR
    assert hazards_in(plan)[0].hazards == WEAR


def test_not_named(bench: Make) -> None:
    """The message stands at the step and has the caution in it."""
    (problem,) = told(lambda: require_named(plan_of("reset:", pattern()), bench(0x2D)))
    assert problem.startswith("4: check memory_pattern can hurt")
    assert "hazard: [memory-wear]" in problem
    assert Hazard.MEMORY_WEAR.caution in problem


def test_named_and_not_allowed(bench: Make) -> None:
    """The message has the option to give."""
    plan = plan_of(pattern("memory-wear"))
    assert require_named(plan, bench(0x2D))
    (problem,) = told(lambda: require_allowed(plan, bench(0x2D), []))
    assert "the command line does not allow memory-wear" in problem
    assert "--allow memory-wear" in problem
    require_allowed(plan, bench(0x2D), WEAR)


def test_allowed_and_not_named(bench: Make) -> None:
    """The command line alone is not enough."""
    (problem,) = told(lambda: require_allowed(plan_of(pattern()), bench(0x2D), WEAR))
    assert "the step does not say so" in problem


def test_12_v_needs_the_fixture_too(bench: Make) -> None:
    """Named and allowed, but no programming supply: refused."""
    plan = plan_of(
        "check: {function: memory_program, with: {data: '00'}, "
        "hazard: [write-once, programming-12-v]}"
    )
    (problem,) = told(lambda: require_allowed(plan, bench(0x09), ONCE))
    assert "no programming supply" in problem
    require_allowed(plan, bench(0x09, power=PROGRAMMING), ONCE)


def test_another_hazard_does_not_count(bench: Make) -> None:
    """Each hazard by its own name."""
    plan = plan_of(pattern("lock"))
    problems = told(lambda: require_allowed(plan, bench(0x2D), {Hazard.LOCK}))
    assert len(problems) == 2


def test_last_look_before_the_first_slot() -> None:
    """What the sockets did not foresee is refused with the device in hand."""
    require_on_device(WEAR, named=["memory-wear"], allowed=WEAR, what="check x")
    for named, allowed in (([], WEAR), (["memory-wear"], frozenset())):
        with pytest.raises(UsageError, match="nothing was sent"):
            require_on_device(WEAR, named=named, allowed=allowed, what="check x")


def test_names_on_the_command_line() -> None:
    """An unknown name is told with the nearest one."""
    assert parse_allowed(["memory-wear", "lock"]) == WEAR | {Hazard.LOCK}
    with pytest.raises(UsageError, match="did you mean 'memory-wear'"):
        parse_allowed(["memory-ware"])


# -- runs --------------------------------------------------------------------------


def test_refused_run_sends_nothing(
    run_plan: Make, bench_data: Make, new_device: Make
) -> None:
    """The run ends before it begins: no folder, no journal, no slot."""
    with pytest.raises(PlanError, match="does not say so"):
        run_plan(f"- {pattern()}", bench_data([new_device(0x2D, 1)]), allow=WEAR)


def test_named_and_allowed_run(
    run_plan: Make, bench_data: Make, new_device: Make
) -> None:
    """The test runs, passes, and the journal says what was allowed."""
    data = bench_data([new_device(0x2D, 1)], line={"pull_up_ohm": 1000})
    ran = run_plan(f"- {pattern('memory-wear')}", data, allow=WEAR)
    assert ran.code == 0
    assert ran.events[0]["allowed_hazards"] == ["memory-wear"]
    notes = [e["text"] for e in ran.events if e["event"] == "note"]
    assert notes[-2:] == ["memory before the patterns", "memory restored"]


def test_unexpected_kind_in_a_socket_is_refused_at_its_step(
    run_plan: Make, bench_data: Make, new_device: Make
) -> None:
    """The fixture expects RAM, an EEPROM sits there: refused, its memory untouched."""
    data = bench_data([new_device(0x2D, 1)])
    data["sockets"][0]["expect"] = {"family": 0x08}
    ran = run_plan(f"- {pattern()}", data)
    (found,) = ran.step("1").results
    assert ran.code == 3
    assert found.outcome is Outcome.ERROR
    assert "nothing was sent" in found.shown.message


def test_programming_over_the_whole_way(
    run_plan: Make, bench_data: Make, new_device: Make
) -> None:
    """Plan, gate, driver and line voltage: two bytes programmed, page frozen."""
    data = bench_data([new_device(0x09, 1)])
    data["power"] = PROGRAMMING
    steps = """
- check: {function: memory_program, with: {start: 16, data: "5A A5"}, hazard: [write-once, programming-12-v]}
- check: {function: page_protect, with: {page: 0}, hazard: [write-once, programming-12-v, lock]}
- check: {function: memory_verify, with: {start: 16, data: "5A A5"}}
"""
    ran = run_plan(steps, data, allow=ONCE | {Hazard.LOCK})
    assert ran.code == 0
