"""Bridge to I2C: 19h, and checks of the parts behind it.

    D2h byte   choose the speed: 00h 100 kHz, 01h 400 kHz, 02h 900 kHz
    E1h        read it back            C3h   revision

Packets and their answers are in ``packets``. Reading a part behind the
bridge changes nothing but its pointer; writing to it carries a hazard.

Sources: two public forum threads about the part DS28E17; command codes and speeds: from
memory, so prove them on a bench first.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from harness.errors import AnswerImpossible, UsageError
from harness.families.bridges import commands
from harness.families.bridges import packets as i2c_packets
from harness.families.bridges.checks import (
    ADDRESS,
    FIRST_ADDRESS,
    LAST_ADDRESS,
    PART_CHECKS,
    listed,
    scan,
)
from harness.families.bridges.packets import NOT_ACKNOWLEDGED, NOT_TRIED
from harness.families.common.answers import read_twice
from harness.families.common.restore import restored
from harness.families.family import (
    Answer,
    Check,
    Family,
    Findings,
    Option,
    Options,
    Quantity,
    Session,
    Setting,
    by_name,
    looks,
)
from harness.records import Measurement, Scalar

WRITE_SPEED, READ_SPEED, READ_REVISION = 0xD2, 0xE1, 0xC3
SPEEDS_KHZ = {0: 100, 1: 400, 2: 900}

# -- the bridge itself --------------------------------------------------------------


def _byte(session: Session, command: int, what: str) -> int:
    answer = read_twice(
        session, lambda: session.transact(bytes([command]), 1), what=what
    )
    if answer == b"\x00":
        session.verify()
    return answer[0]


def revision(session: Session) -> Answer:
    """Revision byte in hex."""
    return Answer(value=f"{_byte(session, READ_REVISION, 'the revision'):02X}")


def speed_code(session: Session) -> int:
    """Code of the speed in force.

    Raises:
        AnswerImpossible: the reserved code, or bits that are never set.
    """
    code = _byte(session, READ_SPEED, "the configuration")
    if code not in SPEEDS_KHZ:
        raise AnswerImpossible(f"configuration {code:02X}h is no speed")
    return code


def write_speed(session: Session, code: int) -> None:
    """Choose a speed and read it back.

    Raises:
        AnswerImpossible: another one is in force.
    """
    session.transact(bytes([WRITE_SPEED, code]))
    got = speed_code(session)
    if got != code:
        raise AnswerImpossible(
            f"configuration reads {got:02X}h after writing {code:02X}h"
        )


def configure(session: Session, settings: Mapping[str, Scalar], store: bool) -> Answer:
    """Choose the I2C speed; it is lost with the supply.

    Raises:
        UsageError: no such speed, or ``store``: there is nothing to keep it in.
        AnswerImpossible: another one is in force afterwards.
    """
    if store:
        raise UsageError("the bridge keeps no settings", hint="leave store out")
    codes = {khz: code for code, khz in SPEEDS_KHZ.items()}
    wanted = settings["speed_khz"]
    if isinstance(wanted, str | bool) or wanted not in codes:
        raise UsageError(f"speed_khz is {wanted!r}", hint="100, 400 or 900")
    write_speed(session, codes[int(wanted)])
    return Answer(value=wanted, evidence={"stored": False})


# -- checks ------------------------------------------------------------------------


def _absent_address(session: Session, options: Options) -> Findings:
    """The missing acknowledge must be reported, or no acknowledge of this bridge means anything."""
    address = options.whole("address")
    packet = bytes([i2c_packets.WRITE, address << 1, 1, 0])
    reply = i2c_packets.exchange(session, packet, writes=True, reads=0)
    return Findings(
        measurements=(
            Measurement(
                name="status",
                value=f"{reply.status:02X}",
                wanted=f"{NOT_ACKNOWLEDGED:02X}",
            ),
            Measurement(
                name="write_status",
                value=f"{reply.write_status:02X}",
                wanted=f"{NOT_TRIED:02X}",
            ),
        )
    )


def _wrong_check(session: Session, options: Options) -> Findings:
    """A packet with a wrong CRC-16 must be refused before anything is written."""
    packet = bytes([i2c_packets.WRITE, options.whole("address") << 1, 1, 0])
    reply = i2c_packets.exchange(
        session, packet, writes=True, reads=0, spoil=options.whole("spoil")
    )
    return Findings(
        measurements=(
            Measurement(
                name="status",
                value=f"{reply.status:02X}",
                wanted=f"{i2c_packets.CRC_ERROR:02X}",
            ),
            Measurement(
                name="write_status",
                value=f"{reply.write_status:02X}",
                wanted=f"{NOT_TRIED:02X}",
            ),
        )
    )


def _speeds(session: Session, options: Options) -> Findings:
    kept = speed_code(session)
    with restored(session, lambda: write_speed(session, kept), what="the speed"):
        for code in SPEEDS_KHZ:
            write_speed(session, code)
    return Findings(
        measurements=(
            Measurement(
                name="speeds", value=len(SPEEDS_KHZ), unit="speeds", low=len(SPEEDS_KHZ)
            ),
            Measurement(name="speed_restored", value=True, wanted=True),
        )
    )


# -- rows --------------------------------------------------------------------------

_ABSENT = replace(
    ADDRESS, about="one that no part has", required=False, default=LAST_ADDRESS
)
_CHECKS = by_name(
    *PART_CHECKS,
    Check(
        name="absent_address",
        about="an address that no part has is reported as not acknowledged",
        run=_absent_address,
        options=by_name(_ABSENT),
    ),
    Check(
        name="wrong_crc",
        about="a packet with a wrong CRC-16 is refused and written nowhere",
        run=_wrong_check,
        options=by_name(
            _ABSENT,
            Option.whole(
                "spoil",
                "bits of the CRC-16 to turn round",
                default=1,
                low=1,
                high=0xFFFF,
            ),
        ),
    ),
    Check(
        name="speed_settings",
        about="each speed reads back; the one in force returns",
        run=_speeds,
    ),
)

FAMILIES = (
    Family(
        code=0x19,
        name="bridge to I2C",
        device_class="bridge",
        typical_parts="DS28E17",
        commands=commands.COMMANDS,
        restarts=commands.RESTARTS,
        quantities=by_name(
            Quantity(
                name="revision", unit="", read=revision, about="of the bridge, in hex"
            ),
            Quantity(
                name="speed_khz",
                unit="kHz",
                read=lambda session: Answer(value=SPEEDS_KHZ[speed_code(session)]),
                about="of the I2C side",
            ),
            Quantity(
                name="i2c_addresses",
                unit="",
                read=lambda session: Answer(
                    value=listed(scan(session, FIRST_ADDRESS, LAST_ADDRESS))
                ),
                about="that acknowledge, in hex",
            ),
        ),
        settings=by_name(
            Setting(name="speed_khz", unit="kHz", about="100, 400 or 900")
        ),
        configure=configure,
        checks=_CHECKS,
        destructive="writing to parts behind it",
        looks=looks("revision", "speed_khz"),
        facts="CRC-16 on what is sent, none on answers: read twice",
    ),
)
