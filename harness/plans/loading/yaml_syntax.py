"""Where a text stops being YAML, and where the mistake began that shows there.

A parser complains where it can go no further, which is often lines behind the mistake: a
key without its colon and a quote that is not closed run on into what follows. The tokens
ahead of the complaint show where that began.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import takewhile

import yaml

_LONGEST = 40
_OPENING = (yaml.FlowSequenceStartToken, yaml.FlowMappingStartToken)
_UNSEEN = (yaml.StreamStartToken, yaml.KeyToken, yaml.ValueToken)
_CLOSING = (yaml.FlowSequenceEndToken, yaml.FlowMappingEndToken)


@dataclass(frozen=True, slots=True, kw_only=True)
class Unreadable:
    """Why a text is no YAML.

    Attributes:
        line: where the mistake is or began, from 1.
        column: from 1.
        what: what is wrong; names further lines where it shows.
        expected: what would be right.
    """

    line: int
    column: int
    what: str
    expected: str


def unreadable(text: str, error: yaml.YAMLError) -> Unreadable:
    """What is wrong with a text that the parser refused.

    Args:
        text: the whole file.
        error: what the parser raised.
    """
    if isinstance(error, yaml.reader.ReaderError):
        before = text[: error.position]
        return Unreadable(
            line=before.count("\n") + 1,
            column=len(before) - before.rfind("\n"),
            what=f"character {error.character!r}: {error.reason}",
            expected="printable text",
        )
    if not isinstance(error, yaml.MarkedYAMLError) or error.problem_mark is None:
        return Unreadable(line=1, column=1, what=str(error), expected="valid YAML")
    return _marked(text, error, error.problem_mark)


def _marked(text: str, error: yaml.MarkedYAMLError, stop: yaml.Mark) -> Unreadable:
    context = error.context or ""
    if error.context_mark is not None and "simple key" in context:
        begun = text.splitlines()[error.context_mark.line][error.context_mark.column :]
        return _at(
            error.context_mark,
            f"no colon behind a key in {_shortened(begun)!r}",
            "a key, a colon and a space",
        )
    if error.context_mark is not None and "quoted scalar" in context:
        return _at(
            error.context_mark,
            f"{error.problem} in the text that this quote begins",
            "a closing quote, and no backslash in double quotes",
        )
    return _shown_by_tokens(_tokens_before(text, stop), error, stop)


def _shown_by_tokens(
    tokens: Sequence[yaml.Token], error: yaml.MarkedYAMLError, stop: yaml.Mark
) -> Unreadable:
    last = tokens[-1] if tokens else None
    if isinstance(last, yaml.ScalarToken) and last.start_mark.line < last.end_mark.line:
        return _at(
            last.start_mark,
            f"the text {_shortened(last.value)!r}, which begins here, runs on into line "
            f"{last.end_mark.line + 1}",
            "a colon behind a key"
            if last.plain
            else "the closing quote on the line where the text ends",
        )
    what = error.problem or str(error)
    bracket = _still_open(tokens)
    if bracket is not None:
        place = f"line {bracket.line + 1}, column {bracket.column + 1}"
        return _at(stop, f"{what}, inside the bracket of {place}", "valid YAML")
    if "<block end>" in what or "<document start>" in what:
        return _indented(tokens, stop)
    advice = "spaces to indent, no tabs" if "\\t" in what else "valid YAML"
    return _at(stop, what, advice)


def _indented(tokens: Sequence[yaml.Token], stop: yaml.Mark) -> Unreadable:
    """A line that neither goes on with the block above it nor ends it.

    It does not belong to the deeper lines above it, and what stands above those does not
    hold it. Either may be the one that is wrong, so both are named.
    """
    columns: dict[int, int] = {}
    for token in tokens:
        columns.setdefault(token.start_mark.line, token.start_mark.column)
    above = [line for line in sorted(columns, reverse=True) if line < stop.line]
    deeper = list(takewhile(lambda line: columns[line] > stop.column, above))
    beside = [*deeper[-1:], *above[len(deeper) :][:1]]
    named = " and ".join(
        f"line {line + 1}, which begins in column {columns[line] + 1}"
        for line in beside
    )
    return _at(
        stop,
        f"column {stop.column + 1} does not fit {named}",
        "keys of one mapping, or entries of one list, in one column",
    )


def _still_open(tokens: Sequence[yaml.Token]) -> yaml.Mark | None:
    """The innermost bracket that is open behind these tokens."""
    brackets: list[yaml.Mark] = []
    for token in tokens:
        if isinstance(token, _OPENING):
            brackets.append(token.start_mark)
        elif isinstance(token, _CLOSING) and brackets:
            brackets.pop()
    return brackets[-1] if brackets else None


def _tokens_before(text: str, stop: yaml.Mark) -> list[yaml.Token]:
    """The tokens ahead of a place, as far as they can be made."""
    loader = yaml.SafeLoader(text)
    found: list[yaml.Token] = []
    try:
        while loader.check_token():
            found.append(loader.get_token())  # type: ignore[no-untyped-call]
    except yaml.YAMLError:
        found += loader.tokens
    finally:
        loader.dispose()
    ahead = list(takewhile(lambda token: token.start_mark.index < stop.index, found))
    return [token for token in ahead if not isinstance(token, _UNSEEN)]


def _shortened(text: str) -> str:
    return text if len(text) <= _LONGEST else f"{text[:_LONGEST]}..."


def _at(mark: yaml.Mark, what: str, expected: str) -> Unreadable:
    return Unreadable(
        line=mark.line + 1, column=mark.column + 1, what=what, expected=expected
    )
