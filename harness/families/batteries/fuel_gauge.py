"""Fuel gauge for several cell chemistries: 51h.

    0Ch-0Dh voltage, 4.88 mV    0Eh-0Fh current, 15.625 uV    10h-11h account, 6.25 uVh
    18h-19h temperature, 0.125 degC     07h locks     20h-2Fh and 30h-3Fh EEPROM

Register positions are those of the protectors of family 30h, without the protection
register (from memory; parts such as DS2751).
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
from harness.families.family import Family, by_name, looks

GAUGE = Gauge(count_uv=15.625, shift=3, update_s=0.088, inner_mohm=25)
BLOCKS = (
    Block(start=0x20, size=16, lock_bit=0x01),
    Block(start=0x30, size=16, lock_bit=0x02),
)


_QUANTITIES, _CHECKS = block_checks(BLOCKS, BLOCKS[0])

FAMILIES = (
    Family(
        code=0x51,
        name="fuel gauge, several chemistries",
        device_class="battery",
        typical_parts="DS2751",
        quantities=by_name(
            quantity(VOLTAGE),
            quantity(TEMPERATURE),
            *gauge_quantities(GAUGE),
            *_QUANTITIES,
        ),
        settings=by_name(*GAUGE_SETTINGS),
        configure=gauge_configure(GAUGE),
        checks=by_name(*gauge_checks(GAUGE), *_CHECKS),
        looks=(
            *looks("voltage", "temperature", "locked_blocks"),
            counts_look(GAUGE.sense),
        ),
        destructive="locking a block is for ever; writing wears cells",
        facts="no check values: read until two agree",
    ),
)
