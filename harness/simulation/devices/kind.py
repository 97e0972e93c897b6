"""The row by which a device module announces what it models."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from harness.simulation.devices.base import Device
from harness.simulation.settings.device import DeviceSettings


@dataclass(frozen=True, slots=True, kw_only=True)
class DeviceKind:
    """One family code and its model.

    Attributes:
        family: family code.
        title: what it is, in a few words.
        settings: the keys such a device takes in a fixture.
        model: makes its behaviour; takes the arguments of ``Device``.
    """

    family: int
    title: str
    settings: type[DeviceSettings]
    model: Callable[..., Device[Any]]
