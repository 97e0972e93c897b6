"""Coulomb counter: 36h.

    01h status (b6 sleep when the line is low for 2 s, b4 ROM code by 39h; default 0)
    0Eh-0Fh current    10h-11h account, 6.25 uVh

No EEPROM, no voltage, no temperature; the sense resistor is outside.

Source: data sheet family 36h (part DS2740) p. 6; current in steps of 1.5625 uV: from
memory.
"""

from __future__ import annotations

from harness.families.batteries.gauge.quantities import (
    GAUGE_SETTINGS,
    Gauge,
    gauge_checks,
    gauge_configure,
    gauge_quantities,
)
from harness.families.batteries.gauge.registers import (
    read_registers,
)
from harness.families.batteries.sense_resistor import counts_look
from harness.families.family import Answer, Family, Quantity, Session, by_name, looks

GAUGE = Gauge(count_uv=1.5625, shift=0, update_s=3.5, inner_mohm=None)
STATUS_AT, SLEEPS = 0x01, 0x40


def _sleeps(session: Session) -> Answer:
    status = read_registers(session, STATUS_AT, 1)[0]
    return Answer(value=bool(status & SLEEPS), evidence={"status": f"{status:02X}"})


FAMILIES = (
    Family(
        code=0x36,
        name="coulomb counter",
        device_class="battery",
        typical_parts="DS2740",
        quantities=by_name(
            *gauge_quantities(GAUGE),
            Quantity(
                name="sleeps_on_low_line",
                unit="",
                read=_sleeps,
                about="true if two seconds of low line put it to sleep",
            ),
        ),
        settings=by_name(*GAUGE_SETTINGS),
        configure=gauge_configure(GAUGE),
        checks=by_name(*gauge_checks(GAUGE)),
        looks=(*looks("sleeps_on_low_line"), counts_look(GAUGE.sense)),
        facts="no check values: read until two agree",
    ),
)
