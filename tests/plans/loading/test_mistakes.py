"""A plan with mistakes is refused at the lines of the mistakes, all at once."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.plans.loading.files import PlanError, parse_plan
from tests.plans.loading.choices import choices, shortened

Lines = list[str]

HEAD = [
    "plan: p",
    "parameters:",
    "  low_degc: 2.0",
    "  high_degc: 6.0",
    "steps:",
]

STEPS: dict[str, Lines] = {
    "reset": ["  - reset:", "      times: 3", "      presence: required"],
    "enumerate": ["  - enumerate:", "      count: 8", "      scans: 2"],
    "verify": ["  - verify:", "      sockets: all", "      retries: 1"],
    "read": [
        "  - read:",
        "      quantity: temperature",
        "      low: 1.5",
        "      high: 7.5",
        "      unit: degC",
    ],
    "wait": ["  - wait:", "      for_s: 1.5"],
    "switch": ["  - switch:", "      supply: on", "      settle_s: 0.2"],
    "prompt": ["  - prompt:", "      text: go", "      expect: yes-no"],
    "stress": ["  - stress:", "      slot: read", "      low_us: [5, 6]"],
    "soak": [
        "  - soak:",
        "      cycles: 3",
        "      quantity: temperature",
        "      low: 1",
        "      high: 9",
    ],
    "convert": ["  - convert:", "      family: 0x28", "      power: auto"],
    "each": [
        "  - for_each:",
        "      family: 0x28",
        "      steps:",
        "        - read:",
        "            quantity: temperature",
        "            low: $low_degc",
        "            high: $high_degc",
        "        - configure:",
        "            settings:",
        "              resolution_bits: 12",
        "            store: false",
    ],
    "repeat": [
        "  - repeat:",
        "      times: 3",
        "      steps:",
        "        - wait:",
        "            for_s: 2",
    ],
}


@dataclass(frozen=True, kw_only=True)
class Mistake:
    """One way to spoil a step.

    Attributes:
        fits: whether the line can be spoiled so.
        spoil: the line, and what stands in its place.
        offset: which of those is to blame, from 0.
    """

    fits: Callable[[str], bool]
    spoil: Callable[[str], Lines]
    offset: int = 0


def _has_value(line: str) -> bool:
    return not line.endswith(":")


def _key(line: str) -> str:
    return line.split(":", maxsplit=1)[0]


def _indent(line: str) -> str:
    return " " * (len(line) - len(line.lstrip(" -")))


def _swap(line: str) -> Lines:
    return [f"{_key(line)}: -1000"]


MISTAKES: dict[str, Mistake] = {
    "unknown-key": Mistake(
        fits=_has_value,
        spoil=lambda line: [line, f"{_indent(line)}nonsense: 1"],
        offset=1,
    ),
    "unknown-step": Mistake(
        fits=lambda line: "- " in line,
        spoil=lambda line: [line.replace(":", "zq:")],
    ),
    "wrong-type": Mistake(
        fits=_has_value, spoil=lambda line: [f"{_key(line)}: {{wrong: type}}"]
    ),
    "nothing-like-it": Mistake(
        fits=lambda line: (
            _has_value(line)
            and _key(line).strip() not in {"text", "resolution_bits", "sockets"}
        ),
        spoil=lambda line: [f"{_key(line)}: none of the words"],
    ),
    "swapped-limits": Mistake(
        fits=lambda line: _key(line).strip() == "high", spoil=_swap
    ),
    "unknown-quantity": Mistake(
        fits=lambda line: _key(line).strip() == "quantity",
        spoil=lambda line: [f"{_key(line)}: temprature"],
    ),
    "duplicate-key": Mistake(
        fits=_has_value, spoil=lambda line: [line, line], offset=1
    ),
    "unknown-parameter": Mistake(
        fits=_has_value, spoil=lambda line: [f"{_key(line)}: $nowhere"]
    ),
    "ambiguous-number": Mistake(
        fits=_has_value, spoil=lambda line: [f"{_key(line)}: 010"]
    ),
    "alias": Mistake(fits=_has_value, spoil=lambda line: [f"{_key(line)}: *it"]),
}


def _places() -> list[tuple[str, str, int]]:
    """Every mistake at every line of every step that it fits."""
    return [
        (name, step, number)
        for name, mistake in MISTAKES.items()
        for step, lines in STEPS.items()
        for number, line in enumerate(lines)
        if mistake.fits(line)
    ]


def _plan(order: list[str], spoilt: dict[str, tuple[str, int]]) -> tuple[str, set[int]]:
    """A plan of these steps, and the lines that are to blame."""
    lines = list(HEAD)
    blamed = set()
    for step in order:
        name, at = spoilt.get(step, ("", -1))
        for number, line in enumerate(STEPS[step]):
            if number == at:
                blamed.add(len(lines) + MISTAKES[name].offset + 1)
                lines += MISTAKES[name].spoil(line)
            else:
                lines.append(line)
    return "\n".join(lines) + "\n", blamed


def _lines_told(text: str) -> set[int]:
    with pytest.raises(PlanError) as caught:
        parse_plan(text, "p.yaml")
    assert all(problem.column >= 1 for problem in caught.value.problems)
    return {problem.line for problem in caught.value.problems}


@pytest.mark.slow
@given(st.permutations(sorted(STEPS)))
def test_the_plan_without_mistakes_loads(order: list[str]) -> None:
    """The material of the tests below is sound in any order."""
    assert len(parse_plan(_plan(order, {})[0], "p").steps) == len(STEPS)


@pytest.mark.slow
@given(st.permutations(sorted(STEPS)), st.sampled_from(_places()))
def test_one_mistake_is_refused_with_its_line(
    order: list[str], place: tuple[str, str, int]
) -> None:
    """Whatever the mistake and wherever it is, its line is named and no other."""
    name, step, number = place
    text, blamed = _plan(order, {step: (name, number)})
    assert _lines_told(text) == blamed


@pytest.mark.slow
@given(
    st.permutations(sorted(STEPS)),
    st.lists(
        st.sampled_from(_places()),
        min_size=2,
        max_size=6,
        unique_by=lambda place: place[1],
    ),
)
def test_several_mistakes_are_all_told(
    order: list[str], places: list[tuple[str, str, int]]
) -> None:
    """Mistakes in different steps are told in one go."""
    spoilt = {step: (name, number) for name, step, number in places}
    text, blamed = _plan(order, spoilt)
    assert _lines_told(text) == blamed


def _told(text: str) -> list[str]:
    with pytest.raises(PlanError) as caught:
        parse_plan("plan: p\nsteps:\n" + text, "p")
    return [str(problem) for problem in caught.value.problems]


@pytest.mark.parametrize(
    ("step", "message"),
    [
        (
            "- reset: {tims: 5}",
            "p:3:11: unknown key 'tims'; expected one of ...; did you mean 'times'?",
        ),
        ("- reset: {times: '5'}", "p:3:18: times is '5'; expected a whole number"),
        ("- reset: {times: 1.5}", "p:3:18: times is 1.5; expected a whole number"),
        ("- reset: {times: true}", "p:3:18: times is true; expected a whole number"),
        ("- reset: {times: 0}", "p:3:18: times is 0; expected at least 1"),
        (
            "- reset: [5]",
            "p:3:10: reset is a list; expected a mapping of keys and values",
        ),
        (
            "- reset: {presence: requird}",
            "p:3:21: presence is 'requird'; expected one of required, absent; "
            "did you mean 'required'?",
        ),
        (
            "- read: {low: 6, high: 2, quantity: temperature}",
            "p:3:24: low 6 lies above high 2; expected high from 6 on",
        ),
        (
            "- read:",
            "p:3:8: read lacks the key 'quantity'; expected name of the quantity, "
            "such as temperature",
        ),
        (
            "- read: {quantity: rom_code, wanted: [1]}",
            "p:3:38: wanted is a list; expected a number or a text or true or false",
        ),
        (
            "- read: {quantity: temperature, wanted: 3, low: 1}",
            "p:3:41: wanted beside low or high; expected one of the two",
        ),
        (
            "- read: {quantity: temperature, unit: C}",
            "p:3:39: unit 'C' for temperature; expected degC",
        ),
        (
            "- read: {quantity: rom_code, unit: degC}",
            "p:3:36: unit 'degC' for rom_code; expected no unit, for it is a text",
        ),
        (
            "- resett:",
            "p:3:3: unknown step kind 'resett'; expected one of ...; did you mean 'reset'?",
        ),
        ("- reset", "p:3:3: step 'reset' without a colon; expected `- reset:`"),
        (
            "- {reset: , wait: {for_s: 1}}",
            "p:3:3: a step has one key, got two: reset, wait; expected one step kind "
            "with its keys indented below it",
        ),
        (
            "- {}",
            "p:3:3: an empty step; expected one step kind with its keys indented "
            "below it",
        ),
        (
            "- for_each: {family: 0x28}\n  steps: [wait: {for_s: 1}]",
            "p:3:3: a step has one key, got two: for_each, steps; expected steps "
            "indented to stand inside for_each",
        ),
        (
            "- for_each: {family: 40, steps: [read: {quantity: resolutio}]}",
            "p:3:51: family 0x28 has no quantity 'resolutio'; expected one of ...; "
            "did you mean 'resolution'?",
        ),
        (
            "- for_each: {family: [0x28, 0x10], steps: [read: {quantity: resolution}]}",
            "p:3:61: family 0x10 has no quantity 'resolution'; expected one of ...",
        ),
        (
            "- for_each:\n    steps:\n    - repeat:\n        times: 2\n"
            "        steps:\n        - for_each: {steps: [reset: ]}",
            "p:8:11: for_each inside the for_each on line 3; expected one for_each "
            "with all its families or sockets",
        ),
        (
            "- for_each: {family: 1, steps: [configure: {settings: {x: 1}}]}",
            "p:3:56: family 0x01 has no setting 'x'; expected no configure step for it",
        ),
        (
            "- configure: {settings: {}}",
            "p:3:25: settings is a mapping; expected at least 1 in it",
        ),
        (
            "- verify: {sockets: some}",
            "p:3:21: sockets is 'some'; expected all or a list: [...], or lines that "
            "begin with a dash",
        ),
        (
            "- stress: {slot: read, low_us: {from: 9, to: 5, step: 1}}",
            "p:3:46: from 9 lies above to 5; expected to from 9 on",
        ),
        (
            "- stress: {slot: read, low_us: {from: 1, to: 5, step: 0.0001}}",
            "p:3:55: too many points; expected a step that gives at most 10000 points",
        ),
        (
            "- stress: {slot: read, low_us: {from: 1, too: 5, to: 5, step: 1}}",
            "p:3:42: unknown key 'too'; expected one of from, to, step; "
            "did you mean 'to'?",
        ),
        (
            "- stress: {slot: read, low_us: [480]}",
            "p:3:33: entry 1 of low_us is 480; expected below 480",
        ),
        (
            "- stress: {slot: read, low_us: []}",
            "p:3:32: low_us is an empty list; expected at least 1 in it",
        ),
        (
            "- stress: {slot: read, low_us: [5], must_hold: {from_us: 5, to_us: 4}}",
            "p:3:68: from_us 5 lies above to_us 4; expected to_us from 5 on",
        ),
        (
            "- switch: {settle_s: 1}",
            "p:3:11: switch switches nothing; expected supply or strong_pull_up",
        ),
        (
            "- soak: {every_s: 1}",
            "p:3:9: a soak without an end; expected for_s or cycles",
        ),
        (
            "- enumerate: {count: 3, at_least: 2}",
            "p:3:35: count and at_least together; expected one of them",
        ),
        (
            "- enumerate: {families: [0x28, 0x100]}",
            "p:3:32: entry 2 of families is 256; expected at most 255",
        ),
    ],
)
def test_each_mistake_has_its_own_words(step: str, message: str) -> None:
    """One mistake comes to one message, with what was expected."""
    (told,) = _told(step)
    assert (shortened(told) if "..." in message else told) == message


@pytest.mark.parametrize(
    ("mistake", "with_choice", "refusal"),
    [
        ("- resett:", "- {}: {{no_key: 1}}", "unknown step kind"),
        ("- reset: {tims: 5}", "- reset: {{{}: [[[]]]}}", "unknown key"),
        ("- stress: {slot: read, low_us: {too: 5}}",
         "- stress: {{slot: read, low_us: {{{}: [[]]}}}}", "unknown key"),
        ("- for_each: {family: 0x28, steps: [read: {quantity: no}]}",
         "- for_each: {{family: 0x28, steps: [read: {{quantity: {}, lo: 1}}]}}", "quantity"),
    ],
)  # fmt: skip
def test_each_choice_that_is_offered_is_one(
    mistake: str, with_choice: str, refusal: str
) -> None:
    """What a message offers in place of a mistake is not refused for that reason."""
    offered = next(found for told in _told(mistake) if (found := choices(told)))
    assert len(set(offered)) == len(offered) > 2
    for choice in offered:
        told = _told(with_choice.format(choice))
        assert told
        assert not any(f"{refusal} '{choice}'" in problem for problem in told)
