"""Mistakes in files: where, what, what was expected, and the nearest valid word."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from difflib import get_close_matches

from harness.errors import UsageError


@dataclass(frozen=True, slots=True, kw_only=True)
class Problem:
    """One mistake.

    Attributes:
        file: the file as the user named it, or ``command line``.
        line: from 1; 0 if the whole file is meant.
        column: from 1; 0 if the whole file is meant.
        what: what is wrong.
        expected: what would be right; may be empty.
        nearest: the valid word that was probably meant; may be empty.
    """

    file: str
    line: int = 0
    column: int = 0
    what: str
    expected: str = ""
    nearest: str = ""

    @property
    def where(self) -> str:
        """``file:line:column``, or the file alone."""
        return f"{self.file}:{self.line}:{self.column}" if self.line else self.file

    def __str__(self) -> str:
        parts = [self.what]
        if self.expected:
            parts.append(f"expected {self.expected}")
        if self.nearest:
            parts.append(f"did you mean {self.nearest!r}?")
        return f"{self.where}: {'; '.join(parts)}"


class PlanError(UsageError):
    """A plan or fixture holds mistakes; all of them are in ``problems``.

    Scenario: a misspelt key, a limit the wrong way round, a file that is none.
    Look first at the line and column of each problem.

    Attributes:
        problems: each mistake, in the order of the file; ``str()`` has its place.

    Example:
        >>> import harness
        >>> try:
        ...     harness.load_plan("fixtures/demo_bench.yaml")
        ... except harness.PlanError as error:
        ...     print(error.problems[0].file)
        fixtures/demo_bench.yaml
    """

    kind = "plan"

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems = tuple(
            sorted(dict.fromkeys(problems), key=lambda p: (p.line, p.column))
        )
        first = self.problems[0]
        super().__init__(first.what, where=first.where)

    def lines(self) -> list[str]:
        """Each mistake with its place."""
        return [str(problem) for problem in self.problems]

    def __str__(self) -> str:
        return "\n".join(map(str, self.problems))

    def __reduce__(self) -> tuple[object, ...]:
        return (type(self), (self.problems,))


def nearest(word: str, words: Iterable[str]) -> str:
    """The valid word that comes closest to ``word``; empty if none comes close."""
    by_lower = {w.lower(): w for w in words}
    found = get_close_matches(word.lower(), by_lower, n=1, cutoff=0.6)
    return by_lower[found[0]] if found else ""


def one_of(words: Sequence[str], *, most: int = 24) -> str:
    """The valid words in one clause; a long list is cut."""
    if len(words) == 1:
        return words[0]
    shown = ", ".join(words[:most])
    left = len(words) - most
    return f"one of {shown}" + (f" and {left} more" if left > 0 else "")


def family_print(code: int) -> str:
    """A family code as files write it, such as ``0x28``."""
    return f"0x{code:02X}"
