"""Battery monitor with charger control: 2Eh.

    01h status    02h-03h elapsed time, 56 s    06h charge timer    07h locks
    0Ch voltage, 4.88 mV    0Eh current, 1.5625 uV    10h account, 6.25 uVh
    18h temperature, 0.125 degC    20h-2Fh, 30h-3Fh, 40h-47h EEPROM

Starting and stopping a charge is not offered: the codes are known from memory only,
and starting one puts energy into a cell.

Source: data sheet family 2Eh (part DS2770) p. 1, 11, 13 and 15.
"""

from __future__ import annotations

from harness.families.batteries.gauge.blocks import (
    Block,
    block_checks,
)
from harness.families.batteries.gauge.quantities import (
    GAUGE_SETTINGS,
    Gauge,
    gauge_checks,
    gauge_configure,
    gauge_quantities,
)
from harness.families.batteries.gauge.registers import (
    TEMPERATURE,
    VOLTAGE,
    quantity,
)
from harness.families.batteries.sense_resistor import counts_look
from harness.families.common.register_map import Field
from harness.families.family import Family, by_name, looks

GAUGE = Gauge(count_uv=1.5625, shift=0, update_s=3.5, inner_mohm=25)
BLOCKS = (
    Block(start=0x20, size=16, lock_bit=0x01),
    Block(start=0x30, size=16, lock_bit=0x02),
    Block(start=0x40, size=8, lock_bit=0x04),
)
ELAPSED = Field(
    name="elapsed_time",
    offset=0x02,
    count=2,
    scale=56,
    unit="s",
    order="big",
    about="since it was set, in steps of 56 s (byte order from memory)",
)
CHARGE_TIMER = Field(
    name="charge_timer",
    offset=0x06,
    about="raw count of the charge timer; zero when no charge runs",
)


_QUANTITIES, _CHECKS = block_checks(BLOCKS, BLOCKS[0])

FAMILIES = (
    Family(
        code=0x2E,
        name="battery monitor with charger control",
        device_class="battery",
        typical_parts="DS2770",
        quantities=by_name(
            quantity(VOLTAGE),
            quantity(TEMPERATURE),
            *gauge_quantities(GAUGE),
            quantity(ELAPSED),
            quantity(CHARGE_TIMER),
            *_QUANTITIES,
        ),
        settings=by_name(*GAUGE_SETTINGS),
        configure=gauge_configure(GAUGE),
        checks=by_name(*gauge_checks(GAUGE), *_CHECKS),
        looks=(
            *looks("voltage", "temperature", "charge_timer", "locked_blocks"),
            counts_look(GAUGE.sense),
        ),
        destructive="locking a block is for ever; writing wears cells",
        facts="no check values: read until two agree; charging not offered",
    ),
)
