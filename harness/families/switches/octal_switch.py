"""I/O port 29h: eight open-drain channels with activity latches and conditional search.

    0088h levels   0089h latches (1 = off)   008Ah activity
    008Bh search mask   008Ch search polarity   008Dh control   008E-008Fh always FFh
    control: b0 activity latches instead of pins, b1 all instead of any, b2 strobe,
             b3 power-on flag, b7 local supply; the rest 0

    F0h TA1 TA2             registers to 008Fh, CRC-16
    F5h                     32 samples and a CRC-16, over and over
    5Ah new ~new            AAh, then the pins
    C3h                     AAh for ever: activity latches cleared
    CCh TA1 TA2 data        search registers and control; no check value: read back
    96h ROM 3Ch             after a reset, without selection: leaves a test mode

Latches power up at random, and the power-on flag answers every conditional search
until it is cleared. After a slow rise of the supply the part can stand in a test mode
in which channel 0 ignores writes. That later F5h check values cover their samples
alone: from memory.

Source: data sheet family 29h (part DS2408, rev 12/10) p. 8-9, 16, 21 and 32-36; p. 38 for
the test mode.
"""

from __future__ import annotations

from itertools import pairwise

from harness.errors import AnswerImpossible
from harness.families.common.answers import read_records, shown
from harness.families.common.conditional import answered, search_check
from harness.families.common.port_checks import port_checks
from harness.families.common.port_signs import output_signs
from harness.families.common.ports import (
    CONFIRMED,
    Ports,
    PortState,
    port_quantities,
    port_settings,
    write_confirmed,
)
from harness.families.common.restore import restored
from harness.families.family import (
    Answer,
    Check,
    Family,
    Findings,
    Hazard,
    Option,
    Options,
    Quantity,
    Session,
    by_name,
    looks,
)
from harness.families.restart import AfterRestart
from harness.families.switches import commands, restarts
from harness.records import Measurement

READ, SAMPLE, WRITE = 0xF0, 0xF5, 0x5A
CLEAR_ACTIVITY, WRITE_SEARCH = 0xC3, 0xCC
LEAVE_TEST, END_OF_LEAVE = 0x96, 0x3C

_FIRST, _MASK_AT = 0x0088, 0x008B
_COUNT = 8
_SAMPLES = 32

_POWER_ON, _RESERVED, _SUPPLIED = 0x08, 0x70, 0x80
_WRITABLE = 0x0F


def registers(session: Session) -> bytes:
    """The eight registers from 0088h on, their check value and fixed bits proved.

    Raises:
        DeviceAbsent, CheckValueWrong: as the answer says.
        AnswerImpossible: reserved bits are not as the sheet has them.
    """
    opening = bytes([READ]) + _FIRST.to_bytes(2, "little")
    block = read_records(session, opening, (_COUNT,), what="registers")[0]
    if block[6:] != b"\xff\xff" or block[5] & _RESERVED:
        raise AnswerImpossible(
            f"registers {shown(block)}: bits 6 to 4 of the sixth byte must be 0, the last "
            "two bytes FFh",
            hint="repeat; if it stays the device does not behave as the data sheet says",
        )
    return block


def _read(session: Session) -> PortState:
    levels, latches, activity = registers(session)[:3]
    return PortState(levels=levels, latches=latches, activity=activity)


def _drive(session: Session, latches: int) -> None:
    write_confirmed(session, WRITE, latches)


def _clear_activity(session: Session) -> None:
    answer = session.transact(bytes([CLEAR_ACTIVITY]), 1)[0]
    if answer != CONFIRMED:
        session.verify()
        raise AnswerImpossible(
            f"clearing the activity latches is confirmed by {answer:02X}h instead of AA"
        )


PORTS = Ports(
    channels=tuple("01234567"),
    read=_read,
    drive=_drive,
    hazards=frozenset({Hazard.OUTPUT_SWITCHING}),
    clear_activity=_clear_activity,
)


def write_search(session: Session, mask: int, polarity: int, control: int) -> None:
    """Write mask, polarity and control, and prove them by reading.

    Raises:
        AnswerImpossible: they read back otherwise.
    """
    wanted = bytes([mask, polarity, control & _WRITABLE])
    session.transact(bytes([WRITE_SEARCH]) + _MASK_AT.to_bytes(2, "little") + wanted)
    block = registers(session)[3:6]
    got = block[:2] + bytes([block[2] & _WRITABLE])
    if got != wanted:
        raise AnswerImpossible(
            f"search registers read {shown(got)} after writing {shown(wanted)}",
            hint="a slot was lost on the way: repeat",
        )


# -- checks --------------------------------------------------------------------------


def _leave_test_mode(session: Session, options: Options) -> Findings:
    del options
    session.unselected(
        bytes([LEAVE_TEST]) + session.rom.wire + bytes([END_OF_LEAVE]), 0
    )
    session.verify()  # begins with the reset that ends the sequence
    block = registers(session)
    return Findings(
        measurements=(Measurement(name="registers_sound", value=True, wanted=True),),
        evidence={"registers": shown(block)},
    )


def _clear_power_on(session: Session, options: Options) -> Findings:
    mask, polarity, control = registers(session)[3:6]
    was_set = bool(control & _POWER_ON)
    wanted = options.truth("wanted") if options.given("wanted") else None
    write_search(session, mask, polarity, control & ~_POWER_ON)
    return Findings(
        measurements=(
            Measurement(name="power_on_flag_before", value=was_set, wanted=wanted),
            Measurement(name="power_on_flag_after", value=False, wanted=False),
        )
    )


def _conditional_search(session: Session, options: Options) -> Findings:
    bit = 1 << int(options.text("channel"))
    block = registers(session)
    mask, polarity = block[3:5]
    control = block[5] & ~_POWER_ON  # while it is set every search is answered
    session.note("search registers before the check", registers=shown(block))
    with restored(
        session,
        lambda: write_search(session, mask, polarity, control),
        what="the search registers",
    ):
        level = block[0] & bit
        write_search(session, bit, level, 0)
        met = session.meets_condition()
        write_search(session, bit, level ^ bit, 0)
        unmet = session.meets_condition()
    return answered(
        met=met,
        unmet=unmet,
        evidence={"power_on_flag_before": bool(block[5] & _POWER_ON)},
    )


def _level_samples(session: Session, options: Options) -> Findings:
    passes = options.whole("passes")
    records = read_records(
        session, bytes([SAMPLE]), (_SAMPLES,) * passes, what="samples of the pins"
    )
    samples = b"".join(records)
    changes = sum((a ^ b).bit_count() for a, b in pairwise(samples))
    return Findings(
        measurements=(
            Measurement(name="samples", value=len(samples), unit="samples"),
            Measurement(
                name="level_changes",
                value=changes,
                unit="changes",
                high=options.number("high") if options.given("high") else None,
            ),
        ),
        evidence={"first": f"{samples[0]:08b}", "last": f"{samples[-1]:08b}"},
    )


# -- rows ----------------------------------------------------------------------------

_QUANTITIES = (
    Quantity(
        name="power_supply",
        unit="",
        read=lambda session: Answer(
            value="external" if registers(session)[5] & _SUPPLIED else "parasite"
        ),
        about="external or parasite, as the device says",
    ),
    Quantity(
        name="power_on_flag",
        unit="",
        read=lambda session: Answer(value=bool(registers(session)[5] & _POWER_ON)),
        about="true from power-up until it is cleared",
    ),
)
_CHECKS = (
    Check(
        name="leave_test_mode",
        about="ends the test mode that a slow rise of the supply can leave behind; after "
        "each power-up",
        run=_leave_test_mode,
    ),
    Check(
        name="power_on_flag_clear",
        about="reads the power-on flag, clears it, and reads it again",
        run=_clear_power_on,
        leaves=frozenset({"power_on_flag"}),
        options=by_name(
            Option.truth("wanted", "what the flag should be before; open by default")
        ),
    ),
    search_check(
        _conditional_search,
        condition="while a pin meets the condition (clears the power-on flag)",
        channels=PORTS.channels,
    ),
    Check(
        name="level_samples",
        about="samples all pins, 32 times a pass, and counts changes of level",
        run=_level_samples,
        options=by_name(
            Option.whole(
                "passes",
                "of 32 samples, each with a check value",
                default=4,
                low=1,
                high=64,
            ),
            Option.number(
                "high", "most changes of level allowed; open by default", low=0
            ),
        ),
        expected_s=0.2,
    ),
)

FAMILIES = (
    Family(
        code=0x29,
        name="octal switch",
        device_class="I/O port",
        typical_parts="DS2408",
        quantities=by_name(*port_quantities(PORTS), *_QUANTITIES),
        settings=by_name(*port_settings(PORTS)),
        configure=PORTS.configure,
        checks=by_name(*port_checks(PORTS), *_CHECKS),
        looks=looks("ports", "power_supply", "power_on_flag"),
        destructive="switches loads; outputs power up at random",
        commands=commands.OCTAL,
        restarts=(
            *restarts.OCTAL,
            *output_signs(PORTS, AfterRestart.RANDOM, restarts.OCTAL_SOURCE),
        ),
        facts="CRC-16 on registers and samples",
    ),
)
