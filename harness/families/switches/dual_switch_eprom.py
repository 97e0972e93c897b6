"""I/O port 12h: two open-drain channels and 1 Kbit of write-once memory.

    F5h control FFh     information, then pin data; here with a CRC-16 behind each byte
    AAh TA1 TA2         status bytes to 0007h, CRC-16
    55h TA1 TA2 byte    CRC-16; then FFh (status 7) is answered by the byte as stored
    F0h TA1 TA2         memory to 007Fh, CRC-16

    status 7      b0 polarity, b2:1 source, b4:3 channels of the conditional search,
                  b5 latch A, b6 latch B (1 = off), b7 supply, read only
    information   b0 b1 latches, b2 b3 levels, b4 b5 activity, b6 two channels, b7 supply

From memory: the bit positions of the channel control (b7 clear activity, b6 read,
b4 both together, b3:2 channels, b1:0 check value), what its check value covers, the
check value of F0h, and the meaning of the search bits (source 3 is the pin level,
channel bits A and B). Writing the memory, which takes 12 V and is for ever, is left out.

Source: data sheet family 12h (part DS2406) p. 8, 13, 15-16 and 30.
"""

from __future__ import annotations

from harness.errors import AnswerImpossible
from harness.families.common.answers import require_crc16, shown
from harness.families.common.conditional import answered, search_check
from harness.families.common.memory import Memory, memory_checks
from harness.families.common.port_checks import port_checks
from harness.families.common.port_signs import output_signs
from harness.families.common.ports import (
    Ports,
    PortState,
    port_quantities,
    port_settings,
)
from harness.families.common.restore import restored
from harness.families.family import (
    Answer,
    Family,
    Findings,
    Hazard,
    Options,
    Quantity,
    Session,
    by_name,
    looks,
)
from harness.families.switches import commands, restarts

ACCESS, READ_STATUS, WRITE_STATUS, READ_MEMORY = 0xF5, 0xAA, 0x55, 0xF0

_LOOK = 0x5D
"""Read, both channels sampled together, a check value behind every byte."""

_LOOK_AND_CLEAR = _LOOK | 0x80

_MEMORY_END = 0x80
_SETTINGS_AT = 7
_SEARCH_BITS, _WRITABLE = 0x1F, 0x7F
_BY_LEVEL = 0x06
_TWO_CHANNELS, _SUPPLIED = 0x40, 0x80


def information(session: Session, control: int = _LOOK) -> int:
    """The channel information byte, proved by the check value of the access.

    Raises:
        DeviceAbsent, CheckValueWrong: as the answer says.
    """
    message = bytes([ACCESS, control, 0xFF])
    answer = session.transact(message, 4)
    return require_crc16(message, answer, what="channel information")[0]


def status(session: Session, address: int = 0) -> bytes:
    """Status bytes from an address to the last, proved.

    Raises:
        DeviceAbsent, CheckValueWrong: as the answer says.
    """
    message = bytes([READ_STATUS]) + address.to_bytes(2, "little")
    answer = session.transact(message, 8 - address + 2)
    return require_crc16(message, answer, what="status")


def write_settings(session: Session, value: int) -> None:
    """Write status byte 7, the volatile one; the latches act at once.

    Raises:
        DeviceAbsent, CheckValueWrong: it did not arrive whole; nothing is changed.
        AnswerImpossible: stored is something else.
    """
    message = bytes([WRITE_STATUS, _SETTINGS_AT, 0, value & _WRITABLE])
    require_crc16(message, session.transact(message, 2), what="check of the write")
    stored = session.more(b"\xff", 1)[0]
    if stored == 0xFF:
        session.verify()  # silence reads so too
    if stored & _WRITABLE != value & _WRITABLE:
        raise AnswerImpossible(
            f"status byte 7 is {stored:02X}h after writing {value & _WRITABLE:02X}h",
            hint="the device did not take it: look at its supply, then repeat",
        )


def _read(session: Session) -> PortState:
    seen = information(session)
    return PortState(levels=seen >> 2 & 3, latches=seen & 3, activity=seen >> 4 & 3)


def _drive(session: Session, latches: int) -> None:
    held = status(session, _SETTINGS_AT)[0]
    write_settings(session, held & _SEARCH_BITS | latches << 5)


PORTS = Ports(
    channels=("a", "b"),
    read=_read,
    drive=_drive,
    hazards=frozenset({Hazard.OUTPUT_SWITCHING, Hazard.HIGH_VOLTAGE_OUTPUT}),
    clear_activity=lambda session: information(session, _LOOK_AND_CLEAR),
)


def read_memory(session: Session, address: int, length: int) -> bytes:
    """Bytes of the memory; always read to its end, where the check value is.

    Raises:
        DeviceAbsent, CheckValueWrong: as the answer says.
    """
    message = bytes([READ_MEMORY]) + address.to_bytes(2, "little")
    answer = session.transact(message, _MEMORY_END - address + 2)
    return require_crc16(message, answer, what=f"memory at {address:04X}h")[:length]


# -- checks and rows -----------------------------------------------------------------


def _conditional_search(session: Session, options: Options) -> Findings:
    place = PORTS.channels.index(options.text("channel"))
    held = status(session, _SETTINGS_AT)[0]
    session.note("status byte 7 before the check", value=held)
    latches = held & ~_SEARCH_BITS
    with restored(session, lambda: write_settings(session, held), what="status byte 7"):
        level = _read(session).levels >> place & 1
        condition = latches | _BY_LEVEL | 0x08 << place
        write_settings(session, condition | level)
        met = session.meets_condition()
        write_settings(session, condition | 1 - level)
        unmet = session.meets_condition()
    return answered(met=met, unmet=unmet)


def _protection(session: Session) -> Answer:
    block = status(session)
    closed = [f"page {page}" for page in range(4) if not block[0] >> page & 1]
    moved = [f"page {n - 1} redirected" for n in range(1, 5) if block[n] != 0xFF]
    words = [f"{page} write-protected" for page in closed] + moved
    return Answer(
        value=", ".join(words) or "all open", evidence={"status": shown(block)}
    )


_QUANTITIES = (
    Quantity(
        name="power_supply",
        unit="",
        read=lambda session: Answer(
            value="external" if information(session) & _SUPPLIED else "parasite"
        ),
        about="external or parasite, as the device says",
    ),
    Quantity(
        name="channel_count",
        unit="",
        read=lambda session: Answer(
            value=2 if information(session) & _TWO_CHANNELS else 1
        ),
        about="2, or 1 for the small package",
    ),
    Quantity(
        name="protection",
        unit="",
        read=_protection,
        about="which pages are write-protected or redirected",
    ),
)
_CONDITIONAL_SEARCH = search_check(
    _conditional_search,
    condition="while a pin meets the condition (puts the condition back)",
    channels=PORTS.channels,
)

FAMILIES = (
    Family(
        code=0x12,
        name="dual switch, 13 V output, 1 Kbit write-once memory",
        device_class="I/O port",
        typical_parts="DS2406, DS2407",
        quantities=by_name(*port_quantities(PORTS), *_QUANTITIES),
        settings=by_name(*port_settings(PORTS)),
        configure=PORTS.configure,
        checks=by_name(
            *port_checks(PORTS),
            _CONDITIONAL_SEARCH,
            *memory_checks(Memory(size=_MEMORY_END, read=read_memory)),
        ),
        looks=looks("ports", "power_supply", "channel_count", "protection"),
        commands=commands.DUAL_WITH_MEMORY,
        restarts=(
            *restarts.DUAL_WITH_MEMORY,
            *output_signs(PORTS, 1, restarts.DUAL_WITH_MEMORY_SOURCE),
        ),
        destructive="switches loads up to 13 V; a reset low over 5 ms drops the outputs",
        facts="CRC-16 on everything; write-once memory is read only here",
    ),
)
