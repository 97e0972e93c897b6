"""I/O port 3Ah: two open-drain channels that stand up to 28 V.

Its two commands and the status that proves itself are in ``common.status_port``. What that
cannot catch: the same two bits flipped, one in each half, in both readings.

Source: data sheet family 3Ah (part DS2413, rev 3/15) p. 2-6 and 16-17.
"""

from __future__ import annotations

from collections.abc import Mapping

from harness.families.common.port_checks import port_checks
from harness.families.common.port_signs import output_signs
from harness.families.common.ports import (
    configure_outputs,
    port_quantities,
    port_settings,
)
from harness.families.common.status_port import status_port
from harness.families.family import Answer, Family, Hazard, Session, by_name, looks
from harness.families.switches import commands
from harness.records import Scalar

_PORTS = status_port(0x5A, Hazard.OUTPUT_SWITCHING, Hazard.HIGH_VOLTAGE_OUTPUT)


def configure(session: Session, settings: Mapping[str, Scalar], store: bool) -> Answer:
    """Switch outputs; ``store`` changes nothing, the latches are volatile.

    Raises:
        UsageError: a value is neither on nor off.
        AnswerImpossible: a latch reads back otherwise.
    """
    del store
    return configure_outputs(session, _PORTS, settings)


FAMILIES = (
    Family(
        code=0x3A,
        name="dual switch, 28 V outputs",
        device_class="I/O port",
        typical_parts="DS2413",
        quantities=by_name(*port_quantities(_PORTS)),
        settings=by_name(*port_settings(_PORTS)),
        configure=configure,
        checks=by_name(*port_checks(_PORTS)),
        looks=looks("ports"),
        commands=commands.DUAL,
        restarts=output_signs(_PORTS, 1, "from memory"),
        destructive="switches loads up to 28 V; 28 V on the data pin during traffic",
        facts="nibble complement instead of a CRC: read twice",
    ),
)
