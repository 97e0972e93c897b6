"""Battery gauges without a protector: 51h, 2Eh and 36h.

    51h  fuel gauge for several chemistries: registers of 30h without protection (from
         memory), EEPROM 20h-2Fh and 30h-3Fh
    2Eh  with charger control: 02h-03h elapsed time in steps of 56 s (byte order from
         memory), 06h charge timer, EEPROM 20h-2Fh, 30h-3Fh and 40h-47h
    36h  coulomb counter: 01h status (b6 sleep when the line is low for 2 s), no EEPROM,
         voltage or temperature; the sense resistor is outside

Starting and stopping a charge is not offered: the codes are known from memory only, and
starting one puts energy into a cell.

Sources: data sheets DS2770 (family 2Eh) p. 1, 11, 13 and 15, DS2740 (family 36h) p. 6.
From memory: current of 36h in steps of 1.5625 uV; all of 51h (parts such as DS2751).
"""

from __future__ import annotations

from harness.families.batteries import commands
from harness.families.batteries.gauge import (
    BLOCKS,
    TEMPERATURE,
    VOLTAGE,
    Block,
    gauge,
)
from harness.families.common.register_map import TRUTH, Field, as_hex
from harness.families.family import Family

_NO_CHECK_VALUES = "no check values: read until two agree"
_LOCKS = "locking a block is for ever; writing wears cells"

FAMILIES = (
    gauge(
        Family(
            code=0x51, name="fuel gauge, several chemistries", device_class="battery",
            typical_parts="DS2751",
            commands=commands.GAUGE,
            restarts=commands.GAUGE_RESTARTS,
            destructive=_LOCKS,
            facts=_NO_CHECK_VALUES,
        ),
        count_uv=15.625,
        shift=3,
        update_s=0.088,
        inner_mohm=25,
        rows=(VOLTAGE, TEMPERATURE),
        blocks=BLOCKS,
    ),
    gauge(
        Family(
            code=0x2E, name="battery monitor with charger control", device_class="battery",
            typical_parts="DS2770",
            commands=commands.CHARGER,
            restarts=commands.GAUGE_RESTARTS,
            destructive=_LOCKS,
            facts=f"{_NO_CHECK_VALUES}; charging not offered",
        ),
        count_uv=1.5625,
        update_s=3.5,
        inner_mohm=25,
        rows=(
            VOLTAGE,
            TEMPERATURE,
            Field(
                name="elapsed_time",
                about="since it was set, in steps of 56 s (byte order from memory)",
                block=0x02, count=2, order="big", scale=56, unit="s",
            ),
            Field(
                name="charge_timer",
                about="raw count of the charge timer; zero when no charge runs",
                block=0x06, safe=True,
            ),
        ),
        blocks=(*BLOCKS, Block(start=0x40, size=8)),
    ),
    gauge(
        Family(
            code=0x36, name="coulomb counter", device_class="battery",
            typical_parts="DS2740",
            commands=commands.COULOMB,
            restarts=commands.COULOMB_RESTARTS,
            facts=_NO_CHECK_VALUES,
        ),
        count_uv=1.5625,
        update_s=3.5,
        rows=(
            Field(
                name="sleeps_on_low_line",
                about="true if two seconds of low line put it to sleep",
                block=0x01, shift=6, bits=1, codes=TRUTH, evidence=as_hex("status"), safe=True,
            ),
        ),
    ),
)  # fmt: skip
