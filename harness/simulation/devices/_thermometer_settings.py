"""Keys that the thermometer kinds add to a device in a fixture."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from harness.simulation.device_settings import DeviceSettings


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
    copy_ms: float = Field(
        default=6.0, gt=0, le=100, description="time to store into EEPROM; 10 at most"
    )


class ConfigurableThermometerSettings(ThermometerSettings):
    """A thermometer whose resolution can be chosen."""

    resolution_bits: Literal[9, 10, 11, 12] = Field(
        default=12, description="stored resolution"
    )
