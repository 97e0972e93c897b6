"""What a fixture file may hold: adapter, line, power switching, sockets, truth.

The fixture declares the bench as built. Its ``simulation`` section gives a
simulated bench what is really there, and only the simulated bench reads it.
"""

from __future__ import annotations

import re
from typing import Annotated, Literal, Self

from pydantic import (
    AfterValidator,
    Field,
    ValidationInfo,
    field_validator,
    model_validator,
)

from harness.plans.schema.base import (
    FamilyCode,
    FromFile,
    PlugIns,
    SocketName,
    Strict,
    Word,
    complaint,
)
from harness.plans.schema.references import Calibration
from harness.plans.schema.varied.instruments import InstrumentSettings, require_together
from harness.simulation.settings.bench import SimulationSettings
from harness.wire.romcode import RomCode

LOWEST_SUPPLY_V = 1.5
"""A line of less is no bus: its ones would not reach an adapter's threshold."""

AdapterKind = Literal[
    "auto",
    "unknown",
    "fractional-divider",
    "fast-fractional-divider",
    "integer-divider",
    "rate-table",
    "prescaled-divider",
    "mantissa-exponent",
    "wide-mantissa-exponent",
    "exact",
]
"""Clock grids of adapter chips; ``auto`` takes it from the USB ids where known."""

SwitchCondition = Literal["rts", "dtr", "rts-without-dtr", "dtr-without-rts"]
"""State of the two modem lines that switches something on."""

PairCondition = Literal["rts-without-dtr", "dtr-without-rts"]
"""Conditions that a driver's habit of raising both lines on opening cannot meet."""


class AdapterSettings(Strict):
    """The adapter: its port and what is known of its clock."""

    port: Annotated[str, Field(min_length=1, max_length=4096)] = Field(
        description="device (/dev/ttyUSB0, COM7) or URL (sim://, hwgrep://, "
        "rfc2217://host:port, socket://host:port)"
    )
    kind: AdapterKind = Field(
        default="auto", description="which clock grid the adapter's rates come from"
    )
    clock_tolerance_ppm: float | None = Field(
        default=None,
        ge=0,
        le=50_000,
        description="largest error of the adapter's clock; default by kind",
    )
    slots: Literal["cautious", "fast", "by-budget"] = Field(
        default="cautious",
        description="cautious keeps 1 % margin on every limit; fast keeps none, where "
        "the clock is good enough; by-budget is cautious and as slow as the budget of "
        "the declared line needs",
    )
    latency: Literal["low", "leave"] = Field(
        default="low",
        description="low asks the port not to hold replies back, while it is open; "
        "leave takes it as it is",
    )
    max_burst: int = Field(
        default=4000,
        ge=1,
        le=65_536,
        description="most characters in one write",
    )
    bears_v: float | None = Field(
        default=None,
        gt=0,
        le=60,
        description="highest voltage that its pins on the line bear; needed where a "
        "supply is set",
    )


class LineSettings(Strict):
    """The bus line as built."""

    pull_up_ohm: float = Field(
        ge=10, le=1_000_000, description="pull-up resistor from supply to data line"
    )
    supply_v: float = Field(
        ge=LOWEST_SUPPLY_V, le=6.0, description="supply of the pull-up"
    )
    cable_m: float = Field(
        default=0.0, ge=0, le=2_000, description="length of all cable together"
    )
    cable_pf_per_m: float = Field(
        default=50.0, ge=0, le=1_000, description="capacitance of the cable by length"
    )
    topology: Literal["linear", "stubbed", "star"] = Field(
        default="linear", description="how the cable runs"
    )
    radius_m: float | None = Field(
        default=None,
        ge=0,
        le=2_000,
        description="wire from the host to the farthest device; all cable if not given",
    )
    stub_m: float = Field(
        default=0.0, ge=0, le=1_000, description="longest stub or branch"
    )
    series_ohm: float = Field(
        default=0.0, ge=0, le=1_000, description="resistor in series with each branch"
    )


class PowerSettings(Strict):
    """What the two modem lines of the adapter switch."""

    supply_on: SwitchCondition | None = Field(
        default=None, description="state that switches the devices' supply on"
    )
    strong_pull_up_on: PairCondition | None = Field(
        default=None, description="state that switches the strong pull-up on"
    )
    strong_pull_up_ohm: float | None = Field(
        default=None, gt=0, le=100_000, description="resistance of the strong pull-up"
    )
    programming_v: float | None = Field(
        default=None,
        ge=11.5,
        le=12.0,
        description="programming supply for write-once devices; destroys devices rated 6 V",
    )
    programming_on: PairCondition | None = Field(
        default=None, description="state that lifts the line to programming_v"
    )

    @model_validator(mode="after")
    def _programming_complete(self) -> Self:
        if (self.programming_v is None) != (self.programming_on is None):
            raise complaint(
                "a programming supply half described",
                expected="programming_v and programming_on together",
                at="programming_v" if self.programming_on is None else "programming_on",
            )
        if self.programming_on in {self.supply_on, self.strong_pull_up_on} - {None}:
            raise complaint(
                "the programming supply shares a condition with another switch",
                expected="a state of its own, such as dtr-without-rts",
                at="programming_on",
            )
        return self

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        switches = (self.supply_on, self.strong_pull_up_on, self.programming_on)
        if not any(switches):
            raise complaint(
                "power switches nothing", expected="supply_on or strong_pull_up_on"
            )
        if self.strong_pull_up_on and self.supply_on == self.strong_pull_up_on:
            raise complaint(
                "supply and strong pull-up share one condition",
                expected="a state with the supply on and the strong pull-up off, "
                "such as supply_on: rts",
                at="strong_pull_up_on",
            )
        if self.strong_pull_up_ohm is not None and self.strong_pull_up_on is None:
            raise complaint(
                "strong_pull_up_ohm without a switch for it",
                expected="strong_pull_up_on beside it",
                at="strong_pull_up_ohm",
            )
        return self


def _sound_rom_code(text: str) -> str:
    if not re.fullmatch(r"[0-9A-Fa-f]{16}", text):
        raise complaint(
            f"{text!r} is no ROM code",
            expected="16 hex digits: CRC, serial number, family code",
        )
    code = RomCode.parse(text)
    if not code.crc_holds:
        right = RomCode.build(code.family, code.serial)
        raise complaint(
            f"ROM code {text} has a wrong CRC {text[:2].upper()}h",
            expected=f"CRC {str(right)[:2]}h",
            nearest=str(right),
        )
    if not code.is_possible:
        raise complaint(
            "no device has this ROM code: family 00h is not used",
            expected="the code printed on or read from the device",
        )
    return str(code)


RomCodeText = Annotated[
    str,
    AfterValidator(_sound_rom_code),
    Field(json_schema_extra={"pattern": "^[0-9A-Fa-f]{16}$"}),
]
"""A ROM code in print form with a right CRC, kept in capitals."""


class Expectation(Strict):
    """What should be found in a socket."""

    family: FamilyCode | None = Field(
        default=None, description="family code, such as 0x28"
    )
    rom_code: RomCodeText | None = Field(
        default=None,
        description="16 hex digits, most significant byte first: CRC, serial, family",
    )

    supply: Literal["external", "parasite"] = Field(
        default="external",
        description="supply of a device that has a supply pin, for the budget",
    )
    no_load: bool = Field(
        default=False,
        description="an operator has opened the load and the charger of this battery "
        "part: no current flows through its sense resistor",
    )
    sense_mohm: float | None = Field(
        default=None,
        ge=0.001,
        le=10_000,
        description="sense resistor of a battery device, in milliohm, as fitted",
    )

    @field_validator("rom_code")
    @classmethod
    def _same_family(cls, text: str | None, info: ValidationInfo) -> str | None:
        family = info.data.get("family")
        if text and family is not None and RomCode.parse(text).family != family:
            raise complaint(
                f"ROM code {text} belongs to family {RomCode.parse(text).family:#04x}",
                expected=f"a code of family {family:#04x}",
            )
        return text

    @property
    def family_code(self) -> int | None:
        """The family, stated or taken from the ROM code; None if open."""
        if self.family is None and self.rom_code:
            return RomCode.parse(self.rom_code).family
        return self.family


class Socket(Strict):
    """A place for a device."""

    name: SocketName = Field(description="short name as printed beside the socket")
    expect: Expectation = Field(
        default_factory=Expectation, description="what should be found there"
    )
    loop_backs: dict[str, str] = Field(
        default_factory=dict,
        description="wires at this socket: output of its device, such as a, to the "
        "input that it is wired to, such as b",
    )
    reference: bool = Field(
        default=False,
        description="its device belongs to the bench: others are compared with it; it "
        "is never counted, booked, written or judged as a unit",
    )
    calibration: Calibration | None = Field(
        default=None, description="certificate of the reference in this socket"
    )

    @model_validator(mode="after")
    def _reference_is_known(self) -> Self:
        if self.reference and self.expect.rom_code is None:
            raise complaint(
                f"reference {self.name} without a ROM code",
                expected="rom_code under expect: another device is no reference",
                at="reference",
            )
        if self.reference != (self.calibration is not None):
            missing = "calibration" if self.reference else "reference: true"
            raise complaint(
                f"socket {self.name} lacks {missing}",
                expected="reference: true and calibration together",
                at="reference" if self.reference else "calibration",
            )
        return self


def _repeated(values: list[tuple[str, str]]) -> tuple[str, str] | None:
    """The first value that comes twice, as (value, place of the second)."""
    seen: set[str] = set()
    for value, place in values:
        if value in seen:
            return value, place
        seen.add(value)
    return None


class Fixture(FromFile):
    """A bench: one adapter, one bus line, its sockets.

    Example:
        >>> import harness
        >>> fixture: harness.Fixture = harness.load_fixture("fixtures/demo_bench.yaml")
        >>> fixture.adapter.port, fixture.sockets[0].name
        ('sim://', 'A1')
    """

    title: Word = Field(alias="fixture", description="title of the bench")
    adapter: AdapterSettings = Field(description="the USB-to-serial adapter")
    line: LineSettings = Field(description="the bus line as built")
    power: PowerSettings | None = Field(
        default=None, description="what RTS and DTR switch"
    )
    sockets: Annotated[
        tuple[Socket, ...], Field(min_length=1, max_length=2000, strict=False)
    ] = Field(description="the sockets for devices")
    kinds: Annotated[
        tuple[Annotated[str, Field(min_length=1, max_length=500)], ...],
        Field(strict=False, max_length=64),
    ] = Field(
        default=(),
        description="files that describe kinds of device, from the fixture's folder",
    )
    plug_ins: PlugIns = Field(default=(), description="plug-ins of its devices")
    instruments: Annotated[
        tuple[InstrumentSettings, ...], Field(max_length=50, strict=False)
    ] = Field(
        default=(), description="supplies, meters, chambers and switches of the bench"
    )
    simulation: SimulationSettings | None = Field(
        default=None,
        validate_default=True,
        description="the truth about a simulated bench; only read by sim:// and "
        "`slotproof bench`",
    )

    @field_validator("sockets")
    @classmethod
    def _all_different(cls, sockets: tuple[Socket, ...]) -> tuple[Socket, ...]:
        names = [(s.name, f"{i}.name") for i, s in enumerate(sockets)]
        if twice := _repeated(names):
            raise complaint(
                f"two sockets are named {twice[0]!r}",
                expected="each name once",
                at=twice[1],
            )
        codes = [
            (s.expect.rom_code, f"{i}.expect.rom_code")
            for i, s in enumerate(sockets)
            if s.expect.rom_code
        ]
        if twice := _repeated(codes):
            raise complaint(
                f"two sockets expect ROM code {twice[0]}",
                expected="each ROM code once",
                at=twice[1],
            )
        return sockets

    @field_validator("instruments")
    @classmethod
    def _instruments_go_together(
        cls, instruments: tuple[InstrumentSettings, ...], info: ValidationInfo
    ) -> tuple[InstrumentSettings, ...]:
        adapter = info.data.get("adapter")
        require_together(instruments, adapter.bears_v if adapter else None)
        return instruments

    @field_validator("simulation")
    @classmethod
    def _simulated_port_has_truth(
        cls, simulation: SimulationSettings | None, info: ValidationInfo
    ) -> SimulationSettings | None:
        adapter = info.data.get("adapter")
        if adapter and adapter.port.startswith("sim://") and simulation is None:
            raise complaint(
                f"port {adapter.port} is simulated, and the fixture has no simulation",
                expected="a simulation section with the devices",
                at="/adapter.port",
            )
        return simulation

    @field_validator("simulation")
    @classmethod
    def _simulated_devices_sit_in_sockets(
        cls, simulation: SimulationSettings | None, info: ValidationInfo
    ) -> SimulationSettings | None:
        names = [socket.name for socket in info.data.get("sockets", ())]
        for index, device in enumerate(simulation.devices if simulation else ()):
            if names and device.socket and device.socket not in names:
                raise complaint(
                    f"the fixture has no socket {device.socket!r}",
                    expected=f"one of {', '.join(names)}",
                    at=f"devices.{index}.socket",
                )
        return simulation

    @field_validator("sockets")
    @classmethod
    def _room_for_units(cls, sockets: tuple[Socket, ...]) -> tuple[Socket, ...]:
        if all(socket.reference for socket in sockets):
            raise complaint(
                "every socket holds a reference", expected="a socket for a device"
            )
        return sockets

    @property
    def unit_sockets(self) -> tuple[Socket, ...]:
        """Sockets whose devices are tested: all but those of references."""
        return tuple(socket for socket in self.sockets if not socket.reference)

    @property
    def references(self) -> dict[str, Socket]:
        """Sockets of references by the ROM code of their device."""
        return {s.expect.rom_code or "": s for s in self.sockets if s.reference}

    @property
    def expected_roms(self) -> tuple[RomCode, ...]:
        """ROM codes that the sockets name."""
        codes = (socket.expect.rom_code for socket in self.sockets)
        return tuple(RomCode.parse(code) for code in codes if code)

    def socket_of(self, rom_code: str) -> str:
        """Name of the socket that expects this ROM code; empty if none does."""
        wanted = rom_code.upper()
        for socket in self.sockets:
            if socket.expect.rom_code == wanted:
                return socket.name
        return ""
