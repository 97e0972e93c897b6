"""The strict model that all settings of the bench are made of."""

from __future__ import annotations

import re
from difflib import get_close_matches
from typing import Annotated, Any, Self, get_args

from pydantic import (
    AfterValidator,
    BaseModel,
    ConfigDict,
    ModelWrapValidatorHandler,
    ValidationError,
    model_validator,
)
from pydantic_core import ErrorDetails, InitErrorDetails, PydanticCustomError
from pydantic_core.core_schema import ErrorType

_BUILT_IN_KINDS = frozenset(get_args(ErrorType))


def _hex_bytes(text: str) -> str:
    if not re.fullmatch(r"(?:[0-9A-Fa-f]{2}\s*)*", text):
        raise ValueError("must be bytes in hex, such as 01 A5")
    return text


HexBytes = Annotated[str, AfterValidator(_hex_bytes)]
"""Bytes in hex."""


class StrictSettings(BaseModel):
    """Frozen, knows all its keys, and names the nearest one to a key it lacks."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    @model_validator(mode="wrap")
    @classmethod
    def _name_the_nearest_key(
        cls, data: object, handler: ModelWrapValidatorHandler[Self]
    ) -> Self:
        try:
            return handler(data)
        except ValidationError as error:
            known = sorted(cls.model_fields)
            details = [_clearer(detail, known) for detail in error.errors()]
        raise ValidationError.from_exception_data(cls.__name__, details)


def prefixed(error: ValidationError, place: str) -> ValidationError:
    """The same complaints, at places below ``place``."""
    details: list[InitErrorDetails] = [
        {**detail, "loc": (place, *detail["loc"])}
        for detail in (_clearer(each, []) for each in error.errors())
    ]
    return ValidationError.from_exception_data(error.title, details)


def _clearer(detail: ErrorDetails, known: list[str]) -> InitErrorDetails:
    """The same complaint at the same place; an unknown key gets its nearest."""
    context = detail.get("ctx", {})
    location = detail["loc"]
    kind: Any = detail["type"]
    if kind == "extra_forbidden" and known and len(location) == 1:
        key = str(location[0])
        nearest = get_close_matches(key, known, n=1, cutoff=0.0)[0]
        kind = PydanticCustomError(
            "unknown_key",
            "unknown key '{key}', the nearest known one is '{nearest}'",
            {"key": key, "nearest": nearest},
        )
    elif kind not in _BUILT_IN_KINDS:
        kind = PydanticCustomError(kind, "{text}", {"text": detail["msg"], **context})
    return InitErrorDetails(type=kind, loc=location, input=detail["input"], ctx=context)
