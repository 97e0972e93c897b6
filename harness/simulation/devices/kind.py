"""The row by which a device module announces what it models."""

from __future__ import annotations

from dataclasses import dataclass

from harness.simulation.device_settings import DeviceSettings


@dataclass(frozen=True, slots=True, kw_only=True)
class DeviceKind:
    """One family code and its model.

    Attributes:
        family: family code.
        title: what it is, in a few words.
        settings: the keys such a device takes in a fixture.
    """

    family: int
    title: str
    settings: type[DeviceSettings]
