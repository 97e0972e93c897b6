"""Keys that memory kinds add to a device in a fixture."""

from __future__ import annotations

from typing import ClassVar, Self, TypeVar

from pydantic import Field, create_model, model_validator

from harness.simulation.settings.base import HexBytes
from harness.simulation.settings.device import DeviceSettings, Supply


class MemorySettings(DeviceSettings):
    """A memory with content."""

    most_bytes: ClassVar[int] = 0

    content: HexBytes = Field(default="", description="bytes in hex from address 0 on")
    fill: int = Field(
        default=0xFF, ge=0, le=0xFF, description="byte that the rest holds"
    )

    @model_validator(mode="after")
    def _content_fits(self) -> Self:
        given = len(bytes.fromhex(self.content))
        if given > self.most_bytes:
            raise ValueError(
                f"content has {given} bytes, the memory holds {self.most_bytes}"
            )
        return self


class EepromSettings(MemorySettings):
    """Cells that take time, current and a good supply to write."""

    supply: Supply = Field(
        default=Supply.PARASITE, description="external supply pin or parasite power"
    )
    copy_ms: float = Field(
        default=7.0, gt=0, le=100, description="time to write cells; 10 at most"
    )
    active_ma: float = Field(
        default=0.8, ge=0, le=10, description="current while cells are written"
    )
    copy_min_v: float = Field(
        default=2.8,
        ge=0,
        le=6,
        description="line voltage below which cells are not written well",
    )


SettingsT = TypeVar("SettingsT", bound=MemorySettings)


def of_size(settings: type[SettingsT], size: int) -> type[SettingsT]:
    """The same keys for a memory of so many bytes."""
    made = create_model(f"{settings.__name__}{size}", __base__=settings)
    made.most_bytes = size
    return made
