"""A mistake says where, what, what was expected, and the nearest valid word."""

from __future__ import annotations

import copy
import pickle

import pytest

from harness.errors import UsageError
from harness.plans.loading.problems import (
    PlanError,
    Problem,
    family_print,
    nearest,
    one_of,
)


def test_a_problem_prints_on_one_line() -> None:
    """Place, mistake, expectation and nearest word stand in that order."""
    problem = Problem(
        file="p.yaml",
        line=12,
        column=5,
        what="unknown key 'tims'",
        expected="one of times, presence",
        nearest="times",
    )
    assert str(problem) == (
        "p.yaml:12:5: unknown key 'tims'; expected one of times, presence; "
        "did you mean 'times'?"
    )


def test_a_problem_of_the_whole_file_has_no_line() -> None:
    """Without a line the file alone is the place."""
    assert str(Problem(file="p.yaml", what="no such file")) == "p.yaml: no such file"


def test_the_error_holds_each_problem_once_in_the_order_of_the_file() -> None:
    """PlanError is a UsageError whose text is all problems, sorted by place."""
    late = Problem(file="f", line=9, column=1, what="late")
    early = Problem(file="f", line=2, column=7, what="early")
    error = PlanError([late, early, late])
    assert isinstance(error, UsageError)
    assert error.problems == (early, late)
    assert str(error) == "f:2:7: early\nf:9:1: late"
    assert (error.what, error.where) == ("early", "f:2:7")


@pytest.mark.parametrize("again", [copy.copy, lambda e: pickle.loads(pickle.dumps(e))])
def test_the_error_survives_copy_and_pickle(again: object) -> None:
    """A copied or pickled PlanError keeps its problems."""
    assert callable(again)
    error = PlanError([Problem(file="f", line=1, column=2, what="x")])
    assert again(error).problems == error.problems


@pytest.mark.parametrize(
    ("word", "found"),
    [("tims", "times"), ("Times", "times"), ("presense", "presence"), ("zzz", "")],
)
def test_the_nearest_word(word: str, found: str) -> None:
    """A near miss names its word, a far one none."""
    assert nearest(word, ["times", "presence"]) == found


def test_a_long_list_of_words_is_cut() -> None:
    """One word stands alone; many are cut with their number."""
    assert one_of(["all"]) == "all"
    assert one_of(["a", "b"]) == "one of a, b"
    assert one_of(["a", "b", "c"], most=2) == "one of a, b and 1 more"


def test_family_codes_print_as_files_write_them() -> None:
    """A family code is two hex digits behind 0x."""
    assert family_print(0x1) == "0x01"
