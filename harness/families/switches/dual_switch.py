"""I/O port 3Ah: two open-drain channels that stand up to 28 V.

    F5h                     status, over and over
    5Ah new ~new            AAh, then status; repeats
    status                  b0 pin A, b1 latch A, b2 pin B, b3 latch B, b7:4 inverted b3:0

There is no check value: the halves of a status prove each other, and it is read twice.
What that cannot catch: the same two bits flipped, one in each half, in both readings.

Source: data sheet family 3Ah (part DS2413, rev 3/15) p. 2-6 and 16-17.
"""

from __future__ import annotations

from collections.abc import Mapping

from harness.errors import CheckValueWrong
from harness.families.common.port_checks import port_checks
from harness.families.common.port_signs import output_signs
from harness.families.common.ports import (
    Ports,
    PortState,
    configure_outputs,
    nibbles,
    port_quantities,
    port_settings,
    write_confirmed,
)
from harness.families.family import Answer, Family, Hazard, Session, by_name, looks
from harness.families.switches import commands
from harness.records import Scalar

READ, WRITE = 0xF5, 0x5A

_UNUSED = 0xFC


def _read(session: Session) -> PortState:
    first, second = session.transact(bytes([READ]), 2)
    state = nibbles(first)
    if first != second:
        nibbles(second)
        raise CheckValueWrong(
            f"two readings differ: status {first:02X}h, then {second:02X}h",
            hint="noise, or an input that moves: this part has no check value; repeat",
        )
    return state


def _drive(session: Session, latches: int) -> None:
    nibbles(write_confirmed(session, WRITE, _UNUSED | latches))


_PORTS = Ports(
    channels=("a", "b"),
    read=_read,
    drive=_drive,
    hazards=frozenset({Hazard.OUTPUT_SWITCHING, Hazard.HIGH_VOLTAGE_OUTPUT}),
)


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
