"""YAML text comes to what it looks like, and the place of everything is known."""

from __future__ import annotations

import json
from contextlib import suppress
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.plans.loading.problems import PlanError
from harness.plans.loading.yaml_text import Plain, parse, read_scalar


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("true", True),
        ("false", False),
        ("on", "on"),
        ("off", "off"),
        ("yes", "yes"),
        ("True", "True"),
        ("null", None),
        ("~", None),
        ("", None),
        ("0", 0),
        ("7", 7),
        ("-12", -12),
        ("+3", 3),
        ("0x28", 40),
        ("0xff", 255),
        ("1.5", 1.5),
        (".5", 0.5),
        ("5.", 5.0),
        ("1e3", 1000.0),
        ("-2.5E-1", -0.25),
        ("12:30", "12:30"),
        ("1_000", "1_000"),
        ("0o17", "0o17"),
        (".inf", ".inf"),
        ("3D0000A4B3C2D128", "3D0000A4B3C2D128"),
        ("1000000000000000", "1000000000000000"),
        ("00000000000000e1", "00000000000000e1"),
        ("100000000000000", 100000000000000),
        ("9" * 5000, "9" * 5000),
    ],
)
def test_scalars_read_as_they_look(text: str, value: Plain) -> None:
    """Truth values, numbers, words and ROM codes are what a reader takes them for."""
    found = read_scalar(text)
    assert found == value
    assert type(found) is type(value)


@pytest.mark.parametrize(
    ("text", "advice"),
    [
        ("010", "10, or 0x10 if hex is meant"),
        ("00", "0, or 0x00 if hex is meant"),
        ("-08", "-8"),
        ("1e999", "a number below 1e308"),
    ],
)
def test_numbers_that_nobody_can_tell_are_refused(text: str, advice: str) -> None:
    """A leading zero and an endless number are mistakes that say what to write."""
    with pytest.raises(ValueError, match=r".") as caught:
        read_scalar(text)
    assert str(caught.value) == advice


def test_quoted_scalars_stay_text() -> None:
    """Quotes turn any value into a text."""
    assert parse("a: '010'\nb: \"true\"\nc: |\n  7\n", "f").data == {
        "a": "010",
        "b": "true",
        "c": "7\n",
    }


def test_places_count_from_one() -> None:
    """Line and column of keys and values are those an editor shows."""
    document = parse("plan: x\nsteps:\n  - reset: {times: 3}\n", "f")
    at = ("steps", 0, "reset", "times")
    assert (document.keys[at].line, document.keys[at].column) == (3, 13)
    assert (document.values[at].line, document.values[at].column) == (3, 20)
    assert document.place_of((*at, "deeper")) == document.values[at]


@pytest.mark.parametrize(
    ("text", "line", "column", "what"),
    [
        ("a: 1\nb: 2\na: 3\n", 3, 1, "key 'a' again, first on line 1"),
        ("a: {b: 1, b: {c: 2}}\nd: 1\n", 1, 11, "key 'b' again, first on line 1"),
        ("a: &name 1\n", 1, 4, "anchor &name"),
        ("a: *name\n", 1, 4, "alias *name"),
        ("*name : 1\n", 1, 1, "alias *name"),
        ("a:\n  <<: {b: 1}\n", 2, 3, "merge key <<"),
        ("a: !!python/name:os.system x\n", 1, 4, "tag !!python/name:os.system"),
        ("a: !local [1]\n", 1, 4, "tag !local"),
        ("? [a, b]\n: 1\nc: 2\n", 1, 3, "a key that is no word"),
        ("a: 010\n", 1, 4, "number 010"),
    ],
)
def test_what_yaml_hides_is_refused(
    text: str, line: int, column: int, what: str
) -> None:
    """Repeated keys, references, tags and odd keys are told with their place."""
    (problem,) = parse(text, "f.yaml").problems
    assert (problem.line, problem.column, problem.what) == (line, column, what)
    assert problem.expected


def test_the_first_of_two_equal_keys_counts() -> None:
    """A repeated key changes nothing and hides nothing that comes after it."""
    document = parse("a: 1\na: {x: [1, {y: 2}]}\nb: 3\n", "f")
    assert document.data == {"a": 1, "b": 3}


@pytest.mark.parametrize(
    ("text", "line", "what"),
    [
        ("", 0, "the file is empty"),
        ("# only a comment\n\n", 0, "the file is empty"),
        ("a: 1\n---\nb: 2\n", 2, "a second document"),
        ("a: [1, 2\n", 2, "not readable as YAML"),
        ("a: 1\n\tb: 2\n", 2, "not readable as YAML"),
        ("a: \x07\n", 1, "not readable as YAML"),
        ("[" * 60 + "]" * 60, 1, "nested deeper than 50"),
        ("- " * 60 + "x", 1, "nested deeper than 50"),
        ("?" + " [" * 60, 1, "nested deeper than 50"),
    ],
)
def test_text_that_cannot_be_read_is_one_error(text: str, line: int, what: str) -> None:
    """What is no single flat-enough YAML document raises PlanError at its place."""
    with pytest.raises(PlanError) as caught:
        parse(text, "f.yaml")
    last = caught.value.problems[-1]
    assert last.what.startswith(what)
    assert last.line == line


def test_an_alias_bomb_is_refused_without_growing() -> None:
    """Nine levels of nine references come to a few complaints and no data."""
    names = "abcdefghi"
    lines = ["a: &a [x, x, x, x, x, x, x, x, x]"]
    for before, name in pairwise(names):
        lines.append(f"{name}: &{name} [{', '.join([f'*{before}'] * 9)}]")
    document = parse("\n".join(lines), "bomb.yaml")
    assert len(document.problems) == 9 + 8 * 9
    assert len(document.values) < 100


def test_complaints_have_an_end() -> None:
    """A file of nothing but mistakes stops being read at the hundredth."""
    with pytest.raises(PlanError) as caught:
        parse("\n".join(f"k{i}: *x" for i in range(500)), "f")
    assert len(caught.value.problems) == 100


_words = st.text(st.characters(min_codepoint=32, max_codepoint=0x24F), max_size=8)
_keys = _words.filter(lambda word: word != "<<")
_plain = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(10**12), 10**12)
    | st.floats(allow_nan=False, allow_infinity=False)
    | _words,
    lambda inner: (
        st.lists(inner, max_size=4) | st.dictionaries(_keys, inner, max_size=4)
    ),
    max_leaves=12,
)


@pytest.mark.slow
@given(_plain)
def test_json_reads_as_itself(data: Plain) -> None:
    """Any JSON text, being YAML too, comes to the same data as by the JSON reader."""
    text = json.dumps(data, ensure_ascii=False).replace("\x7f", "\\u007f")
    # YAML keeps 80h to 9Fh for control, as JSON does not
    text = "".join(f"\\u{ord(c):04x}" if 0x80 <= ord(c) <= 0x9F else c for c in text)
    document = parse(text, "f.json")
    assert document.data == json.loads(text)
    assert document.problems == []


@pytest.mark.slow
@given(st.text(alphabet="ab:-[]{}#&*!|>'\"%@`,? \n\t0x1<\\", max_size=80))
def test_garbage_is_read_or_refused(text: str) -> None:
    """Whatever the text, the only error is PlanError."""
    with suppress(PlanError):
        assert parse(text, "f").name == "f"
