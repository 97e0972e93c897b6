"""The ``simulation:`` section of a fixture, and the whole truth about a bench.

``SimulationSettings`` is what a fixture says; ``bench_settings`` merges it with what
the fixture declares for all (``line``, ``power``, ``adapter.kind``) into
``BenchSettings``, which is all a bench needs.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from difflib import get_close_matches
from enum import StrEnum
from typing import Any, Literal

from pydantic import AwareDatetime, Field, model_validator
from pydantic_core import PydanticCustomError

from harness.simulation.faults.settings import FaultSettings
from harness.simulation.settings.base import StrictSettings
from harness.simulation.settings.device import DeviceSettings, Supply, TimeBaseSettings
from harness.simulation.settings.feed import FeedEntry, Insertion
from harness.simulation.settings.instruments import SimulatedInstrument
from harness.simulation.settings.lot import AnyDevice, LotSettings

__all__ = [
    "AdapterTruth",
    "BenchSettings",
    "ClockKind",
    "DeviceSettings",
    "FaultSettings",
    "FeedEntry",
    "Insertion",
    "LineTruth",
    "LotSettings",
    "SimulatedCondition",
    "SimulatedLineSettings",
    "SimulatedPowerSettings",
    "SimulationSettings",
    "Supply",
    "TimeBaseSettings",
    "bench_settings",
]


class ClockKind(StrEnum):
    """Which rates an adapter chip can make; the rules are in ``clock_grids``."""

    FRACTIONAL_DIVIDER = "fractional-divider"
    FAST_FRACTIONAL_DIVIDER = "fast-fractional-divider"
    INTEGER_DIVIDER = "integer-divider"
    RATE_TABLE = "rate-table"
    PRESCALED_DIVIDER = "prescaled-divider"
    MANTISSA_EXPONENT = "mantissa-exponent"
    WIDE_MANTISSA_EXPONENT = "wide-mantissa-exponent"
    EXACT = "exact"


class SimulatedCondition(StrEnum):
    """A state of the two modem lines that switches something on."""

    RTS = "rts"
    DTR = "dtr"
    RTS_WITHOUT_DTR = "rts-without-dtr"
    DTR_WITHOUT_RTS = "dtr-without-rts"

    def holds(self, *, rts: bool, dtr: bool) -> bool:
        """True if the two lines fulfil it."""
        return {
            SimulatedCondition.RTS: rts,
            SimulatedCondition.DTR: dtr,
            SimulatedCondition.RTS_WITHOUT_DTR: rts and not dtr,
            SimulatedCondition.DTR_WITHOUT_RTS: dtr and not rts,
        }[self]


class SimulatedLineSettings(StrictSettings):
    """The line as it is."""

    pull_up_ohm: float = Field(
        default=4700, gt=0, le=1e7, description="resistor from the line to the supply"
    )
    supply_v: float = Field(default=5.0, gt=0, le=12, description="pull-up supply")
    cable_m: float = Field(default=1.0, ge=0, le=2000, description="length of cable")
    cable_pf_per_m: float = Field(
        default=50, ge=0, le=1000, description="capacitance of the cable"
    )


class LineTruth(StrictSettings):
    """Where the line differs from what the fixture declares under ``line``."""

    pull_up_ohm: float | None = Field(
        default=None, gt=0, le=1e7, description="resistor from the line to the supply"
    )
    supply_v: float | None = Field(
        default=None, gt=0, le=12, description="pull-up supply"
    )
    cable_m: float | None = Field(
        default=None, ge=0, le=2000, description="length of cable"
    )
    cable_pf_per_m: float | None = Field(
        default=None, ge=0, le=1000, description="capacitance of the cable"
    )


class AdapterTruth(StrictSettings):
    """The adapter as it is: its clock, its receiver, its way to the host."""

    kind: ClockKind | None = Field(
        default=None, description="clock grid; as declared under adapter unless given"
    )
    error_ppm: float = Field(
        default=0.0, ge=-100_000, le=100_000, description="error of its oscillator"
    )
    oversampling: Literal[8, 16] = Field(
        default=16, description="receiver ticks in one bit time"
    )
    grid_phase: float | None = Field(
        default=None,
        ge=0,
        le=1,
        description="where the receiver's ticks lie against its own start edges, "
        "in ticks; drawn from the seed for each rate unless given",
    )
    latency_ms: float = Field(
        default=1.0, gt=0, le=255, description="latency timer towards the host"
    )
    low_latency: bool = Field(
        default=False,
        description="its driver sets the timer to 1 ms for a host that asks for it",
    )
    out_latency_us: float = Field(
        default=500, ge=0, le=1e6, description="from write to the first start bit"
    )
    packet_bytes: int = Field(
        default=62, ge=1, le=4096, description="characters in one packet to the host"
    )
    baud_change_ms: float = Field(
        default=2.0, ge=0, le=1000, description="time that a change of rate costs"
    )
    echo: bool = Field(default=True, description="receiver listens to the line")
    max_write: int = Field(
        default=4096, ge=1, le=1 << 20, description="characters it can queue"
    )
    threshold_v: float = Field(
        default=1.5, gt=0, lt=12, description="threshold of its receiver"
    )
    low_v: float = Field(
        default=0.1, ge=0, le=5, description="level that its output stage pulls to"
    )
    low_ohm: float = Field(
        default=25, gt=0, le=1e5, description="resistance of its output stage"
    )
    input_pf: float = Field(
        default=20, ge=0, le=1e5, description="capacitance of its pins"
    )


class SimulatedPowerSettings(StrictSettings):
    """What the adapter's modem lines switch."""

    supply_on: SimulatedCondition | None = Field(
        default=None,
        description="supply of pull-up and devices; always on unless given",
    )
    strong_pull_up_on: (
        Literal[SimulatedCondition.RTS_WITHOUT_DTR, SimulatedCondition.DTR_WITHOUT_RTS]
        | None
    ) = Field(default=None, description="unequal pair that adds the strong pull-up")
    strong_pull_up_ohm: float = Field(
        default=390, gt=0, le=1e5, description="of the strong pull-up"
    )
    programming_v: float | None = Field(
        default=None, gt=0, le=30, description="programming supply"
    )
    programming_on: (
        Literal[SimulatedCondition.RTS_WITHOUT_DTR, SimulatedCondition.DTR_WITHOUT_RTS]
        | None
    ) = Field(default=None, description="unequal pair that lifts the line to it")
    programming_ohm: float = Field(
        default=50, gt=0, le=1e5, description="source of the programming supply"
    )


_MOST_DEVICES = 1000


class _Population(StrictSettings):
    """Devices and faults, checked against each other."""

    seed: int = Field(
        default=1, ge=0, lt=1 << 63, description="of everything that is drawn"
    )
    devices: tuple[AnyDevice, ...] = Field(
        default=(), max_length=_MOST_DEVICES, description="on the line"
    )
    faults: tuple[FaultSettings, ...] = Field(
        default=(), max_length=1000, description="what goes wrong, and when"
    )

    @model_validator(mode="after")
    def _sockets_differ_and_faults_find_theirs(self) -> _Population:
        sockets = [device.socket for device in self.devices if device.socket]
        if twice := sorted((Counter(sockets) - Counter(set(sockets))).elements()):
            raise ValueError(f"two devices in socket '{twice[0]}'")
        known = [*sockets, *(d.rom_code for d in self.devices if d.rom_code)]
        for fault in self.faults:
            _require_named(fault, known)
        return self


def _require_named(fault: FaultSettings, known: Sequence[str]) -> None:
    """Every device of a fault is there; drawn ROM codes are not known before the bench is."""
    named = {name for name in fault.names if len(name) != 16}
    if unknown := sorted(named.difference(known)):
        raise _no_device(fault.kind, unknown[0], known)


def _no_device(fault: str, wanted: str, known: Sequence[str]) -> ValueError:
    near = get_close_matches(wanted, known, n=1, cutoff=0.0)
    advice = f", the nearest known one is '{near[0]}'" if near else ""
    return ValueError(f"fault '{fault}': no device '{wanted}'{advice}")


class SimulationSettings(_Population):
    """The ``simulation:`` section of a fixture."""

    instruments: tuple[SimulatedInstrument, ...] = Field(
        default=(),
        max_length=50,
        description="instruments that the fixture reaches with library: simulated",
    )

    calendar: AwareDatetime | None = Field(
        default=None,
        strict=False,
        description="date and time, with zone, at which the bench gets power; now "
        "unless given",
    )

    feed: tuple[FeedEntry, ...] = Field(
        default=(),
        max_length=10_000,
        description="a rehearsed shift: units that are put in one after another; only "
        "`slotproof station` plays it",
    )
    lot: LotSettings | None = Field(
        default=None,
        description="a rehearsed shift of many units, described by what is typical, how "
        "they spread and which are odd; they come after devices and feed",
    )

    line: LineTruth = Field(
        default=LineTruth(), description="the line where it differs from the fixture"
    )
    adapter: AdapterTruth = Field(
        default=AdapterTruth(), description="the adapter as it is"
    )

    @property
    def everybody(self) -> tuple[DeviceSettings, ...]:
        """Every device, listed or of the lot."""
        drawn = self.lot.devices(self.seed) if self.lot else ()
        return (*self.devices, *drawn)

    @property
    def insertions(self) -> tuple[FeedEntry, ...]:
        """Every unit that is put in, listed or of the lot."""
        drawn = self.lot.feed(after=len(self.devices)) if self.lot else ()
        return (*self.feed, *drawn)

    @model_validator(mode="after")
    def _fed_devices_are_there(self) -> SimulationSettings:
        for entry in self.feed:
            for place in entry.devices:
                if place > len(self.devices):
                    raise ValueError(
                        f"feed: there is no device {place}, the list has {len(self.devices)}"
                    )
        return self

    @model_validator(mode="after")
    def _lot_can_be_drawn(self) -> SimulationSettings:
        try:
            count = len(self.everybody)
        except PydanticCustomError as refused:
            facts = dict(refused.context or {})
            facts["at"] = f"lot.{facts['at']}"
            raise PydanticCustomError(
                refused.type, refused.message_template, facts
            ) from None
        if count > _MOST_DEVICES:
            raise ValueError(f"devices and lot together are more than {_MOST_DEVICES}")
        return self


class BenchSettings(_Population):
    """The whole truth about one bench."""

    instruments: tuple[SimulatedInstrument, ...] = Field(
        default=(), description="supplies, meters and chambers wired to it"
    )

    line: SimulatedLineSettings = Field(
        default=SimulatedLineSettings(), description="the line"
    )
    adapter: AdapterTruth = Field(default=AdapterTruth(), description="the adapter")
    power: SimulatedPowerSettings = Field(
        default=SimulatedPowerSettings(), description="what the modem lines switch"
    )

    @property
    def clock_kind(self) -> ClockKind:
        """The adapter's clock grid."""
        return self.adapter.kind or ClockKind.FRACTIONAL_DIVIDER


def bench_settings(fixture: Mapping[str, Any]) -> BenchSettings:
    """Merge a fixture's declared part with the truth of its ``simulation:`` section.

    Args:
        fixture: the fixture as plain data, as read from YAML. Keys that are not
            about the bench itself (sockets, port) are ignored.

    Raises:
        pydantic.ValidationError: a value is out of bounds or a key unknown.
    """
    truth = SimulationSettings.model_validate(fixture.get("simulation") or {})
    # how the cable runs is declared for the budget and has no part in this line model
    declared = {
        key: value
        for key, value in (fixture.get("line") or {}).items()
        if key not in {"topology", "radius_m", "stub_m", "series_ohm"}
    }
    line = declared | truth.line.model_dump(exclude_none=True)
    adapter = truth.adapter
    kind = (fixture.get("adapter") or {}).get("kind")
    if adapter.kind is None and kind in set(ClockKind):
        adapter = adapter.model_copy(update={"kind": ClockKind(kind)})
    return BenchSettings(
        seed=truth.seed,
        devices=truth.everybody,
        faults=truth.faults,
        instruments=truth.instruments,
        line=SimulatedLineSettings.model_validate(line),
        adapter=adapter,
        power=SimulatedPowerSettings.model_validate(fixture.get("power") or {}),
    )
