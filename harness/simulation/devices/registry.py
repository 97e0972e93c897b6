"""Family code -> device kind.

A kind is a module in a folder of this package, one folder a class of device, with a
tuple ``KINDS``; adding a kind is adding a file.
"""

from __future__ import annotations

import importlib
import pkgutil
from collections.abc import Mapping
from functools import cache
from typing import Annotated, Union

from pydantic import Discriminator, GetCoreSchemaHandler, Tag
from pydantic_core import CoreSchema

import harness.simulation.devices as package
from harness.simulation.devices.kind import DeviceKind
from harness.simulation.settings.device import parse_family


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


class OfAnyKind:
    """Marks ``DeviceSettings`` so that pydantic takes the keys of the family named."""

    def __get_pydantic_core_schema__(
        self, source: object, handler: GetCoreSchemaHandler
    ) -> CoreSchema:
        members = tuple(
            Annotated[kind.settings, Tag(_tag(family))]
            for family, kind in device_kinds().items()
        )
        known = ", ".join(f"0x{family:02X}" for family in device_kinds())
        return handler.generate_schema(
            Annotated[
                Union[members],  # noqa: UP007 - a tuple has no `|`
                Discriminator(
                    _family_tag,
                    custom_error_type="unknown_family",
                    custom_error_message=(
                        f"family must be one that can be simulated: {known}"
                    ),
                ),
            ]
        )


def _tag(family: int) -> str:
    return f"{family:02X}h"


def _family_tag(value: object) -> str | None:
    if isinstance(value, Mapping):
        family = parse_family(value.get("family"))
    else:
        family = getattr(value, "family", None)
    return _tag(family) if isinstance(family, int) else None
