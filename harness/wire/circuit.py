"""What a bus is made of: supply, pull-up, cable, topology, host stage, devices.

Sources, by tag (with those of ``electrical``):
    S2  data sheet, family-43h EEPROM (part DS28EC20), p. 1-5
    S3  data sheet, dual switch family 3Ah (part DS2413), p. 2-3
    S4  data sheet, memory button family 0Ch (part DS1996), p. 13-18
    S22 tutorial on long lines of such buses (numbers from memory)
    S29 reference page on this bus: topologies, 750 m, resistors at stubs
    S30 forum threads that quote application notes on active pull-ups
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from harness.wire.electrical import ADAPTER_PF, line_capacitance_nf


class Topology(StrEnum):
    """How the cable runs (S22 S29)."""

    LINEAR = "linear"
    STUBBED = "stubbed"
    STAR = "star"


LINEAR_STUB_M = 3.0
"""Longest stub of a linear bus (S29)."""

RADIUS_M = 750.0
"""Longest radius, by the protocol's delays (S29)."""

WEIGHT_M = 200.0
"""Largest weight with a resistor for pull-up (S22, from memory)."""

STUB_SERIES_OHM = (100.0, 150.0)
"""Series resistor at each stub or branch that damps reflections (S29 S30)."""

SOLDERED_WEIGHT_M, CONTACT_WEIGHT_M, BOARD_PF_PER_WEIGHT_M = 0.5, 1.0, 24.0
"""Weight of a soldered device, of a contact, and board trace per metre (S22, M)."""


def weight_m(
    *, cable_m: float, soldered: int = 0, contacts: int = 0, board_pf: float = 0.0
) -> float:
    """All wire plus the devices' equivalents in wire (S22)."""
    return (
        cable_m
        + soldered * SOLDERED_WEIGHT_M
        + contacts * CONTACT_WEIGHT_M
        + board_pf / BOARD_PF_PER_WEIGHT_M
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class HostStage:
    """The host's output stage as resistance plus offset, and the most that it sinks."""

    name: str
    stage_ohm: float
    stage_v: float = 0.0
    sink_ma: float


OPEN_DRAIN = HostStage(name="open-drain stage", stage_ohm=25.0, sink_ma=24.0)
"""Buffer or transistor: 0.05 to 0.2 V at a few mA (from memory; measure yours)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DeviceLoad:
    """Some equal devices as loads of the line.

    Attributes:
        name: as printed.
        count: how many.
        input_pf: capacitance of each in operation (its parasite capacitor charged).
        leak_ua: input load of each.
        low_v: level below which each surely sees low.
        high_v: level above which each surely sees high.
        parasite: True if fed from the data line.
        busy_ma: current of each while it converts or copies.
        hold_v: lowest line voltage while it does, if fed from the line.
        sink_ohm: its own pull-down: 0.4 V at 4 mA in every data sheet seen.
        source: where the figures are from.
    """

    name: str
    count: int = 1
    input_pf: float
    leak_ua: float
    low_v: float
    high_v: float
    parasite: bool = True
    busy_ma: float = 0.0
    hold_v: float = 2.8
    sink_ohm: float = 100.0
    source: str = ""

    def __post_init__(self) -> None:
        if self.count < 1:
            raise ValueError(f"{self.name}: a count of {self.count} is no device")


@dataclass(frozen=True, slots=True, kw_only=True)
class _Figures:
    """One row of the table; ``high_below_v`` counts from the supply down."""

    name: str
    input_pf: float
    leak_ua: float
    low_v: float
    source: str
    high_v: float = 0.0
    high_below_v: float | None = None
    busy_ma: float = 0.0
    hold_v: float = 2.8


_FIGURES = {
    0x01: _Figures(
        name="serial number", input_pf=100, leak_ua=0.25, low_v=0.3, high_v=2.2,
        source="S5",
    ),
    0x0C: _Figures(
        name="memory", input_pf=100, leak_ua=5, low_v=0.3, high_v=2.2, source="S4",
    ),
    0x2D: _Figures(
        name="EEPROM", input_pf=100, leak_ua=6.7, low_v=0.5, high_below_v=1.0,
        busy_ma=0.8, source="S1",
    ),
    0x3A: _Figures(
        name="dual switch", input_pf=100, leak_ua=70, low_v=0.4, high_v=3.6,
        source="S3, capacitance as S1",
    ),
    0x43: _Figures(
        name="large EEPROM", input_pf=100, leak_ua=3.5, low_v=0.5, high_below_v=1.1,
        busy_ma=0.9, source="S2, capacitance as S1",
    ),
}  # fmt: skip

_THERMOMETERS = (0x10, 0x22, 0x28, 0x3B, 0x42)

_CAUTIOUS = _Figures(
    name="device", input_pf=100, leak_ua=6.7, low_v=0.3, high_v=2.2,
    source="no figures for this family: the most cautious common ones",
)  # fmt: skip


def load_of(
    family: int, *, count: int = 1, supply_v: float, parasite: bool = True
) -> DeviceLoad:
    """Published figures of a family as a load.

    Args:
        family: family code.
        count: number of devices.
        supply_v: pull-up supply, to which some thresholds are tied.
        parasite: False if the devices have a supply of their own (thermometers).
    """
    if family in _THERMOMETERS:
        # S6: 2.2 V with local supply, 3.0 V without; low 0.8 V, in parasite mode 0.5 V
        return DeviceLoad(
            name=f"thermometer {family:02X}h",
            count=count,
            input_pf=25,
            leak_ua=5,
            low_v=0.5 if parasite else 0.8,
            high_v=3.0 if parasite else 2.2,
            parasite=parasite,
            busy_ma=1.5,
            hold_v=3.0,
            source="S6" if family == 0x28 else "as family 28h, S6",
        )
    row = _FIGURES.get(family, _CAUTIOUS)
    below_v = row.high_below_v
    return DeviceLoad(
        name=f"{row.name} {family:02X}h",
        count=count,
        input_pf=row.input_pf,
        leak_ua=row.leak_ua,
        low_v=row.low_v,
        high_v=row.high_v if below_v is None else supply_v - below_v,
        parasite=parasite,
        busy_ma=row.busy_ma,
        hold_v=row.hold_v,
        source=row.source,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Circuit:
    """A bus as built.

    Attributes:
        supply_v: supply of the pull-up.
        pull_up_ohm: the pull-up.
        cable_m: all cable together.
        cable_pf_per_m: its capacitance (twisted pair about 50, category 5 about 56).
        devices: what hangs on it; at least one.
        host: the host's output stage.
        adapter_pf: capacitance of the adapter and its stage.
        adapter_threshold_v: level at which the adapter's receiver sees high.
        adapter_low_v: level below which it surely sees low.
        topology: how the cable runs.
        radius_m: wire from the host to the farthest device; all cable if None.
        stub_m: longest stub or branch.
        series_ohm: resistor in series with each stub or branch; zero if none.
        busy_at_once: parasite-fed devices that convert or copy at the same time.
        strong_pull_up_ohm: the switched pull-up, or None if there is none.
        switch_v: drop of its switch.
        pull_up_tolerance: share by which the pull-up may be off.
        capacitance_tolerance: share by which the capacitance may be off.
        threshold_tolerance_v: by which the adapter's threshold may be off.
    """

    supply_v: float
    pull_up_ohm: float
    cable_m: float = 0.0
    cable_pf_per_m: float = 50.0
    devices: tuple[DeviceLoad, ...]
    host: HostStage = OPEN_DRAIN
    adapter_pf: float = ADAPTER_PF
    adapter_threshold_v: float = 1.5
    adapter_low_v: float = 0.8
    topology: Topology = Topology.LINEAR
    radius_m: float | None = None
    stub_m: float = 0.0
    series_ohm: float = 0.0
    busy_at_once: int = 1
    strong_pull_up_ohm: float | None = None
    switch_v: float = 0.0
    pull_up_tolerance: float = 0.05
    capacitance_tolerance: float = 0.2
    threshold_tolerance_v: float = 0.2

    def __post_init__(self) -> None:
        if not self.devices:
            raise ValueError("a bus without devices has no budget")
        if self.supply_v <= 0 or self.pull_up_ohm <= 0:
            raise ValueError("supply and pull-up must be above zero")
        if not self.host.stage_v < self.adapter_threshold_v < self.supply_v:
            raise ValueError(
                f"the adapter's threshold of {self.adapter_threshold_v:g} V does not lie "
                f"between the host's low and the supply of {self.supply_v:g} V"
            )

    @property
    def count(self) -> int:
        """Number of devices."""
        return sum(load.count for load in self.devices)

    @property
    def parasites(self) -> int:
        """Number of devices fed from the line."""
        return sum(load.count for load in self.devices if load.parasite)

    @property
    def device_pf(self) -> float:
        """Capacitance of all devices."""
        return sum(load.count * load.input_pf for load in self.devices)

    @property
    def leak_ua(self) -> float:
        """Leakage of all devices."""
        return sum(load.count * load.leak_ua for load in self.devices)

    @property
    def low_v(self) -> float:
        """Level that every device takes as low."""
        return min(load.low_v for load in self.devices)

    @property
    def high_v(self) -> float:
        """Level that every device takes as high."""
        return max(load.high_v for load in self.devices)

    @property
    def capacitance_nf(self) -> float:
        """Of cable, devices and adapter."""
        return line_capacitance_nf(
            cable_m=self.cable_m,
            cable_pf_per_m=self.cable_pf_per_m,
            device_pf=self.device_pf,
            adapter_pf=self.adapter_pf,
        )

    @property
    def reach_m(self) -> float:
        """Radius: stated, or all cable."""
        return self.cable_m if self.radius_m is None else self.radius_m
