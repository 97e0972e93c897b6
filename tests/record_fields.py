"""Every field of a record, one by one: filled, dropped from the JSON, defaulted.

Shared by the tests of what is written to a journal and read back from it.
"""

from __future__ import annotations

import copy
import dataclasses
import types
import typing
from collections.abc import Iterator
from enum import Enum
from itertools import count
from typing import Any

from pydantic.fields import FieldInfo

TEXT = "3D0000A4B3C2D128"
"""Every text and every key of a mapping, so that what refers to each other matches."""


@dataclasses.dataclass(frozen=True, kw_only=True)
class DroppedField:
    """One field of a record, somewhere inside it.

    Attributes:
        name: record and field, such as ``Echoes.sent``.
        path: keys and places of the JSON that lead to it.
        required: True if the record has no default for it.
        default: the record as a whole with this field at its default.
    """

    name: str
    path: tuple[str | int, ...]
    required: bool
    default: Any = None

    def __str__(self) -> str:
        """As an error names it."""
        return ".".join(map(str, self.path))


def filled(kind: Any) -> Any:  # noqa: ANN401 - any record
    """A record, and all records inside, with no field at its default."""
    return _filled(kind, dataclasses.MISSING, count(2))


def _filled(kind: Any, default: Any, numbers: Iterator[int]) -> Any:  # noqa: ANN401
    if dataclasses.is_dataclass(kind):
        assert isinstance(kind, type)
        known = {f.name: f.default for f in _fields(kind)}
        return kind(**_filled_all(kind, known, numbers))
    if typing.get_origin(kind) is not None:
        return _filled_generic(kind, default, numbers)
    if isinstance(kind, type) and issubclass(kind, tuple):
        return kind(**_filled_all(kind, {}, numbers))
    if isinstance(kind, type) and issubclass(kind, Enum):
        return next(member for member in kind if member != default)
    return _filled_scalar(kind, default, numbers)


def _filled_scalar(kind: Any, default: Any, numbers: Iterator[int]) -> Any:  # noqa: ANN401
    if kind is bool:
        return default is not True
    if kind is float:
        return next(numbers) + 0.5
    return next(numbers) if kind is int else TEXT


def _filled_all(
    kind: type, defaults: dict[str, Any], numbers: Iterator[int]
) -> dict[str, Any]:
    hints = typing.get_type_hints(kind)
    return {
        name: _filled(hints[name], defaults.get(name, dataclasses.MISSING), numbers)
        for name in defaults or hints
    }


def _filled_generic(kind: Any, default: Any, numbers: Iterator[int]) -> Any:  # noqa: ANN401
    origin, arguments = typing.get_origin(kind), typing.get_args(kind)
    if origin in {types.UnionType, typing.Union}:
        return _filled(arguments[0], default, numbers)
    if origin is typing.Literal:
        return next(word for word in arguments if word != default)
    if origin is dict:
        key, value = (_filled(one, dataclasses.MISSING, numbers) for one in arguments)
        return {key: value}
    if origin is not tuple or arguments[-1] is ...:
        arguments = arguments[:1]
    return origin(_filled(one, dataclasses.MISSING, numbers) for one in arguments)


def fields_in(record: Any) -> Iterator[DroppedField]:  # noqa: ANN401 - any record
    """Every field of a record and of all records inside."""
    for path, inner, field in _places(record, ()):
        default: Any = field.default
        if field.default_factory is not dataclasses.MISSING:
            default = field.default_factory()
        required = default is dataclasses.MISSING
        yield DroppedField(
            name=f"{type(inner).__name__}.{field.name}",
            path=(*path, _key(inner, field)),
            required=required,
            default=None if required else _put(record, path, field.name, default),
        )


def without(plain: Any, path: tuple[str | int, ...]) -> Any:  # noqa: ANN401 - plain JSON
    """The JSON without one key.

    Raises:
        KeyError: it is not there, so nobody wrote it.
    """
    changed = copy.deepcopy(plain)
    inner = changed
    for step in path[:-1]:
        inner = inner[step]
    del inner[path[-1]]
    return changed


def _fields(kind: Any) -> list[dataclasses.Field[Any]]:  # noqa: ANN401
    return [field for field in dataclasses.fields(kind) if field.init]


def _key(record: Any, field: dataclasses.Field[Any]) -> str:  # noqa: ANN401
    hint = typing.get_type_hints(type(record), include_extras=True)[field.name]
    for extra in getattr(hint, "__metadata__", ()):
        if isinstance(extra, FieldInfo) and extra.alias:
            return extra.alias
    return field.name


def _inside(value: Any) -> Iterator[tuple[str | int, Any]]:  # noqa: ANN401
    if isinstance(value, dict):
        yield from ((str(key), item) for key, item in value.items())
    elif isinstance(value, tuple | list):
        yield from enumerate(value)


def _places(
    value: Any,  # noqa: ANN401
    path: tuple[str | int, ...],
) -> Iterator[tuple[tuple[str | int, ...], Any, dataclasses.Field[Any]]]:
    if dataclasses.is_dataclass(value):
        for field in _fields(value):
            yield path, value, field
            inner = getattr(value, field.name)
            yield from _places(inner, (*path, _key(value, field)))
        return
    for step, item in _inside(value):
        yield from _places(item, (*path, step))


def _put(value: Any, path: tuple[str | int, ...], name: str, new: Any) -> Any:  # noqa: ANN401
    """The record with one field of one record inside it changed."""
    if not path:
        return dataclasses.replace(value, **{name: new})
    step, rest = path[0], path[1:]
    if dataclasses.is_dataclass(value):
        own = next(f.name for f in _fields(value) if _key(value, f) == step)
        inner = _put(getattr(value, own), rest, name, new)
        return dataclasses.replace(value, **{own: inner})  # type: ignore[type-var]
    changed = [
        (key, _put(item, rest, name, new) if key == step else item)
        for key, item in _inside(value)
    ]
    if isinstance(value, dict):
        keys = {str(key): key for key in value}
        return {keys[str(key)]: item for key, item in changed}
    return type(value)(item for _, item in changed)
