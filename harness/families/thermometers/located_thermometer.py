"""Thermometers 3Bh: four unlike parts of one code, each with location pins.

    adjustable     as a 28h, but the low half of byte 4 is the location: 0 R1 R0 1 AD
    with memory    byte 4 is 1111 AD; 12 bit, 128 bytes of EEPROM behind a second
                   scratchpad: 0Fh address and 8 bytes (CRC-8), AAh, 55h A5h, F0h
    thermocouple   byte 4 is 1111 AD; bytes 0 and 1 the couple, 2 and 3 the junction,
                   faults in their low bits; cannot be written
    low voltage    resolution 8, 9, 10 or 12 bit in byte 4; location by one resistor

How they are distinguished: 1111 in byte 4 is with memory if the second scratchpad answers
with its check value, else thermocouple. Of the others the low-voltage part converts in
less than half the time that an adjustable one needs; on parasite power, where the
end is not seen, bit 4 of byte 4 decides, which is from memory. The EEPROM lock is left out:
its address is not confirmed. Assumed: byte 5 is FFh in all of them, as in their
relatives; the low-voltage part gives sixteenths in bytes 0 and 1 and halves its time
with each bit, which its sheet says for 10 bit only.

Sources: data sheets of four family-3Bh parts (DS1825 p. 1, 4 and 7-8; MAX31826 p. 1, 12
and 14; MAX31850 p. 5, 12-13, 19 and 22; MAX31825).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from enum import StrEnum

from harness.errors import (
    AnswerImpossible,
    CheckValueWrong,
    ReadingImplausible,
    UsageError,
)
from harness.families.common.answers import read_twice, require_crc8, shown
from harness.families.common.memory import Memory, memory_checks
from harness.families.family import (
    Answer,
    Family,
    Hazard,
    Quantity,
    Session,
    by_name,
    looks,
)
from harness.families.thermometers import commands, restarts
from harness.families.thermometers.own_constants import read_held
from harness.families.thermometers.settings import (
    ALARM_SETTINGS,
    RESOLUTION_SETTING,
    Adjustable,
    alarm_search_check,
    configure,
)
from harness.families.thermometers.thermometry import (
    CONVERSION_MS,
    READ_SCRATCHPAD,
    accept_temperature,
    convert,
    convert_all,
    is_parasite,
    prove_nine,
    require_settings_kept,
    seen_conversion,
    signed,
    sixteenths,
    supply,
)
from harness.records import Scalar

WRITE_PAD, READ_PAD, COPY_PAD, READ_MEMORY = 0x0F, 0xAA, b"\x55\xa5", 0xF0

_ROW, _MEMORY_BYTES = 8, 128
_COPY_S = 0.025
_PROBE = bytes(range(8))

_POWER_ON = b"\x50\x05"
_EARLY = 0.45
"""Part of an adjustable part's longest time in which only a low-voltage one is done."""


class Variant(StrEnum):
    """Which of the four parts."""

    ADJUSTABLE = "adjustable"
    WITH_MEMORY = "with memory"
    THERMOCOUPLE = "thermocouple"
    LOW_VOLTAGE = "low voltage"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Ranges:
    longest_ms: Callable[[bytes], float]
    low_degc: float
    high_degc: float


def _pattern(block: bytes) -> int:
    """Resolution bits as they stand: 0 to 3."""
    return block[4] >> 5 & 3


_LOW_VOLTAGE_BITS = (8, 9, 10, 12)
_LOW_VOLTAGE_MS = (20.0, 40.0, 80.0, 320.0)

_RANGES = {
    Variant.ADJUSTABLE: _Ranges(
        longest_ms=lambda block: CONVERSION_MS[9 + _pattern(block)],
        low_degc=-55,
        high_degc=125,
    ),
    Variant.WITH_MEMORY: _Ranges(
        longest_ms=lambda _: 150.0, low_degc=-55, high_degc=125
    ),
    Variant.THERMOCOUPLE: _Ranges(
        longest_ms=lambda _: 100.0, low_degc=-270, high_degc=1800
    ),
    Variant.LOW_VOLTAGE: _Ranges(
        longest_ms=lambda block: _LOW_VOLTAGE_MS[_pattern(block)],
        low_degc=-55,
        high_degc=125,
    ),
}
"""Conversion times of the second and third part: from memory."""

_FAULTS = {4: "short to the supply", 2: "short to ground", 1: "open circuit"}


# -- blocks and parts ----------------------------------------------------------------


def prove(data: bytes) -> bytes:
    """Nine bytes as a block of any of the four parts.

    Raises:
        DeviceAbsent, CheckValueWrong, AnswerImpossible: as the bytes say.
    """
    prove_nine(data)
    if data[4] & 0x80 and data[4] >> 4 != 0xF:
        raise AnswerImpossible(
            f"block {shown(data)}: byte 4 is {data[4]:02X}h, which none of the four parts "
            "of this code has"
        )
    return data


def read(session: Session) -> bytes:
    """Read and prove the block; see ``prove`` and ``hold_to_own`` for the errors."""
    command = bytes([READ_SCRATCHPAD])
    return read_held(session, lambda: prove(session.transact(command, 9)))


def variant(session: Session) -> Variant:
    """Which part it is; found out once a run.

    Raises:
        DeviceError: as reading, converting and probing say.
    """
    if "variant" not in session.memory:
        block = read(session)
        if block[4] & 0x80:
            with_memory = _has_second_scratchpad(session)
            found = Variant.WITH_MEMORY if with_memory else Variant.THERMOCOUPLE
        else:
            found = _by_time(session, block)
        session.memory["variant"] = found
    return Variant(session.memory["variant"])


def _has_second_scratchpad(session: Session) -> bool:
    """True if a write to it is answered by the right check value; it is volatile."""
    message = bytes([WRITE_PAD, 0]) + _PROBE
    answer = session.transact(message, 1)
    if answer == b"\xff":
        session.verify()
        answer = session.transact(message, 1)  # silence must be meant
        if answer == b"\xff":
            return False
    require_crc8(message, answer, what="check of the scratchpad write")
    return True


def _by_time(session: Session, block: bytes) -> Variant:
    if is_parasite(session):
        return Variant.ADJUSTABLE if block[4] & 0x10 else Variant.LOW_VOLTAGE
    adjustable_ms = _RANGES[Variant.ADJUSTABLE].longest_ms(block)
    took_ms = convert(session, adjustable_ms, first_look_ms=0)
    assert took_ms is not None  # it has its own supply
    early = took_ms < _EARLY * adjustable_ms
    session.verify()  # a device that is gone looks done, whenever it is asked
    return Variant.LOW_VOLTAGE if early else Variant.ADJUSTABLE


def _require(session: Session, what: str, *variants: Variant) -> None:
    kind = variant(session)
    if kind not in variants:
        raise UsageError(
            f"this device ({kind}) has no {what}",
            hint=f"only: {', '.join(variants)}; see quantity variant",
        )


# -- readings ------------------------------------------------------------------------


def _resolution_bits(kind: Variant, block: bytes) -> int:
    if kind is Variant.ADJUSTABLE:
        return 9 + _pattern(block)
    return _LOW_VOLTAGE_BITS[_pattern(block)] if kind is Variant.LOW_VOLTAGE else 12


def thermocouple_degc(block: bytes) -> float:
    """The couple's temperature: 14 bits of a quarter of a degree.

    Raises:
        ReadingImplausible: the part reports a fault of the couple.
        AnswerImpossible: a reserved bit is set.
    """
    if block[0] & 0x02 or block[2] & 0x08 or block[6:8] != b"\xff\xff":
        raise AnswerImpossible(
            f"block {shown(block)}: reserved bits of a thermocouple part are not as the "
            "sheet has them"
        )
    if block[0] & 0x01:
        words = [words for bit, words in _FAULTS.items() if block[2] & bit]
        raise ReadingImplausible(
            f"the thermocouple is at fault: {', '.join(words) or 'unknown'} "
            f"(block {shown(block)})",
            hint="look at the couple's wires and their isolation, then convert again",
        )
    return (int.from_bytes(block[:2], "little", signed=True) >> 2) / 4


def junction_degc(block: bytes) -> float:
    """Temperature of the cold junction: 12 bits of a sixteenth of a degree."""
    return (int.from_bytes(block[2:4], "little", signed=True) >> 4) / 16


def _read_value(session: Session) -> Answer:
    kind = variant(session)
    block = read(session)
    if kind is Variant.THERMOCOUPLE:
        value = thermocouple_degc(block)
    else:
        value = sixteenths(block, _resolution_bits(kind, block))
        # byte 6 has a meaning only on the adjustable part, as with its relatives
        unsure = kind is not Variant.ADJUSTABLE or block[6] == 0x0C
        if block[:2] == _POWER_ON and unsure:
            raise ReadingImplausible(
                f"85 degC is the power-on value: no conversion has ended since power-up "
                f"(block {shown(block)})"
            )
    low, high = _RANGES[kind].low_degc, _RANGES[kind].high_degc
    if not low <= value <= high:
        raise ReadingImplausible(
            f"{value:.4f} degC is outside the device's range of {low:g} to {high:g} degC "
            f"(block {shown(block)})"
        )
    if kind is not Variant.THERMOCOUPLE:  # a couple may jump as far as it likes
        accept_temperature(session, value)
    return Answer(value=value, evidence={"block": shown(block), "variant": str(kind)})


def _longest_ms(session: Session) -> float:
    kind = variant(session)
    return _RANGES[kind].longest_ms(read(session))


def _temperature(session: Session) -> Answer:
    longest_ms = _longest_ms(session)
    before = read(session)
    took_ms = convert(session, longest_ms)
    if variant(session) is Variant.ADJUSTABLE:
        require_settings_kept(before[2:5], read(session)[2:5])
    answer = _read_value(session)
    if took_ms is not None:
        answer.evidence["conversion_ms"] = round(took_ms, 3)
    return answer


def _junction(session: Session) -> Answer:
    _require(session, "cold junction", Variant.THERMOCOUPLE)
    convert(session, _longest_ms(session))
    return _read_junction(session)


def _read_junction(session: Session) -> Answer:
    _require(session, "cold junction", Variant.THERMOCOUPLE)
    block = read(session)
    return Answer(value=junction_degc(block), evidence={"block": shown(block)})


def _location(session: Session) -> Answer:
    _require(
        session,
        "location in its block",
        Variant.ADJUSTABLE,
        Variant.WITH_MEMORY,
        Variant.THERMOCOUPLE,
    )
    return Answer(value=read(session)[4] & 0x0F)


def _resolution(session: Session) -> Answer:
    return Answer(value=_resolution_bits(variant(session), read(session)))


# -- settings ------------------------------------------------------------------------

_PART = Adjustable(read=read)


def _adjustable(session: Session) -> Adjustable:
    _require(session, "alarm limits that are known", Variant.ADJUSTABLE)
    return _PART


def _alarm(place: int) -> Callable[[Session], Answer]:
    return lambda session: Answer(
        value=signed(_adjustable(session).read(session)[place])
    )


def _configure(session: Session, settings: Mapping[str, Scalar], store: bool) -> Answer:
    """Alarm limits and resolution of the adjustable part."""
    return configure(session, _adjustable(session), settings, store)


# -- memory --------------------------------------------------------------------------


def _read_memory(session: Session, address: int, length: int) -> bytes:
    _require(session, "memory", Variant.WITH_MEMORY)
    return read_twice(
        session,
        lambda: session.transact(bytes([READ_MEMORY, address]), length),
        what=f"memory at {address:02X}h",
    )


def _write_memory(session: Session, address: int, data: bytes) -> None:
    """Row by row; what shares a row with the data keeps its content."""
    end = address + len(data)
    for row in range(address - address % _ROW, end, _ROW):
        held = bytearray(_read_memory(session, row, _ROW))
        first, last = max(row, address), min(row + _ROW, end)
        held[first - row : last - row] = data[first - address : last - address]
        write_row(session, row, bytes(held))


def write_row(session: Session, address: int, data: bytes) -> None:
    """Stage eight bytes, compare them, copy them, read them back.

    Raises:
        CheckValueWrong: the scratchpad did not take them.
        AnswerImpossible: the memory did not.
    """
    message = bytes([WRITE_PAD, address]) + data
    require_crc8(
        message, session.transact(message, 1), what="check of the scratchpad write"
    )
    staged = session.transact(bytes([READ_PAD, address]), _ROW)
    if staged != data:
        raise CheckValueWrong(
            f"the scratchpad reads {shown(staged)}, sent was {shown(data)}"
        )
    session.hold_strong_pull_up(COPY_PAD, _COPY_S)
    got = _read_memory(session, address, _ROW)
    if got != data:
        raise AnswerImpossible(
            f"memory at {address:02X}h reads {shown(got)} after writing {shown(data)}",
            hint="the cells did not take it: a locked part, or supply during the copy",
        )


# -- rows ----------------------------------------------------------------------------

_QUANTITIES = (
    Quantity(
        name="temperature",
        unit="degC",
        read=_temperature,
        reread=_read_value,
        about="one conversion, then the reading (of the thermocouple where there is "
        "one); fresh: false reads what a common conversion left",
    ),
    Quantity(
        name="cold_junction",
        unit="degC",
        read=_junction,
        reread=_read_junction,
        about="one conversion, then the temperature of the thermocouple's cold end; "
        "fresh: false reads what a common conversion left",
    ),
    Quantity(
        name="variant",
        unit="",
        read=lambda session: Answer(value=str(variant(session))),
        about=f"which part: {', '.join(Variant)}",
    ),
    Quantity(
        name="location",
        unit="",
        read=_location,
        about="the four location pins, 0 to 15",
    ),
    Quantity(
        name="conversion_time",
        unit="ms",
        read=lambda session: seen_conversion(session, _longest_ms(session)),
        about="time of one conversion, seen by polling (external supply only)",
    ),
    Quantity(
        name="power_supply",
        unit="",
        read=supply,
        about="external or parasite, as the device says",
    ),
    Quantity(name="alarm_high", unit="degC", read=_alarm(2), about="high threshold"),
    Quantity(name="alarm_low", unit="degC", read=_alarm(3), about="low threshold"),
    Quantity(
        name="resolution", unit="bit", read=_resolution, about="bits of a conversion"
    ),
)
_MEMORY = Memory(
    size=_MEMORY_BYTES,
    read=_read_memory,
    write=_write_memory,
    hazards=frozenset({Hazard.MEMORY_WEAR}),
)

FAMILIES = (
    Family(
        code=0x3B,
        name="thermometer with location pins, four unlike parts",
        device_class="thermometer",
        typical_parts="DS1825, MAX31825, MAX31826, MAX31850, MAX31851",
        quantities=by_name(*_QUANTITIES),
        settings=by_name(*ALARM_SETTINGS, RESOLUTION_SETTING),
        configure=_configure,
        convert_all=convert_all,
        commands=commands.LOCATED,
        restarts=restarts.LOCATED,
        checks=by_name(alarm_search_check(_adjustable), *memory_checks(_MEMORY)),
        destructive="storing and writing wear cells",
        looks=looks("power_supply", "variant", "location", "temperature"),
        facts="CRC-8 on blocks, none on memory: read twice",
    ),
)
