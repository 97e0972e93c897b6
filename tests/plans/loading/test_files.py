"""Files are read whole and sound, or refused with the reason."""

from __future__ import annotations

import hashlib
import os
import pickle
from contextlib import suppress
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.plans.loading.files import (
    PlanError,
    load_fixture,
    load_plan,
    parse_fixture,
    parse_plan,
    which,
)

PLAN = """\
plan: small
parameters: {low_degc: 2.0, title: cold, deep: true}
steps:
  - reset:
  - for_each:
      family: 0x28
      steps:
        - read:
            quantity: temperature
            low: $low_degc
            name: $title
        - repeat:
            times: 2
            steps:
              - wait: {for_s: 1}
  - enumerate: {unique: $deep}
"""

FIXTURE = """\
fixture: small
adapter: {port: /dev/ttyUSB0}
line: {pull_up_ohm: 2200, supply_v: 5}
sockets: [{name: A1, expect: {rom_code: 3d0000a4b3c2d128}}, {name: A2}]
"""


def told(text: str, parameters: dict[str, str] | None = None) -> list[str]:
    """The problems of a plan, as printed."""
    with pytest.raises(PlanError) as caught:
        parse_plan(text, "p", parameters)
    return [str(problem) for problem in caught.value.problems]


def test_a_plan_from_a_file_knows_its_origin(tmp_path: Path) -> None:
    """Path, name and digest of the bytes are kept."""
    file = tmp_path / "small.yaml"
    file.write_text(PLAN, encoding="utf-8")
    plan = load_plan(file)
    assert plan.title == "small"
    assert plan.path == str(file.resolve())
    assert plan.source.name == str(file)
    assert plan.source.sha256 == hashlib.sha256(PLAN.encode()).hexdigest()


def test_a_relative_path_becomes_absolute(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The fixture's path is absolute although the name is as the user gave it."""
    monkeypatch.chdir(tmp_path)
    Path("f.yaml").write_text(FIXTURE, encoding="utf-8")
    fixture = load_fixture("f.yaml")
    assert fixture.path == str((tmp_path / "f.yaml").resolve())
    assert fixture.source.name == "f.yaml"


def test_text_has_no_path() -> None:
    """A plan or fixture from text has an empty path."""
    assert parse_plan(PLAN, "p").path == ""
    assert parse_fixture(FIXTURE, "f").path == ""


def test_a_byte_order_mark_and_foreign_line_ends_do_no_harm(tmp_path: Path) -> None:
    """A file saved by an editor of another system reads the same."""
    file = tmp_path / "f.yaml"
    file.write_bytes(b"\xef\xbb\xbf" + FIXTURE.replace("\n", "\r\n").encode())
    assert load_fixture(file) == load_fixture(file)
    assert load_fixture(file).sockets == parse_fixture(FIXTURE, "f").sockets


def test_steps_are_numbered_and_know_their_line() -> None:
    """Step ids follow the order of the file, inner steps behind a dot."""
    plan = parse_plan(PLAN, "p")
    assert [(s.id, s.kind, s.line) for s in plan.all_steps()] == [
        ("1", "reset", 4),
        ("2", "for_each", 5),
        ("2.1", "read", 8),
        ("2.2", "repeat", 12),
        ("2.2.1", "wait", 15),
        ("3", "enumerate", 16),
    ]
    assert [s.id for s in plan.leaf_steps()] == ["1", "2.1", "2.2.1", "3"]


# --- parameters


def test_parameters_take_their_defaults() -> None:
    """A step holds the default in place of $name."""
    read = parse_plan(PLAN, "p").steps[1].steps[0].read
    assert read is not None
    assert (read.low, read.name) == (2.0, "cold")


def test_the_command_line_sets_parameters() -> None:
    """Overrides are read by the rules of the file, texts word for word."""
    plan = parse_plan(PLAN, "p", {"low_degc": "-5", "title": "010", "deep": "false"})
    read = plan.steps[1].steps[0].read
    assert read is not None
    assert (read.low, read.name) == (-5.0, "010")
    assert plan.steps[2].enumerate is not None
    assert plan.steps[2].enumerate.unique is False
    assert plan.parameters == {"low_degc": -5, "title": "010", "deep": False}


@pytest.mark.parametrize(
    ("name", "text", "problem"),
    [
        (
            "low_deg",
            "1",
            "command line: the plan has no parameter 'low_deg'; expected one of "
            "low_degc, title, deep; did you mean 'low_degc'?",
        ),
        (
            "low_degc",
            "cold",
            "command line: parameter low_degc is 'cold'; expected a number, "
            "as its default 2.0",
        ),
        (
            "low_degc",
            "true",
            "command line: parameter low_degc is 'true'; expected a number, "
            "as its default 2.0",
        ),
        (
            "deep",
            "1",
            "command line: parameter deep is '1'; expected true or false, "
            "as its default true",
        ),
        (
            "low_degc",
            "",
            "command line: parameter low_degc is ''; expected a number, "
            "as its default 2.0",
        ),
        (
            "low_degc",
            "010",
            "command line: parameter low_degc is 010; expected 10, "
            "or 0x10 if hex is meant",
        ),
    ],
)
def test_overrides_that_do_not_fit_are_refused(
    name: str, text: str, problem: str
) -> None:
    """An unknown name, a changed type and an ambiguous number are usage errors."""
    assert told(PLAN, {name: text}) == [problem]


def test_a_bad_value_of_a_parameter_is_told_where_it_is_used() -> None:
    """The message stands at the step and names the parameter behind the value."""
    text = "plan: p\nparameters: {n: 0}\nsteps:\n  - reset: {times: $n}\n"
    assert told(text) == ["p:4:20: times is 0 (from $n); expected at least 1"]


def test_an_unknown_parameter_is_told_at_its_place() -> None:
    """A misspelt $name has line, column and the nearest name, and no echo."""
    text = PLAN.replace("$low_degc", "$low_dgc")
    assert told(text) == [
        "p:10:18: unknown parameter $low_dgc; expected one of $low_degc, $title, "
        "$deep; did you mean '$low_degc'?"
    ]


# --- files that are none


@pytest.mark.parametrize("load", [load_plan, load_fixture, which])
@pytest.mark.parametrize(
    ("content", "what"),
    [
        (b"", "the file is empty"),
        (b"plan: \0\n", "a binary file"),
        (b"\x7fELF\x02\x01\x01\0\0", "a binary file"),
        (b"plan: x\nsteps: \xff\xfe\n", "byte FFh is no UTF-8 text"),
        (b"plan: x\n" * 63_000, "larger than 500 kB"),
    ],
    ids=["empty", "nul", "program", "not-utf-8", "504-kb"],
)
def test_files_that_hold_no_text_are_refused(
    load: object, content: bytes, what: str, tmp_path: Path
) -> None:
    """Empty, binary, wrongly coded and huge files are told by name."""
    assert callable(load)
    file = tmp_path / "x.yaml"
    file.write_bytes(content)
    with pytest.raises(PlanError) as caught:
        load(file)
    (problem,) = caught.value.problems
    assert problem.what.startswith(what)
    assert problem.file == str(file)


def test_a_wrong_byte_has_a_place(tmp_path: Path) -> None:
    """Line and column of the byte that is no UTF-8."""
    file = tmp_path / "x.yaml"
    file.write_bytes(b"plan: x\nsteps: \xff\n")
    with pytest.raises(PlanError) as caught:
        load_plan(file)
    assert caught.value.where == f"{file}:2:8"


@pytest.mark.parametrize("load", [load_plan, load_fixture, which])
def test_a_missing_file_and_a_folder_are_refused(load: object, tmp_path: Path) -> None:
    """A path that leads nowhere, to a folder or to a pipe is told as such."""
    assert callable(load)
    os.mkfifo(tmp_path / "pipe")
    for path, what in [
        (tmp_path / "no.yaml", "no such file"),
        (tmp_path, "this is a folder; expected a YAML file"),
        (tmp_path / "pipe", "this is no regular file; expected a YAML file"),
        ("a\0b", "cannot be read: "),
        ("x" * 5000, "cannot be read: "),
    ]:
        with pytest.raises(PlanError) as caught:
            load(path)
        assert caught.value.problems[0].what.startswith(what)


def test_a_forbidden_file_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A file that the system will not open for this user is told as such."""

    def refuse(path: Path, mode: str) -> None:
        raise PermissionError(13, "Permission denied", str(path))

    file = tmp_path / "x.yaml"
    file.write_text(PLAN, encoding="utf-8")
    # file modes do not hold for the superuser, under whom this may run
    monkeypatch.setattr(Path, "open", refuse)
    with pytest.raises(PlanError, match="no permission to read this file"):
        load_plan(file)


# --- which of the two


def test_which_tells_plans_from_fixtures(tmp_path: Path) -> None:
    """The top-level key decides."""
    for kind, text in [("plan", PLAN), ("fixture", FIXTURE)]:
        file = tmp_path / f"{kind}.yaml"
        file.write_text(text, encoding="utf-8")
        assert which(file) == kind


@pytest.mark.parametrize(
    ("text", "what", "near"),
    [
        ("fixtur: x\n", "neither plan nor fixture nor kind", "fixture"),
        ("- plan\n", "neither plan nor fixture nor kind", ""),
        ("fixture: x\nplan: y\n", "plan and fixture in one file", "fixture"),
    ],
)
def test_which_refuses_what_is_neither(
    text: str, what: str, near: str, tmp_path: Path
) -> None:
    """A file that is neither, or both, names the nearest key."""
    file = tmp_path / "x.yaml"
    file.write_text(text, encoding="utf-8")
    with pytest.raises(PlanError) as caught:
        which(file)
    (problem,) = caught.value.problems
    assert (problem.line, problem.what, problem.nearest) == (1, what, near)


def test_a_fixture_is_no_plan() -> None:
    """The wrong kind of file is one clear message, not a list of missing keys."""
    assert told(FIXTURE) == [
        "p:1:1: this is a fixture, not a plan; expected a plan, "
        "with the top-level key `plan:`"
    ]
    assert told("- 1\n")[0].startswith("p:1:1: the file is a list")


# --- garbage


@pytest.mark.slow
@given(st.data())
def test_damaged_files_are_read_or_refused(data: st.DataObject) -> None:
    """A piece cut out of a file, or put into it, raises nothing but PlanError."""
    for text in (PLAN, FIXTURE):
        start = data.draw(st.integers(0, len(text)))
        end = data.draw(st.integers(start, min(start + 20, len(text))))
        extra = data.draw(st.text(alphabet="ab:-[]{}$0x1 \n'\"", max_size=6))
        damaged = text[:start] + extra + text[end:]
        with suppress(PlanError):
            assert parse_plan(damaged, "f").steps
        with suppress(PlanError):
            assert parse_fixture(damaged, "f").sockets


def test_a_plan_goes_to_another_process() -> None:
    """Loaded once, run by workers: everything in it can be pickled."""
    plan = load_plan(Path("test_plans/unit_thermometer.yaml"))
    again = pickle.loads(pickle.dumps(plan))
    assert again.steps == plan.steps


def test_text_is_bounded_like_a_file() -> None:
    """A title of 3 MB is refused for its size, before it is read as YAML."""
    for parse_text in (parse_plan, parse_fixture):
        with pytest.raises(PlanError, match="larger than 500 kB"):
            parse_text("plan: " + "a" * 3_000_000, "x.yaml")
