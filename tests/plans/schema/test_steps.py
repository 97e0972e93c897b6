"""What each step holds once it is loaded."""

from __future__ import annotations

from typing import TypeVar

import pytest

from harness.plans.loading.files import parse_plan
from harness.plans.schema.files import (
    STEP_KINDS,
    CheckBody,
    Configure,
    Convert,
    Diagnose,
    Enumerate,
    ForEach,
    Plan,
    Prompt,
    Read,
    Repeat,
    Reset,
    Soak,
    StepBody,
    Stress,
    Switch,
    Tolerate,
    Verify,
    Wait,
)
from harness.plans.schema.measure import Against, Measure, Shmoo
from harness.plans.schema.steps import Vary
from harness.plans.schema.transact import Transact
from harness.plans.schema.varied.instruments import Adjust, Meter

Body = TypeVar("Body", bound=StepBody)


def _body(kind: type[Body], step: str) -> Body:
    body = parse_plan(f"plan: p\nsteps:\n  - {step}\n", "p").steps[0].body
    assert isinstance(body, kind)
    return body


MINIMAL: dict[str, StepBody] = {
    "reset:": Reset(),
    "enumerate:": Enumerate(),
    "verify:": Verify(),
    "for_each: {steps: [reset: ]}": ForEach(
        steps=parse_plan("plan: p\nsteps: [reset: ]", "p").steps
    ),
    "convert:": Convert(),
    "transact: {select: skip, read: 1}": Transact(select="skip", read=1),
    "read: {quantity: temperature}": Read(quantity="temperature"),
    "configure: {settings: {resolution_bits: 9}}": Configure(
        settings={"resolution_bits": 9}
    ),
    "adjust: {instrument: PSU, to: {output: true}}": Adjust(
        instrument="PSU", to={"output": True}
    ),
    "meter: {instrument: PSU, quantity: current_a}": Meter(
        instrument="PSU", quantity="current_a"
    ),
    "vary: {over: {PSU: {voltage_v: [3.0]}}, steps: [reset: ]}": Vary(
        over={"PSU": {"voltage_v": (3.0,)}},
        steps=parse_plan("plan: p\nsteps: [reset: ]", "p").steps,
    ),
    "wait: {for_s: 2}": Wait(for_s=2.0),
    "prompt: {text: go}": Prompt(text="go"),
    "switch: {supply: on}": Switch(supply="on"),
    "repeat: {times: 2, steps: [reset: ]}": Repeat(
        times=2, steps=parse_plan("plan: p\nsteps: [reset: ]", "p").steps
    ),
    "stress: {slot: read, low_us: [5]}": Stress(slot="read", low_us=(5.0,)),
    "check: {function: memory_pattern}": CheckBody(function="memory_pattern"),
    "measure:": Measure(),
    "shmoo: {slot: read, low_us: [5], against: {axis: pull-up}}": Shmoo(
        slot="read", low_us=(5.0,), against=Against(axis="pull-up")
    ),
    "soak: {cycles: 1}": Soak(cycles=1),
    "diagnose:": Diagnose(),
}


@pytest.mark.parametrize("step", MINIMAL)
def test_the_shortest_form_of_each_step(step: str) -> None:
    """What is left out has its documented value."""
    found, wanted = _body(StepBody, step), MINIMAL[step]
    assert type(found) is type(wanted)
    assert found.model_dump() == wanted.model_dump()


def test_each_kind_has_a_shortest_form() -> None:
    """The table above leaves no kind out but that of plug-ins, which must be installed."""
    kinds = {*(step.split(":")[0] for step in MINIMAL), "plug_in"}
    assert sorted(kinds) == sorted(STEP_KINDS)


@pytest.mark.parametrize("step", MINIMAL)
def test_every_step_takes_the_common_keys(step: str) -> None:
    """Name, retries, on_fail and hint go into any step."""
    kind, _, rest = step.partition(":")
    keys = "name: n, retries: 3, on_fail: stop, hint: look"
    inner = rest.strip().removeprefix("{").removesuffix("}")
    body = _body(StepBody, f"{kind}: {{{keys}{', ' if inner else ''}{inner}}}")
    assert (body.name, body.retries, body.on_fail, body.hint) == (
        "n",
        3,
        "stop",
        "look",
    )


def test_one_family_or_a_list() -> None:
    """A single code and a list of one are the same."""
    assert _body(Convert, "convert: {family: 0x28}").family == (0x28,)
    assert _body(Convert, "convert: {family: [0x28, 16]}").family == (0x28, 0x10)
    assert _body(Convert, "convert:").family is None


def test_on_and_off_are_words() -> None:
    """YAML's old truth values do not get in the way of a switch."""
    switch = _body(Switch, "switch: {supply: on, strong_pull_up: off}")
    assert (switch.supply, switch.strong_pull_up) == ("on", "off")


def test_a_rom_code_that_looks_like_a_number_stays_text() -> None:
    """Sixteen digits are a ROM code."""
    read = _body(Read, "read: {quantity: rom_code, wanted: 1000000000000001}")
    assert read.wanted == "1000000000000001"


@pytest.mark.parametrize(
    ("text", "value"),
    [("external", "external"), ("12", 12), ("true", True), ("1.5", 1.5)],
)
def test_a_wanted_value_keeps_its_type(text: str, value: object) -> None:
    """A wanted number, text or truth value is not turned into another."""
    wanted = _body(Read, f"read: {{quantity: power_supply, wanted: {text}}}").wanted
    assert (type(wanted), wanted) == (type(value), value)


@pytest.mark.parametrize(
    ("low_us", "points_us"),
    [
        ("[5, 6.5]", [5.0, 6.5]),
        ("{from: 0.1, to: 0.3, step: 0.1}", [0.1, 0.2, 0.3]),
        ("{from: 60, to: 119, step: 30}", [60.0, 90.0]),
        ("{from: 60, to: 60, step: 9}", [60.0]),
    ],
)
def test_low_times_as_list_and_as_span(low_us: str, points_us: list[float]) -> None:
    """A span has all its points, the last one included where the step meets it."""
    stress = _body(Stress, f"stress: {{slot: read, low_us: {low_us}}}")
    assert list(stress.points_us) == points_us


def test_a_soak_forgives_nothing_lost_by_default() -> None:
    """Retries and check values are only counted unless limited; lost readings fail."""
    soak = _body(Soak, "soak: {for_s: 5}")
    assert soak.tolerate == Tolerate(retries=None, lost_readings=0, check_values=None)
    assert (soak.quantity, soak.every_s) == ("temperature", 60.0)


def test_a_plan_keeps_its_rules() -> None:
    """Title, text and stop rule of a plan are as written."""
    plan = parse_plan(
        "plan: p\nabout: why\nstop_on_fail: true\nsteps: [reset: ]\n", "p"
    )
    assert isinstance(plan, Plan)
    assert (plan.title, plan.about, plan.stop_on_fail) == ("p", "why", True)
