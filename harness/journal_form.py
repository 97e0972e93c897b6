"""The form that a record has in the journal: written and read by one adapter.

The code that measures fills a record and writes it through its ``JournalForm``; the code
that shows it reads the same record back through the same form. Neither side spells a key of the
JSON, so a field that is misspelt on either side is a type error.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import MISSING, fields
from functools import cached_property
from typing import Annotated, Any, Generic, TypeVar, cast

from pydantic import BeforeValidator, TypeAdapter, ValidationError, WrapSerializer

from harness.records import Scalar

RecordT = TypeVar("RecordT")


class FieldError(ValueError):
    """What the journal holds is not the record that it should be; names the field."""


class JournalForm(Generic[RecordT]):
    """How one kind of record stands in the journal.

    Reading ignores keys that the record does not have, so that an older version reads
    what a newer one wrote, and takes the default of a field whose key is missing, so
    that a newer version reads what an older one wrote. A field without a default must
    be there.

    Args:
        record: a dataclass whose fields are plain types, records or both.
        name: of the event, or where it stands in one, such as ``diagnosis``; errors
            begin with it.
        sparing: True to leave out fields that are at their default, where there are
            many such lines.
    """

    def __init__(
        self, record: type[RecordT], *, name: str, sparing: bool = False
    ) -> None:
        self.record = record
        self.name = name
        self._sparing = sparing

    @cached_property
    def _adapter(self) -> TypeAdapter[RecordT]:
        # built when first used: it takes milliseconds, and most commands need none
        return TypeAdapter(self.record)

    def written(self, record: RecordT) -> dict[str, Any]:
        """The record as a mapping of plain types, for the journal's writer."""
        # a value of a type that is not the field's own, such as one of numpy's, is
        # written all the same: a warning in the middle of a run would help no reader
        plain = self._adapter.dump_python(record, by_alias=True, warnings=False)
        assert isinstance(plain, dict)
        usual = self._defaults if self._sparing else {}
        return {
            key: value
            for key, value in plain.items()
            if key not in usual or value != usual[key]
        }

    @cached_property
    def _defaults(self) -> dict[str, Any]:
        found = {}
        for one in fields(cast("Any", self.record)):
            if one.default_factory is not MISSING:
                found[one.name] = one.default_factory()
            elif one.default is not MISSING:
                found[one.name] = one.default
        return found

    def read(self, data: object) -> RecordT:
        """The record that ``written`` made these JSON types of.

        Raises:
            FieldError: a field is missing or of the wrong type; names the first one.
        """
        try:
            return self._adapter.validate_python(data)
        except ValidationError as exc:
            raise FieldError(self._message(exc)) from exc

    def _message(self, exc: ValidationError) -> str:
        first, *more = exc.errors(include_url=False, include_input=False)
        path = ".".join([self.name, *map(str, first["loc"])])
        rest = f", and {len(more)} more" if more else ""
        message = first["msg"]
        return f"{path}: {message[:1].lower()}{message[1:]}{rest}"


def _without_empty(record: object, handler: Callable[[object], Any]) -> dict[str, Any]:
    plain = handler(record)
    return {key: v for key, v in plain.items() if v not in (None, "", (), {})}


SPARING = WrapSerializer(_without_empty)
"""``Annotated[Record, SPARING]`` leaves out fields that hold nothing; 0 and false stay."""


def _put_back(value: object) -> object:
    return math.nan if value is None else value


ReadScalar = Annotated[Scalar, BeforeValidator(_put_back)]
"""A value that a device gave. The journal has null for a number that is not finite,
because JSON has no word for it."""
