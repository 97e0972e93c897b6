"""I/O port 3Ah: two open-drain channels that stand up to 28 V.

Its two commands and the status that proves itself are in ``common.status_port``. What that
cannot catch: the same two bits flipped, one in each half, in both readings.

Source: data sheet family 3Ah (part DS2413, rev 3/15) p. 2-6 and 16-17.
"""

from __future__ import annotations

from harness.families.common.port_checks import port_checks
from harness.families.common.port_signs import output_signs
from harness.families.common.ports import (
    port_quantities,
    port_settings,
)
from harness.families.common.status_port import status_port
from harness.families.family import Family, Hazard, by_name, looks
from harness.families.switches import commands

PORTS = status_port(0x5A, Hazard.OUTPUT_SWITCHING, Hazard.HIGH_VOLTAGE_OUTPUT)


FAMILIES = (
    Family(
        code=0x3A,
        name="dual switch, 28 V outputs",
        device_class="I/O port",
        typical_parts="DS2413",
        quantities=by_name(*port_quantities(PORTS)),
        settings=by_name(*port_settings(PORTS)),
        configure=PORTS.configure,
        checks=by_name(*port_checks(PORTS)),
        looks=looks("ports"),
        commands=commands.DUAL,
        restarts=output_signs(PORTS, 1, "from memory"),
        destructive="switches loads up to 28 V; 28 V on the data pin during traffic",
        facts="nibble complement instead of a CRC: read twice",
    ),
)
