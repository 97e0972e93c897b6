"""What a fixture may say about any simulated device, whatever its kind.

A device kind adds its own keys in a subclass beside its model (``devices/``).
Where a value is not given it is drawn from the bench's seed within the data-sheet
limits named in the description.
"""

from __future__ import annotations

import re
from enum import StrEnum
from typing import Annotated

from pydantic import (
    AfterValidator,
    BeforeValidator,
    ConfigDict,
    Field,
    model_validator,
)

from harness.simulation.settings.base import StrictSettings
from harness.wire.romcode import RomCode

_HEX = re.compile(r"0[xX][0-9a-fA-F]+|[0-9a-fA-F]{1,2}[hH]")


def parse_family(value: object) -> object:
    """A family code as a number; the texts 28h and 0x28 are understood too."""
    if isinstance(value, str) and _HEX.fullmatch(value):
        return int(value.rstrip("hH"), 16)
    return value


def _rom_code(text: str) -> str:
    return str(RomCode.parse(text))


FamilyCode = Annotated[int, BeforeValidator(parse_family), Field(ge=0, le=0xFF)]
RomCodeText = Annotated[str, AfterValidator(_rom_code)]


class Supply(StrEnum):
    """Where a device takes its power from."""

    EXTERNAL = "external"
    PARASITE = "parasite"


class TimeBaseSettings(StrictSettings):
    """A device's own times; each is drawn from the seed unless given."""

    sample_us: float | None = Field(
        default=None, gt=0, le=200, description="slot edge to own sample; 15..60"
    )
    read_0_us: float | None = Field(
        default=None, gt=0, le=200, description="slot edge to release of a 0; 15..60"
    )
    presence_wait_us: float | None = Field(
        default=None, gt=0, le=2000, description="rising edge to presence; 15..60"
    )
    presence_low_us: float | None = Field(
        default=None, gt=0, le=5000, description="length of presence; 60..240"
    )
    reset_min_us: float | None = Field(
        default=None,
        gt=0,
        le=1000,
        description="shortest low taken for a reset; 240..470, 480 being promised",
    )
    min_low_us: float | None = Field(
        default=None,
        ge=0.01,
        le=60,
        description="shortest low taken for a slot; 0.2..0.9",
    )
    hold_off_us: float | None = Field(
        default=None,
        ge=0,
        le=60,
        description="falling edges ignored this long after a rising one; 0.5..2",
    )


class BetweenResets(StrEnum):
    """What a device in overdrive makes of a low between the two kinds of reset."""

    NOTHING = "nothing"
    OVERDRIVE_RESET = "overdrive-reset"
    MUTE = "mute"
    MUTE_AND_SLOW = "mute-and-slow"


class OverdriveTimeSettings(StrictSettings):
    """A device's own times in overdrive; each is drawn from the seed unless given."""

    sample_us: float | None = Field(
        default=None, gt=0, le=50, description="slot edge to own sample; 2..6"
    )
    read_0_us: float | None = Field(
        default=None, gt=0, le=50, description="slot edge to release of a 0; 2..6"
    )
    presence_wait_us: float | None = Field(
        default=None, gt=0, le=200, description="rising edge to presence; 2..6"
    )
    presence_low_us: float | None = Field(
        default=None, gt=0, le=500, description="length of presence; 8..24"
    )
    reset_min_us: float | None = Field(
        default=None,
        gt=0,
        le=200,
        description="shortest low taken for a reset; 32..47, 48 being promised",
    )
    reset_max_us: float | None = Field(
        default=None,
        gt=0,
        le=1000,
        description="longest low surely taken for an overdrive reset; 82..120, 80 "
        "being promised",
    )
    min_low_us: float | None = Field(
        default=None,
        ge=0.01,
        le=20,
        description="shortest low taken for a slot; 0.1..0.5",
    )
    hold_off_us: float | None = Field(
        default=None,
        ge=0,
        le=20,
        description="falling edges ignored this long after a rising one; 0.1..0.8",
    )
    between: BetweenResets | None = Field(
        default=None,
        description="what a low between reset_max_us and a standard reset does: "
        "nothing, an overdrive-reset, mute the device, or mute-and-slow (back at "
        "standard speed without presence)",
    )


class SupplyNodeSettings(StrictSettings):
    """The device's own supply behind the data pin (parasite power)."""

    store_pf: float = Field(
        default=800, gt=0, le=1e6, description="capacitor that feeds the chip"
    )
    diode_v: float = Field(
        default=0.3, ge=0, le=1, description="drop from the data pin to the capacitor"
    )
    idle_ua: float = Field(
        default=1.0, ge=0, le=1000, description="current drawn while idle"
    )
    slot_charge_nc: float = Field(
        default=0.3, ge=0, le=10, description="charge that one time slot costs"
    )
    brown_out_v: float = Field(
        default=2.0, gt=0, le=5, description="below this all state is lost"
    )


class SupplyPinSettings(StrictSettings):
    """What lies between the bench's supply and a device's supply pin."""

    series_ohm: float = Field(
        default=0.0, ge=0, le=1e5, description="resistance of the supply lead"
    )
    store_nf: float = Field(
        default=0.0, ge=0, le=1e5, description="capacitor at the chip"
    )


class DeviceSettings(StrictSettings):
    """Keys common to all kinds of device."""

    # of 36 kinds a bench has a few
    model_config = ConfigDict(defer_build=True)

    family: FamilyCode = Field(description="family code, such as 0x28")
    serial: int | None = Field(
        default=None,
        ge=0,
        lt=1 << 48,
        description="48-bit serial number; drawn from the seed unless given",
    )
    rom_code: RomCodeText | None = Field(
        default=None,
        description="whole ROM code as 16 hex digits, CRC first; instead of serial",
    )
    socket: str = Field(default="", max_length=40, description="socket it sits in")
    supply: Supply = Field(
        default=Supply.EXTERNAL, description="external supply pin or parasite power"
    )
    time_base: TimeBaseSettings = Field(
        default=TimeBaseSettings(), description="own times where they are known"
    )
    overdrive: bool | None = Field(
        default=None, description="knows overdrive; as its kind does unless given"
    )
    wakes_in_overdrive: bool = Field(
        default=False, description="runs in overdrive from power-up on"
    )
    overdrive_times: OverdriveTimeSettings = Field(
        default=OverdriveTimeSettings(), description="own times in overdrive"
    )
    input_pf: float = Field(
        default=25, ge=0, le=1e5, description="capacitance of the data pin"
    )
    threshold_low_v: float = Field(
        default=0.8, gt=0, lt=12, description="falling threshold of the data pin"
    )
    threshold_high_v: float = Field(
        default=2.2, gt=0, lt=12, description="rising threshold of the data pin"
    )
    output_ohm: float = Field(
        default=50, gt=0, le=10_000, description="resistance of its pull to ground"
    )
    supply_node: SupplyNodeSettings = Field(
        default=SupplyNodeSettings(), description="its own supply on parasite power"
    )
    supply_pin: SupplyPinSettings = Field(
        default=SupplyPinSettings(), description="way to its supply pin, if external"
    )

    @model_validator(mode="after")
    def _consistent(self) -> DeviceSettings:
        if self.threshold_low_v >= self.threshold_high_v:
            raise ValueError("threshold_low_v must lie below threshold_high_v")
        if self.rom_code and self.serial is not None:
            raise ValueError("give either rom_code or serial, not both")
        return self
