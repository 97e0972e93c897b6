"""YAML text to plain data, with the place of every key and value.

Rules, so that a file means what it looks like:
    1. ``true`` and ``false`` are the only truth values; ``on`` stays a word.
    2. Whole numbers are decimal or 0x..; 010 is refused, because it is ambiguous.
    3. 16 hex digits are a ROM code, never a number; 12:30 stays a text.
    4. A key comes once. Anchors, aliases, merge keys, tags and a second document
       are refused: what is not there cannot expand.

Built on the events of PyYAML's safe parser; nothing is ever constructed by it.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, field
from typing import TypeAlias

import yaml

from harness.plans.loading.problems import PlanError, Problem
from harness.plans.loading.yaml_syntax import unreadable

KeyPath = tuple[str | int, ...]
"""Keys and list positions from the top of the file."""

Plain: TypeAlias = "dict[str, Plain] | list[Plain] | float | int | str | bool | None"
"""What YAML text comes to."""

DEEPEST = 50
_MOST_PROBLEMS = 100

_ROM_CODE = re.compile(r"[0-9A-Fa-f]{16}")
_DECIMAL = re.compile(r"[-+]?[0-9]+")
_AMBIGUOUS = re.compile(r"[-+]?0[0-9]+")
_HEX = re.compile(r"0x[0-9A-Fa-f]+")
_FLOAT = re.compile(r"[-+]?(\.[0-9]+|[0-9]+(\.[0-9]*)?)([eE][-+]?[0-9]+)?")
_WORDS = {"true": True, "false": False, "null": None, "~": None, "": None}
_LONGEST_NUMBER = 40


@dataclass(frozen=True, slots=True, kw_only=True)
class FilePosition:
    """A place in a file, both from 1."""

    line: int
    column: int


@dataclass(slots=True, kw_only=True)
class Document:
    """Plain data and the place of everything in it.

    Attributes:
        name: file name for messages.
        data: dicts, lists and scalars.
        values: key path -> place of the value.
        keys: key path -> place of the key (mappings only).
        spoiled: key paths whose value could not be read and stands for nothing.
        problems: mistakes found while reading.
    """

    name: str
    data: Plain = None
    values: dict[KeyPath, FilePosition] = field(default_factory=dict)
    keys: dict[KeyPath, FilePosition] = field(default_factory=dict)
    spoiled: set[KeyPath] = field(default_factory=set)
    problems: list[Problem] = field(default_factory=list)

    def problem(
        self, place: FilePosition, what: str, *, expected: str = "", nearest: str = ""
    ) -> Problem:
        """A problem of this file."""
        return Problem(
            file=self.name,
            line=place.line,
            column=place.column,
            what=what,
            expected=expected,
            nearest=nearest,
        )

    def place_of(self, path: KeyPath) -> FilePosition:
        """Place of the value at ``path``, or of the nearest one around it.

        A value that begins below its key is shown at the key: that line says what it
        is, and is the one that is wrong if the value is not of its kind.
        """
        while path and path not in self.values:
            path = path[:-1]
        value = self.values.get(path, FilePosition(line=1, column=1))
        key = self.keys.get(path, value)
        return key if key.line < value.line else value

    def is_spoiled(self, path: KeyPath) -> bool:
        """True if the value at ``path``, or one around it, could not be read."""
        return any(path[:n] in self.spoiled for n in range(len(path) + 1))

    def holds_spoiled(self, path: KeyPath) -> bool:
        """True if a value inside the one at ``path`` could not be read."""
        return any(spoiled[: len(path)] == path for spoiled in self.spoiled)


def parse(text: str, name: str) -> Document:
    """Read YAML text; touches no disk.

    Args:
        text: the whole file.
        name: file name for messages.

    Returns:
        The data with places; ``problems`` holds what was wrong and could be passed over.

    Raises:
        PlanError: the text is no YAML, is empty, or is nested deeper than 50.
    """
    document = Document(name=name)
    composer = _Composer(document)
    try:
        for event in yaml.parse(text, Loader=yaml.SafeLoader):
            composer.take(event)
    except yaml.YAMLError as error:
        raise PlanError([*document.problems, _syntax(document, text, error)]) from error
    if not composer.documents:
        raise PlanError(
            [Problem(file=name, what="the file is empty", expected="plan: or fixture:")]
        )
    return document


def read_scalar(text: str) -> float | int | str | bool | None:
    """The value of an unquoted scalar, by the rules above.

    Raises:
        ValueError: a number that is ambiguous or too large; says what to write.
    """
    if text in _WORDS:
        return _WORDS[text]
    if _ROM_CODE.fullmatch(text) or len(text) > _LONGEST_NUMBER:
        return text
    return _read_number(text)


def step_into(data: Plain, part: str | int) -> Plain:
    """The value at one key or list position.

    Raises:
        LookupError: there is none.
    """
    if isinstance(data, dict) and isinstance(part, str):
        return data[part]
    if isinstance(data, list) and isinstance(part, int):
        return data[part]
    raise LookupError(part)


def _read_number(text: str) -> float | int | str:
    if _AMBIGUOUS.fullmatch(text):
        raise ValueError(_unambiguous(text))
    if _DECIMAL.fullmatch(text):
        return int(text)
    if _HEX.fullmatch(text):
        return int(text, 16)
    return _finite(text) if _FLOAT.fullmatch(text) else text


def _unambiguous(text: str) -> str:
    sign, digits = text.rstrip("0123456789"), text.lstrip("+-").lstrip("0") or "0"
    if sign:
        return f"{sign}{digits}"
    return f"{digits}, or 0x{digits.zfill(2)} if hex is meant"


def _finite(text: str) -> float:
    value = float(text)
    if not math.isfinite(value):
        raise ValueError("a number below 1e308")
    return value


def _syntax(document: Document, text: str, error: yaml.YAMLError) -> Problem:
    found = unreadable(text, error)
    return document.problem(
        FilePosition(line=found.line, column=found.column),
        f"not readable as YAML: {found.what}",
        expected=found.expected,
    )


@dataclass(slots=True, kw_only=True)
class _Frame:
    """A mapping or list that is still open."""

    path: KeyPath
    into: dict[str, Plain] | list[Plain]
    key: str | None = None
    waits_for_key: bool = True
    drop: bool = False


class _Composer:
    """Builds data and places from parser events; keeps its own stack."""

    def __init__(self, document: Document) -> None:
        self.document = document
        self.documents = 0
        self.stack: list[_Frame] = []
        self.skip = 0

    def take(self, event: yaml.Event) -> None:
        mark = event.start_mark
        if mark is None:  # pragma: no cover - the parser marks every event
            return
        place = FilePosition(line=mark.line + 1, column=mark.column + 1)
        if isinstance(event, yaml.DocumentStartEvent):
            self._document(place)
        elif isinstance(event, yaml.NodeEvent):
            self._node(event, place)
        elif isinstance(event, yaml.MappingEndEvent | yaml.SequenceEndEvent):
            self._close()

    def _document(self, place: FilePosition) -> None:
        self.documents += 1
        if self.documents > 1:
            self._complain(place, "a second document", "one document, no --- inside")
            raise PlanError(self.document.problems)

    def _node(self, event: yaml.NodeEvent, place: FilePosition) -> None:
        opens = isinstance(event, yaml.CollectionStartEvent)
        if opens and len(self.stack) + self.skip >= DEEPEST:
            self._complain(place, f"nested deeper than {DEEPEST}", "a flatter file")
            raise PlanError(self.document.problems)
        if self.skip:
            self.skip += opens
            return
        sound = self._plain_node(event, place)
        if self._expects_key():
            self._key(event, place)
        elif isinstance(event, yaml.ScalarEvent):
            self._value(self._scalar(event, place), place, sound=sound)
        elif isinstance(event, yaml.CollectionStartEvent):
            self._open(event, place, sound=sound)
        else:
            self._value(None, place, sound=False)

    def _plain_node(self, event: yaml.NodeEvent, place: FilePosition) -> bool:
        """Complains of anchors, aliases and tags; False if the value cannot count."""
        if isinstance(event, yaml.AliasEvent):
            self._complain(place, f"alias *{event.anchor}", "the value written out")
            return False
        if event.anchor is not None:
            self._complain(place, f"anchor &{event.anchor}", "the value without it")
        tag = getattr(event, "tag", None)
        if tag is not None:
            shown = tag.replace("tag:yaml.org,2002:", "!!")
            self._complain(place, f"tag {shown}", "the value without it")
            return False
        return True

    def _expects_key(self) -> bool:
        top = self.stack[-1] if self.stack else None
        return top is not None and isinstance(top.into, dict) and top.waits_for_key

    def _key(self, event: yaml.NodeEvent, place: FilePosition) -> None:
        top = self.stack[-1]
        top.waits_for_key = False
        top.key, top.drop = None, True
        if not isinstance(event, yaml.ScalarEvent):
            self.skip = int(isinstance(event, yaml.CollectionStartEvent))
            if self.skip:
                self._complain(place, "a key that is no word", "a word and a colon")
            return
        key = event.value
        path = (*top.path, key)
        if key == "<<" and event.style is None:
            self._complain(place, "merge key <<", "the keys written out")
        elif path in self.document.keys:
            first = self.document.keys[path].line
            self._complain(
                place, f"key {key!r} again, first on line {first}", "each key once"
            )
        else:
            self.document.keys[path] = place
            top.key, top.drop = key, False

    def _scalar(self, event: yaml.ScalarEvent, place: FilePosition) -> Plain:
        if event.style is not None:
            return event.value
        try:
            return read_scalar(event.value)
        except ValueError as error:
            self._complain(place, f"number {event.value}", str(error))
            self.document.spoiled.add(self._path())
            return None

    def _path(self) -> KeyPath:
        if not self.stack:
            return ()
        top = self.stack[-1]
        last = len(top.into) if isinstance(top.into, list) else top.key
        return top.path if last is None else (*top.path, last)

    def _value(self, value: Plain, place: FilePosition, *, sound: bool) -> None:
        path = self._path()
        top = self.stack[-1] if self.stack else None
        dropped = top is not None and isinstance(top.into, dict) and top.drop
        if not dropped:
            self.document.values[path] = place
            if not sound:
                self.document.spoiled.add(path)
            self._put(value)
        if top is not None:
            top.waits_for_key = True

    def _put(self, value: Plain) -> None:
        if not self.stack:
            self.document.data = value
            return
        top = self.stack[-1]
        if isinstance(top.into, list):
            top.into.append(value)
        elif top.key is not None:
            top.into[top.key] = value

    def _open(
        self, event: yaml.CollectionStartEvent, place: FilePosition, *, sound: bool
    ) -> None:
        top = self.stack[-1] if self.stack else None
        if top is not None and isinstance(top.into, dict) and top.drop:
            # the value of a refused key is not looked at
            top.waits_for_key = True
            self.skip = 1
            return
        path = self._path()
        into: dict[str, Plain] | list[Plain] = (
            {} if isinstance(event, yaml.MappingStartEvent) else []
        )
        self._value(into, place, sound=sound)
        self.stack.append(_Frame(path=path, into=into))

    def _close(self) -> None:
        if self.skip:
            self.skip -= 1
        else:
            self.stack.pop()

    def _complain(self, place: FilePosition, what: str, expected: str) -> None:
        self.document.problems.append(
            self.document.problem(place, what, expected=expected)
        )
        if len(self.document.problems) >= _MOST_PROBLEMS:
            raise PlanError(self.document.problems)
