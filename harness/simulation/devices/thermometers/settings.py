"""Keys that the thermometer kinds add to a device in a fixture."""

from __future__ import annotations

from enum import StrEnum
from math import inf
from typing import Literal

from pydantic import Field

from harness.simulation.settings.device import DeviceSettings

CLONE_STORES = 8
"""Reported of some clones (public reports, retold); no figure is published."""


class Starved(StrEnum):
    """What a conversion leaves behind whose supply was too low, yet not gone."""

    KEEP = "keep"
    FULL_SCALE = "full-scale"
    WANDER = "wander"


class Silicon(StrEnum):
    """Whose chip it is."""

    ORIGINAL = "original"
    CLONE = "clone"


class ThermometerSettings(DeviceSettings):
    """A thermometer with alarm registers."""

    temperature_degc: float = Field(
        default=21.0, ge=-55, le=125, description="true temperature at power-up"
    )
    drift_degc_per_h: float = Field(
        default=0.0, ge=-1000, le=1000, description="steady change of temperature"
    )
    noise_degc: float = Field(
        default=0.0, ge=0, le=50, description="standard deviation of a conversion"
    )
    conversion_ms: float | None = Field(
        default=None,
        gt=0,
        le=10_000,
        description="own conversion time at full resolution; 580..620 from the seed",
    )
    power_on_degc: float | None = Field(
        default=None,
        ge=-55,
        le=125,
        description="what it shows after power-up instead of the published value, as some "
        "clones do: 25, or the last result",
    )
    alarm_high_degc: int = Field(
        default=75, ge=-128, le=127, description="stored upper alarm"
    )
    alarm_low_degc: int = Field(
        default=70, ge=-128, le=127, description="stored lower alarm"
    )
    active_ma: float = Field(
        default=1.0, ge=0, le=10, description="current of conversion or store"
    )
    conversion_min_v: float = Field(
        default=3.0,
        ge=0,
        le=6,
        description="line voltage below which a conversion on parasite power fails",
    )
    needs_more_v_per_k: float = Field(
        default=0.0,
        ge=0,
        le=0.1,
        description="how much more than conversion_min_v it needs for each kelvin below "
        "25 degC",
    )
    slope_error_k_per_k: float = Field(
        default=0.0,
        ge=-0.1,
        le=0.1,
        description="error of its readings for each kelvin away from 25 degC",
    )
    starved_result: Starved = Field(
        default=Starved.KEEP,
        description="what a conversion below conversion_min_v leaves: the result "
        "before it, a reading near +128, or one that is off by up to starved_spread_k",
    )
    starved_share: float = Field(
        default=1.0, gt=0, le=1, description="share of such conversions that suffer"
    )
    starved_spread_k: float = Field(default=8.0, gt=0, le=100, description="for wander")
    copy_ms: float = Field(
        default=6.0, gt=0, le=100, description="time to store into EEPROM; 10 at most"
    )


class ConfigurableThermometerSettings(ThermometerSettings):
    """A thermometer whose resolution can be chosen."""

    resolution_bits: Literal[9, 10, 11, 12] = Field(
        default=12, description="stored resolution"
    )
    silicon: Silicon = Field(
        default=Silicon.ORIGINAL,
        description="clone: as if fixed_configuration, keeps_reserved and "
        "frozen_power_answer were true and most_stores were 8",
    )
    fixed_configuration: bool | None = Field(
        default=None, description="always full resolution, whatever is written"
    )
    keeps_reserved: bool | None = Field(
        default=None, description="the sixth byte stays as after power-up"
    )
    frozen_power_answer: bool | None = Field(
        default=None,
        description="power query is answered by which pin got power first; drawn",
    )
    most_stores: int | None = Field(
        default=None, ge=0, le=1_000_000, description="stores before it forgets"
    )

    def has_habit(self, given: bool | None) -> bool:
        """A habit of clones, unless it is said for this one."""
        return self.silicon is Silicon.CLONE if given is None else given

    @property
    def stores(self) -> float:
        """How often it can store."""
        if self.most_stores is not None:
            return self.most_stores
        return CLONE_STORES if self.silicon is Silicon.CLONE else inf
