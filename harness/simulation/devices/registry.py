"""Family code -> device kind.

A kind is a module in a folder of this package, one folder a class of device, with a
tuple ``KINDS``; adding a kind is adding a file.
"""

from __future__ import annotations

import importlib
import pkgutil
from collections.abc import Callable, Mapping
from functools import cache, reduce
from operator import or_
from typing import Any

from pydantic import (
    GetCoreSchemaHandler,
    GetJsonSchemaHandler,
    TypeAdapter,
    ValidationError,
)
from pydantic.json_schema import JsonSchemaValue
from pydantic_core import CoreSchema, PydanticCustomError, core_schema

import harness.simulation.devices as package
from harness.simulation.devices.base import Device
from harness.simulation.devices.kind import DeviceKind
from harness.simulation.devices.scripted import Scripted, ScriptSettings
from harness.simulation.settings.base import prefixed
from harness.simulation.settings.device import DeviceSettings, parse_family


@cache
def device_kinds() -> dict[int, DeviceKind]:
    """All kinds there are, by family code.

    Raises:
        ValueError: two modules claim one family code.
    """
    kinds: dict[int, DeviceKind] = {}
    for folder in pkgutil.iter_modules(package.__path__):
        if folder.ispkg:
            _collect(f"{package.__name__}.{folder.name}", kinds)
    return dict(sorted(kinds.items()))


def _collect(folder: str, kinds: dict[int, DeviceKind]) -> None:
    for info in pkgutil.iter_modules(importlib.import_module(folder).__path__):
        module = importlib.import_module(f"{folder}.{info.name}")
        for kind in getattr(module, "KINDS", ()):
            if kind.family in kinds:
                other = kinds[kind.family].title
                raise ValueError(
                    f"family {kind.family:02X}h is claimed by '{other}' and '{kind.title}'"
                )
            kinds[kind.family] = kind


def model_of(settings: DeviceSettings) -> Callable[..., Device[Any]]:
    """What makes the behaviour of a device: its script, or the model of its kind."""
    if isinstance(settings, ScriptSettings):
        return Scripted
    return device_kinds()[settings.family].model


class OfAnyKind:
    """Marks ``DeviceSettings`` so that pydantic takes the keys of the family named.

    The kinds are loaded when the first device is read, and only the models of those
    that are named are built: all of them together take as long as a short run.
    """

    def __get_pydantic_core_schema__(
        self, source: object, handler: GetCoreSchemaHandler
    ) -> CoreSchema:
        return core_schema.no_info_plain_validator_function(settings_of_kind)

    def __get_pydantic_json_schema__(
        self, schema: CoreSchema, handler: GetJsonSchemaHandler
    ) -> JsonSchemaValue:
        kinds = [kind.settings for kind in device_kinds().values()]
        kinds.append(ScriptSettings)
        any_kind: TypeAdapter[DeviceSettings] = TypeAdapter(reduce(or_, kinds))
        return handler(any_kind.core_schema)


def settings_of_kind(value: object) -> DeviceSettings:
    """The settings of a device, by the keys of its own kind.

    Args:
        value: plain data with a family, or settings.

    Raises:
        pydantic.ValidationError: of the kind; its places begin with the family.
        PydanticCustomError: no family that can be simulated.
    """
    family = _family_of(value)
    if isinstance(value, ScriptSettings):
        return value
    if isinstance(value, Mapping) and "script" in value:
        try:
            return ScriptSettings.model_validate(value)
        except ValidationError as error:
            raise prefixed(error, "script") from None
    kind = device_kinds().get(family) if isinstance(family, int) else None
    if kind is None:
        known = ", ".join(f"0x{family:02X}" for family in device_kinds())
        raise PydanticCustomError(
            "unknown_family",
            "family must be one that can be simulated, or have a script: {known}",
            {"known": known},
        )
    try:
        return kind.settings.model_validate(value)
    except ValidationError as error:
        raise prefixed(error, f"{kind.family:02X}h") from None


def _family_of(value: object) -> object:
    if isinstance(value, Mapping):
        return parse_family(value.get("family"))
    return getattr(value, "family", None)
