"""Battery monitor: 26h.

Pages and commands are in ``shapes.monitor_memory``, conversions and counts in
``shapes.monitor_measuring``, then ``shapes.monitor_settings`` and ``shapes.monitor_offset``.

Source: data sheet family 26h (part DS2438) p. 6-10, 16 and 21; what is from memory is
said in those modules.
"""

from __future__ import annotations

from functools import partial

from harness.families.batteries.monitor.measuring import (
    CURRENT_SENSE,
    account_step_ah,
    read_account,
    read_current,
    read_temperature,
    read_time,
    read_total,
    read_voltage,
)
from harness.families.batteries.monitor.memory import USER_MEMORY
from harness.families.batteries.monitor.offset import OFFSET_TRIM, read_offset
from harness.families.batteries.monitor.settings import (
    SETTINGS,
    configure,
    read_configuration,
    read_threshold,
)
from harness.families.batteries.sense_resistor import (
    charge_check,
    counts_look,
    counts_quantity,
    offset_check,
)
from harness.families.common.memory import memory_checks
from harness.families.family import Family, Quantity, by_name, looks

_TIMES = {
    "elapsed_time": (1, 0, "since it was set"),
    "disconnection_time": (2, 0, "elapsed time at the last disconnection"),
    "charge_end_time": (2, 4, "elapsed time at the last end of charge"),
}
_TOTALS = {
    "charge_total": (4, "all that ever went in; while accumulators are on"),
    "discharge_total": (6, "all that ever went out; while accumulators are on"),
}

FAMILIES = (
    Family(
        code=0x26,
        name="battery monitor",
        device_class="battery",
        typical_parts="DS2438, DS2438A",
        quantities=by_name(
            Quantity(
                name="temperature",
                unit="degC",
                read=read_temperature,
                about="of the part, from a new conversion",
            ),
            Quantity(
                name="voltage",
                unit="V",
                read=read_voltage,
                about="of supply or input, as configured; from a new conversion",
            ),
            Quantity(
                name="current",
                unit="A",
                read=read_current,
                about="into the cell if positive; needs sense_mohm",
            ),
            counts_quantity(CURRENT_SENSE),
            Quantity(
                name="offset_trim",
                unit="counts",
                read=read_offset,
                about="added to every current; from the EEPROM",
            ),
            Quantity(
                name="accumulated_charge",
                unit="Ah",
                read=read_account,
                about="what is left in the cell; needs sense_mohm",
            ),
            *(
                Quantity(
                    name=name, unit="Ah", read=partial(read_total, at), about=about
                )
                for name, (at, about) in _TOTALS.items()
            ),
            *(
                Quantity(
                    name=name, unit="s", read=partial(read_time, page, at), about=about
                )
                for name, (page, at, about) in _TIMES.items()
            ),
            Quantity(
                name="configuration",
                unit="",
                read=read_configuration,
                about="what is switched on, and which voltage is measured",
            ),
            Quantity(
                name="threshold_counts",
                unit="counts",
                read=read_threshold,
                about="currents up to this are not counted",
            ),
        ),
        settings=by_name(*SETTINGS),
        configure=configure,
        checks=by_name(
            *memory_checks(USER_MEMORY),
            offset_check(CURRENT_SENSE),
            OFFSET_TRIM,
            charge_check(
                lambda session: float(read_current(session).value),
                lambda session: float(read_account(session).value),
                account_step_ah,
            ),
        ),
        looks=(
            *looks("configuration", "voltage", "temperature", "offset_trim"),
            counts_look(CURRENT_SENSE),
        ),
        destructive="settings and user bytes wear cells; trimming changes the offset",
        facts="CRC-8 on every page; a line low for 2 s puts it to sleep",
    ),
)
