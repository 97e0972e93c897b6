"""The declarations of a Value Change Dump: time scale and variables.

Source: IEEE Std 1364-2005, 18.2.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from harness.recordings.problems import unreadable

_UNITS = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9, "ps": 1e-12, "fs": 1e-15}
_END = b"$enddefinitions"
_MOST_HEADER = 64 << 20
_SCALE = re.compile(r"(1|10|100)\s*(s|ms|us|ns|ps|fs)")
_WITHOUT_LEVEL = frozenset({"event", "string", "parameter"})
"""Types of variables that are no wire: an event has no duration, a string (a common
extension of viewers) no level."""
_SELECT = re.compile(r"(.*?)\s*\[(\d+)(?::(\d+))?\]$")


@dataclass(frozen=True, slots=True, kw_only=True)
class VcdVariable:
    """One declared variable.

    Attributes:
        name: scopes and reference joined by full stops, with its bit select.
        code: identifier code in the value changes.
        bits: width.
        is_real: True for ``real`` and ``realtime``.
        first_bit: index of the rightmost bit of a vector.
        step: +1 or -1, how the index grows to the left.
    """

    name: str
    code: bytes
    bits: int
    is_real: bool
    first_bit: int = 0
    step: int = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class VcdHeader:
    """Time scale in seconds, variables, and where the value changes begin."""

    tick_s: float
    variables: tuple[VcdVariable, ...]
    body_offset: int
    body_line: int


@dataclass(frozen=True, slots=True)
class _Token:
    text: str
    line: int
    column: int


def _tokens(text: str) -> Iterator[_Token]:
    for number, line in enumerate(text.split("\n"), start=1):
        for match in re.finditer(r"\S+", line):
            yield _Token(match[0], number, match.start() + 1)


def read_header(path: Path) -> VcdHeader:
    """The declarations of a file.

    Raises:
        RecordingUnreadable: no end of the declarations, no time scale, no variable, or
            a declaration that is none.
    """
    raw = _head(path)
    found = _Declarations(path)
    tokens = _tokens(raw.decode("latin-1"))
    for token in tokens:
        if not token.text.startswith("$"):
            raise unreadable(
                path,
                f"expected a keyword such as $var, got {token.text[:20]!r}",
                line=token.line,
                column=token.column,
            )
        found.take(token, _until_end(path, token, tokens))
    if not found.tick_s:
        raise unreadable(
            path,
            "there is no $timescale, so the unit of time is unknown",
            line=1,
            column=1,
            hint="add a line such as '$timescale 1 us $end' if the unit is known",
        )
    if not found.variables:
        raise unreadable(path, "no variable with a level is declared", line=1, column=1)
    return VcdHeader(
        tick_s=found.tick_s,
        variables=tuple(found.variables),
        body_offset=len(raw),
        body_line=raw.count(b"\n") + 1,
    )


class _Declarations:
    """What the declarations say so far; a keyword that is not needed is passed over."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._scopes: list[str] = []
        self.tick_s = 0.0
        self.variables: list[VcdVariable] = []

    def take(self, keyword: _Token, words: list[str]) -> None:
        """One declaration: its keyword and the words up to its ``$end``."""
        match keyword.text:
            case "$timescale":
                self.tick_s = _scale(self._path, keyword, " ".join(words))
            case "$scope":
                self._scopes.append(words[-1] if words else "")
            case "$upscope":
                del self._scopes[-1:]
            case "$var":
                variable = _variable(self._path, keyword, words, self._scopes)
                if words[0] not in _WITHOUT_LEVEL:
                    self.variables.append(variable)


def _head(path: Path) -> bytes:
    """Everything up to the end of the declarations."""
    raw = b""
    with path.open("rb") as file:
        while piece := file.read(1 << 16):
            raw += piece
            at = raw.find(_END)
            if at >= 0:
                end = raw.find(b"$end", at + len(_END))
                if end >= 0:
                    return raw[: end + 4]
            if len(raw) > _MOST_HEADER:
                break
    raise unreadable(
        path,
        "the declarations do not end: expected $enddefinitions $end",
        line=raw.count(b"\n") + 1,
        column=len(raw) - raw.rfind(b"\n"),
        hint="the file is cut or is no Value Change Dump",
    )


def _until_end(path: Path, head: _Token, tokens: Iterator[_Token]) -> list[str]:
    words: list[str] = []
    for token in tokens:
        if token.text == "$end":
            return words
        words.append(token.text)
    raise unreadable(
        path,
        f"{head.text} is not closed: expected $end",
        line=head.line,
        column=head.column,
    )


def _scale(path: Path, token: _Token, words: str) -> float:
    scale = _SCALE.fullmatch(words.strip())
    if not scale:
        raise unreadable(
            path,
            f"$timescale is {words!r}: expected 1, 10 or 100 and s, ms, us, ns, ps or fs",
            line=token.line,
            column=token.column,
        )
    return int(scale[1]) * _UNITS[scale[2]]


def _variable(
    path: Path, token: _Token, words: list[str], scopes: list[str]
) -> VcdVariable:
    if len(words) < 4 or not words[1].isdigit() or int(words[1]) < 1:
        raise unreadable(
            path,
            f"$var {' '.join(words)!r}: expected type, size, code and name",
            line=token.line,
            column=token.column,
        )
    reference = " ".join(words[3:])
    select = _SELECT.fullmatch(reference)
    first, step = 0, 1
    if select:
        left, right = int(select[2]), int(select[3] or select[2])
        first, step = right, 1 if left >= right else -1
        reference = f"{select[1]}[{select[2]}]" if select[3] is None else select[1]
    return VcdVariable(
        name=".".join([*scopes, reference]),
        code=words[2].encode("latin-1"),
        bits=int(words[1]),
        is_real=words[0] in {"real", "realtime"},
        first_bit=first,
        step=step,
    )
