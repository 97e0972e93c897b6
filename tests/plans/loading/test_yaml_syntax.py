"""A text that is no YAML is refused where its mistake began."""

from __future__ import annotations

import pytest

from harness.plans.loading.problems import PlanError
from harness.plans.loading.yaml_text import parse

CASES = {
    "a: 1\nb [2]\nc: 3\n": (2, 1, "no colon behind a key in 'b [2]'"),
    "a: 1\nb: 'x\nc: 3\n": (2, 4, "in the text that this quote begins"),
    "a:\n  - name read\n    code: 1\n": (2, 5, "runs on into line 3; expected a colon"),
    "a: \"x\nb: \"y\"\n": (1, 4, "runs on into line 2; expected the closing quote"),
    "a: [1,\nb: 2}\n": (2, 5, "inside the bracket of line 1, column 4"),
    "a: {x: 1\nb: 2\n": (1, 8, "runs on into line 2"),
    "a:\n    b: 1\n  c: 2\n": (3, 3, "column 3 does not fit line 2, which begins in column 5"),
    "a: 1\nb:\n    c: 1\n  d: 2\ne: 3\n": (4, 3, "and line 2, which begins in column 1"),
    " a: 1\nb: 2\n": (2, 1, "column 1 does not fit line 1, which begins in column 2"),
    "a: 1\nb: \x07\n": (2, 4, "expected printable text"),
    "a: b: c\n": (1, 5, "mapping values are not allowed here"),
    "a: \"\\q\"\n": (1, 4, "no backslash in double quotes"),
}  # fmt: skip


@pytest.mark.parametrize(("text", "told"), CASES.items())
def test_the_line_is_that_of_the_mistake(text: str, told: tuple[int, int, str]) -> None:
    """Not the one at which the parser could go no further."""
    with pytest.raises(PlanError) as raised:
        parse(text, "f")
    line, column, words = told
    (problem,) = raised.value.problems
    assert words in str(problem)
    assert (problem.line, problem.column) == (line, column), str(problem)
