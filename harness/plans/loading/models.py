"""Errors of the typed schema, reported with positions and nearest words."""

from __future__ import annotations

import re
from collections.abc import Mapping
from functools import cache
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from harness.plans.loading.problems import Problem, nearest, one_of
from harness.plans.loading.schema_keys import about, known_keys
from harness.plans.loading.yaml_text import Document, KeyPath, Plain, step_into

Model = TypeVar("Model", bound=BaseModel)

_WHOLE, _NUMBER = "a whole number", "a number"
_LIST = "a list: [...], or lines that begin with a dash"

_NOUNS = {
    "int_type": _WHOLE,
    "int_from_float": _WHOLE,
    "float_type": _NUMBER,
    "finite_number": "a finite number",
    "string_type": "a text",
    "bool_type": "true or false",
    "none_required": "nothing",
    "list_type": _LIST,
    "tuple_type": _LIST,
    "dict_type": "a mapping of keys and values",
    "model_type": "a mapping of keys and values",
    "model_attributes_type": "a mapping of keys and values",
    "mapping_type": "a mapping of keys and values",
    "int_parsing": _WHOLE,
    "float_parsing": _NUMBER,
    "bool_parsing": "true or false",
}

_BOUNDS = {
    "greater_than": "above {gt:g}",
    "greater_than_equal": "at least {ge:g}",
    "less_than": "below {lt:g}",
    "less_than_equal": "at most {le:g}",
    "string_too_short": "a text that is not empty",
    "string_too_long": "at most {max_length} characters",
    "too_short": "at least {min_length} in it",
    "too_long": "at most {max_length} entries",
}

_WORD_ERRORS = {"literal_error", "enum", "union_tag_invalid"}
_OWN = "plan_mistake"
_UNKNOWN_KEY = {"extra_forbidden", "unknown_key"}


def validate(
    model: type[Model], data: Plain, document: Document, notes: Mapping[KeyPath, str]
) -> tuple[Model | None, list[Problem]]:
    """Build the model, or say everything that is wrong.

    Args:
        model: the model of the whole file.
        data: plain data, parameters already put in.
        document: where the data came from.
        notes: key path -> where a value came from, if not from the file.

    Returns:
        The model and no problem, or None and all problems.
    """
    try:
        return model.model_validate(data), []
    except ValidationError as error:
        details = error.errors(include_url=False)
    complaints = [_Complaint(detail, data) for detail in details]
    complaints = [c for c in complaints if c.counts and not _follows(c, document)]
    schema = _schema_of(model)
    return None, [
        _problem(group, data, document, schema, notes) for group in _grouped(complaints)
    ]


def _follows(complaint: _Complaint, document: Document) -> bool:
    """True if a value that could not be read is what is complained of."""
    whole = complaint.kind == _OWN and document.holds_spoiled(complaint.path)
    return whole or document.is_spoiled(complaint.path)


@cache
def _schema_of(model: type[BaseModel]) -> dict[str, Any]:
    return model.model_json_schema(by_alias=True)


class _Complaint:
    """One error of the schema with its path in the file.

    Pydantic mixes names of union branches into its paths; what is no key of the
    data is left out, and ``in_branch`` says that the path ended with such a name.
    """

    def __init__(self, detail: ErrorDetails, data: Plain) -> None:
        self.kind: str = detail["type"]
        self.context: dict[str, Any] = detail.get("ctx", {})
        self.message: str = detail["msg"]
        self.value: object = detail["input"]
        self.missing = ""
        location = list(detail["loc"])
        if self.kind == "missing":
            self.missing = str(location.pop())
        if self.kind == "union_tag_not_found":
            self.missing = self._tag_key
        if self.kind == "union_tag_invalid":
            location.append(self._tag_key)
            self.value = self.context["tag"]
        self.is_of_key = bool(location) and location[-1] == "[key]"
        self.path, self.in_branch = _path_in(data, location)
        self._follow(str(self.context.get("at", "")), data)

    def _follow(self, at: str, data: Plain) -> None:
        if not at:
            return
        start = () if at.startswith("/") else self.path
        steps = [int(p) if p.isdigit() else p for p in at.lstrip("/").split(".")]
        self.path, _ = _path_in(data, [*start, *steps])

    @property
    def _tag_key(self) -> str:
        return str(self.context["discriminator"]).strip("'")

    @property
    def counts(self) -> bool:
        """False for a list called too short only because all its entries are wrong."""
        if self.kind != "too_short" or not isinstance(self.value, list):
            return True
        return len(self.value) < int(self.context["min_length"])

    @property
    def expected(self) -> str:
        """What would be right, as one clause."""
        if self.kind in _NOUNS:
            return _NOUNS[self.kind]
        if self.kind == "too_long" and isinstance(self.value, str):
            return _BOUNDS["string_too_long"].format(**self.context)
        if self.kind in _BOUNDS:
            return _BOUNDS[self.kind].format(**self.context)
        if self.kind in _WORD_ERRORS:
            return one_of(self.words)
        return str(self.context.get("expected", ""))

    @property
    def words(self) -> list[str]:
        """The valid words, where the error names them."""
        text = self.context.get("expected_tags") or self.context.get("expected", "")
        return re.findall(r"'([^']*)'", str(text))


def _path_in(data: Plain, location: list[str | int]) -> tuple[KeyPath, bool]:
    path: list[str | int] = []
    in_branch = False
    for part in location:
        try:
            data = step_into(data, part)
        except LookupError:
            in_branch = True
        else:
            path.append(part)
            in_branch = False
    return tuple(path), in_branch


def _grouped(complaints: list[_Complaint]) -> list[list[_Complaint]]:
    """One group for each mistake: the branches of a union complain together."""
    # a set, for a file of many mistakes: to look through all for each took minutes
    above = {c.path[:length] for c in complaints for length in range(len(c.path))}
    groups: dict[tuple[KeyPath, str], list[_Complaint]] = {}
    for index, complaint in enumerate(complaints):
        path = complaint.path
        if complaint.in_branch and path in above:
            continue  # another branch fits better and says what it lacks
        own = f"{index}" if not complaint.in_branch else "union"
        groups.setdefault((path, own), []).append(complaint)
    return list(groups.values())


def _problem(
    group: list[_Complaint],
    data: Plain,
    document: Document,
    schema: dict[str, Any],
    notes: Mapping[KeyPath, str],
) -> Problem:
    first = group[0]
    path = first.path
    if first.kind in _UNKNOWN_KEY:
        return _unknown_key(path, document, known_keys(schema, data, path[:-1]))
    place = document.place_of(path)
    if first.is_of_key:
        place = document.keys.get(path, place)
    if first.missing:
        return document.problem(
            place,
            f"{_name(path)} lacks the key {first.missing!r}",
            expected=about(schema, data, path, first.missing),
        )
    note = f" (from {notes[path]})" if path in notes else ""
    return document.problem(
        place,
        _what(first, path) + note,
        expected=_expected(group),
        nearest=_nearest(group),
    )


def _unknown_key(path: KeyPath, document: Document, known: list[str]) -> Problem:
    key = str(path[-1])
    is_step = len(path) > 1 and isinstance(path[-2], int) and path[-3:-2] == ("steps",)
    named = document.keys.get(path[:-1])
    place = document.keys.get(path) or document.place_of(path)
    of = ""
    if named is not None and named.line < place.line:
        of = f" of {path[-2]!r} in line {named.line}"
    return document.problem(
        place,
        f"unknown {'step kind' if is_step else 'key'} {key!r}{of}",
        expected=one_of(known) if known else "another key",
        nearest=nearest(key, known),
    )


def _what(complaint: _Complaint, path: KeyPath) -> str:
    if complaint.kind == _OWN or complaint.kind not in _TOLD:
        return complaint.message.removeprefix("Value error, ")
    return f"{_name(path)} is {shown(complaint.value)}"


def _expected(group: list[_Complaint]) -> str:
    clauses = dict.fromkeys(c.expected for c in group if c.expected)
    if _NUMBER in clauses:
        clauses.pop(_WHOLE, None)
    return " or ".join(clauses)


def _nearest(group: list[_Complaint]) -> str:
    given = [str(c.context["nearest"]) for c in group if c.context.get("nearest")]
    if given:
        return given[0]
    words = [word for c in group for word in c.words]
    first = group[0]
    return nearest(first.value, words) if isinstance(first.value, str) else ""


def _name(path: KeyPath) -> str:
    """The last key of a path, in words."""
    if not path:
        return "the file"
    last = path[-1]
    if isinstance(last, int):
        if len(path) > 1 and path[-2] == "steps":
            return f"step {last + 1}"
        return f"entry {last + 1} of {_name(path[:-1])}"
    return str(last)


def shown(value: object) -> str:
    """A value in words, short and on one line."""
    if isinstance(value, dict):
        return "a mapping"
    if isinstance(value, list | tuple):
        return "an empty list" if not value else "a list"
    if value is None:
        return "empty"
    if isinstance(value, bool):
        return str(value).lower()
    text = repr(value)
    return text if len(text) <= 60 else f"{text[:57]}..."


_TOLD = {*_NOUNS, *_BOUNDS, *_WORD_ERRORS}
