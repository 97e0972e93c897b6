"""The bus as a circuit: each formula on its own, with its source.

Units: V, ohm, nF (pF where the name says so), mA (uA likewise), nC, us, m. A
resistance in ohm times a capacitance in nF is a time in ns.

Sources, by tag:
    RC  first-order circuit theory: a capacitance charged through a resistance
    S1  data sheet, family-2Dh EEPROM (part DS2431), p. 2-3
    S5  data sheet, family-01h serial number (part DS2401), p. 2, notes 7, 9, 11
    S6  data sheet, family-28h thermometer (part DS18B20), p. 5-7, 19
    S27 pull-up sizing of open-drain buses (UM10204, 7.1)
    M   from memory, no source seen
"""

from __future__ import annotations

import math
from dataclasses import dataclass

SLOT_CHARGE_NC = 30 / 72
"""Charge that a parasite-fed device takes in a slot: 30 nC in 72 slots at 5 V (S5)."""

RECHARGE_DRIVE_V = 1.0
"""Voltage across the pull-up while a parasite capacitor recharges (first-order model)."""

ADAPTER_PF = 20.0
"""Input capacitance of an adapter with its stage (M)."""

CABLE_DELAY_US_PER_M = 0.005
"""Propagation along a cable, one way (M)."""


def rise_us(
    *,
    pull_up_ohm: float,
    capacitance_nf: float,
    supply_v: float,
    threshold_v: float,
    start_v: float = 0.0,
) -> float:
    """Time from release at ``start_v`` until the line crosses ``threshold_v``.

    ``R C ln((V - V0) / (V - Vth))`` (RC). Infinite if the threshold is not below the
    supply, zero if the line starts above it.
    """
    if threshold_v <= start_v:
        return 0.0
    if threshold_v >= supply_v:
        return math.inf
    time_constant_us = pull_up_ohm * capacitance_nf * 1e-3
    return time_constant_us * math.log((supply_v - start_v) / (supply_v - threshold_v))


def capacitance_nf(
    *,
    rise_us: float,
    pull_up_ohm: float,
    supply_v: float,
    threshold_v: float,
    start_v: float = 0.0,
) -> float:
    """Capacitance from a rise time to ``threshold_v``; also the largest one allowed.

    ``t / (R ln((V - V0) / (V - Vth)))`` (RC).

    Raises:
        ValueError: the threshold does not lie between start and supply.
    """
    if not start_v < threshold_v < supply_v:
        raise ValueError(
            f"a threshold of {threshold_v:g} V is not between {start_v:g} and {supply_v:g} V"
        )
    steps = math.log((supply_v - start_v) / (supply_v - threshold_v))
    return rise_us * 1e3 / (pull_up_ohm * steps)


def line_capacitance_nf(
    *,
    cable_m: float,
    cable_pf_per_m: float,
    device_pf: float = 0.0,
    adapter_pf: float = ADAPTER_PF,
) -> float:
    """Cable, devices (all together) and adapter in parallel."""
    return (cable_m * cable_pf_per_m + device_pf + adapter_pf) * 1e-3


def cable_length_m(
    *,
    capacitance_nf: float,
    cable_pf_per_m: float,
    device_pf: float = 0.0,
    adapter_pf: float = ADAPTER_PF,
) -> float:
    """Cable that makes up the rest of a capacitance; zero if there is no rest."""
    rest_pf = capacitance_nf * 1e3 - device_pf - adapter_pf
    return max(0.0, rest_pf / cable_pf_per_m)


def rise_budget_us(*, bit_us: float, oversampling: int | None = None) -> float:
    """Time from release to the sample of the next bit: half a bit.

    With ``oversampling`` one step of the receiver's grid is taken off, since its vote
    begins that much before the middle.
    """
    return bit_us * (0.5 - (1 / oversampling if oversampling else 0.0))


def low_level_v(
    *, supply_v: float, pull_up_ohm: float, stage_ohm: float, stage_v: float = 0.0
) -> float:
    """Low level of a stage with resistance and offset against the pull-up (divider)."""
    return stage_v + (supply_v - stage_v) * stage_ohm / (stage_ohm + pull_up_ohm)


def pull_up_for_level_ohm(
    *, supply_v: float, stage_ohm: float, level_v: float, stage_v: float = 0.0
) -> float:
    """Smallest pull-up that a stage still pulls down to ``level_v``; may be infinite."""
    if level_v <= stage_v:
        return math.inf
    return stage_ohm * (supply_v - level_v) / (level_v - stage_v)


def pull_up_min_ohm(*, supply_v: float, low_v: float, sink_ma: float) -> float:
    """Smallest pull-up by the current that a stage sinks: ``(V - VOL) / I`` (S27)."""
    return (supply_v - low_v) / (sink_ma * 1e-3)


def droop_v(*, leak_ua: float, pull_up_ohm: float) -> float:
    """Fall of the idle line by all leakage together: ``N I R``."""
    return leak_ua * 1e-6 * pull_up_ohm


def recharge_us(
    *,
    devices: int,
    pull_up_ohm: float,
    drive_v: float = RECHARGE_DRIVE_V,
    charge_nc: float = SLOT_CHARGE_NC,
) -> float:
    """Time to give ``devices`` parasite capacitors one slot's charge: ``N q R / V``.

    First-order model: the pull-up drives ``drive_v / R`` into all of them (S5).
    """
    return devices * charge_nc * pull_up_ohm / drive_v * 1e-3


def parasite_level_v(
    *,
    devices: int,
    pull_up_ohm: float,
    supply_v: float,
    high_us: float,
    charge_nc: float = SLOT_CHARGE_NC,
) -> float:
    """Level at which parasite capacitors settle when slots follow without end.

    What the pull-up gives in the high time of a slot equals what the devices take:
    ``V - N q R / t_high`` (charge balance; the devices' own rectifier is not counted,
    no figure is published). Minus infinity without high time.
    """
    if high_us <= 0:
        return -math.inf if devices else supply_v
    return supply_v - devices * charge_nc * pull_up_ohm / high_us * 1e-3


def parallel_ohm(first_ohm: float, second_ohm: float) -> float:
    """Two resistances side by side."""
    if math.isinf(first_ohm) or math.isinf(second_ohm):
        return min(first_ohm, second_ohm)
    return first_ohm * second_ohm / (first_ohm + second_ohm)


def resistor_for_current_ohm(
    *, supply_v: float, hold_v: float, current_ma: float
) -> float:
    """Largest resistor that holds ``hold_v`` under a current: ``(V - Vmin) / I`` (S6)."""
    return (supply_v - hold_v) / (current_ma * 1e-3)


@dataclass(frozen=True, slots=True, kw_only=True)
class ResistorWindow:
    """Resistances that do, from ``low_ohm`` to ``high_ohm``."""

    low_ohm: float
    high_ohm: float

    @property
    def exists(self) -> bool:
        """False if nothing fits."""
        return math.isfinite(self.low_ohm) and self.low_ohm <= self.high_ohm


def strong_pull_up_window(
    *,
    supply_v: float,
    pull_up_ohm: float,
    current_ma: float,
    hold_v: float,
    stage_ohm: float,
    stage_v: float,
    sink_ma: float,
    low_v: float,
    switch_v: float = 0.0,
) -> ResistorWindow:
    """Strong pull-up resistors that feed the devices and still let the host talk.

    The strong pull-up is armed before the command byte, so the host's stage must pull
    the line below ``low_v`` against both resistors and sink their current; and with
    the line released they must hold ``hold_v`` at ``current_ma`` (S6).

    Args:
        supply_v: supply of both resistors.
        pull_up_ohm: the ordinary pull-up, which stays on.
        current_ma: all devices that convert or copy at once.
        hold_v: lowest line voltage while they do.
        stage_ohm: resistance of the host's stage.
        stage_v: its offset, such as a diode.
        sink_ma: the most that it sinks.
        low_v: level that every device takes as low.
        switch_v: drop of the switch in series with the strong pull-up.
    """
    both_ohm = max(
        pull_up_for_level_ohm(
            supply_v=supply_v, stage_ohm=stage_ohm, level_v=low_v, stage_v=stage_v
        ),
        pull_up_min_ohm(supply_v=supply_v, low_v=low_v, sink_ma=sink_ma),
    )
    # the ordinary pull-up takes its share of the conductance on both sides
    rest_s = 1 / both_ohm - 1 / pull_up_ohm
    low_ohm = 1 / rest_s if rest_s > 0 else math.inf
    missing_ma = current_ma - (supply_v - hold_v) / pull_up_ohm * 1e3
    if missing_ma <= 0:
        return ResistorWindow(low_ohm=low_ohm, high_ohm=math.inf)
    high_ohm = resistor_for_current_ohm(
        supply_v=supply_v - switch_v, hold_v=hold_v, current_ma=missing_ma
    )
    return ResistorWindow(low_ohm=low_ohm, high_ohm=high_ohm)


def round_trip_us(*, length_m: float) -> float:
    """There and back along a cable; the read window shrinks by it."""
    return 2 * length_m * CABLE_DELAY_US_PER_M
