"""The clock inside a logger: a calendar that its own crystal moves on.

Source: data sheets DS1921G (family 21h) p. 10 and DS1922L (family 41h) p. 18.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from pydantic import AwareDatetime, Field

from harness.simulation.devices.base import DeviceSurroundings
from harness.simulation.devices.common.memory_settings import MemorySettings


class LoggerSettings(MemorySettings):
    """A clock, a sealed cell, and what is logged; ``content`` is that of the user RAM."""

    fill: int = Field(default=0, ge=0, le=0xFF, description="byte that the rest holds")
    temperature_degc: float = Field(
        default=21.0, ge=-60, le=150, description="what it measures"
    )
    clock: AwareDatetime = Field(
        default=datetime(2020, 1, 1, tzinfo=UTC),
        strict=False,
        description="date and time that its clock shows when the bench gets power",
    )
    clock_ppm: float = Field(
        default=0.0, ge=-1000, le=1000, description="error of its crystal"
    )
    oscillator_on: bool = Field(default=True, description="its clock runs")


class Calendar:
    """Date and time of a device.

    Attributes:
        runs: True while the oscillator is on.
    """

    def __init__(
        self, settings: LoggerSettings, surroundings: DeviceSurroundings
    ) -> None:
        self._surroundings = surroundings
        self._rate = 1 + settings.clock_ppm * 1e-6
        self._base = settings.clock.astimezone(UTC)
        self._since_us = surroundings.now_us()
        self.runs = settings.oscillator_on

    def now(self) -> datetime:
        """Date and time now, fractions of a second included."""
        if not self.runs:
            return self._base
        passed_us = (self._surroundings.now_us() - self._since_us) * self._rate
        return self._base + timedelta(microseconds=passed_us)

    def set(self, when: datetime) -> None:
        """Another date and time from now on."""
        self._base = when
        self._since_us = self._surroundings.now_us()

    def run(self, on: bool) -> None:
        """Oscillator on or off."""
        self.set(self.now())
        self.runs = on

    def bench_us(self, seconds: float) -> float:
        """How long so many of the device's seconds last on the bench."""
        return seconds * 1e6 / self._rate


def bcd(value: int) -> int:
    """Two decimal digits in a byte."""
    return int(str(value), 16)


def decimal(value: int) -> int:
    """The inverse of ``bcd``; other digits count as they are."""
    return (value >> 4) * 10 + (value & 0x0F)


def date_time(*parts: int) -> datetime | None:
    """Year, month, date, hour, minute, second as BCD; None if there is no such time."""
    year, month, date, hour, minute, second = (decimal(part) for part in parts)
    try:
        return datetime(2000 + year, month, date, hour, minute, second, tzinfo=UTC)
    except ValueError:
        return None
