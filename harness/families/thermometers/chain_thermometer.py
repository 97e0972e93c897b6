"""Thermometer 42h: two open-drain channels, and a chain that finds the order of a cable.

The block is that of a 28h with bytes 5 to 7 always FFh 0Ch 10h, so that nothing distinguishes
its power-on value of 85 degC, the end of its range, from a true one.

    F5h                     status, over and over, as a 3Ah; no check value
    A5h new ~new            AAh, then status
    99h c ~c                AAh for ever: chain 3Ch off, 5Ah on, 96h done
    0Fh after a reset       the ROM code of the device that is on and has EN (B) low

While the chain is on, A pulls high, so that the next device waits; done, it lets the
next one answer. Latches read 1 and writes are ignored meanwhile. Code 0Fh, conversion
times and the time to store: from memory.

Source: data sheet family 42h (part DS28EA00) p. 2, 7-12 and 27-29.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from harness.errors import (
    AnswerImpossible,
    DeviceAbsent,
    ReadingImplausible,
    RomCodeInvalid,
    UsageError,
)
from harness.families.common.answers import shown
from harness.families.common.port_checks import port_checks
from harness.families.common.port_signs import output_signs
from harness.families.common.ports import (
    CONFIRMED,
    configure_outputs,
    port_quantities,
    port_settings,
)
from harness.families.common.restore import restored
from harness.families.common.status_port import status_port
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
    READ_SCRATCHPAD,
    accept_temperature,
    convert,
    convert_all,
    prove_nine,
    require_settings_kept,
    seen_conversion,
    signed,
    sixteenths,
    supply,
)
from harness.records import Measurement, Scalar
from harness.wire.romcode import RomCode

WRITE_PORTS, CHAIN = 0xA5, 0x99
CHAIN_OFF, CHAIN_ON, CHAIN_DONE = 0x3C, 0x5A, 0x96
CONDITIONAL_READ_ROM = 0x0F
MATCH_ROM = 0x55

_POWER_ON_DEGC = 85.0
_RANGE_DEGC = (-40.0, 85.0)


# -- temperature ---------------------------------------------------------------------


def prove(data: bytes) -> bytes:
    """Nine bytes as a block, or the error that says what is wrong with them.

    Raises:
        DeviceAbsent, CheckValueWrong, AnswerImpossible: as the bytes say.
    """
    prove_nine(data)
    if data[4] & 0x9F != 0x1F:
        raise AnswerImpossible(
            f"block {shown(data)}: configuration {data[4]:02X}h, but its fixed bits are "
            "0xx11111"
        )
    return data


def read(session: Session) -> bytes:
    """Read and prove the block; see ``prove`` and ``hold_to_own`` for the errors."""
    command = bytes([READ_SCRATCHPAD])
    return read_held(session, lambda: prove(session.transact(command, 9)))


_PART = Adjustable(read=read)


def _read_value(session: Session) -> Answer:
    block = read(session)
    value = sixteenths(block, _PART.resolution_bits(block))
    low, high = _RANGE_DEGC
    if value == _POWER_ON_DEGC:
        raise ReadingImplausible(
            f"85 degC is the power-on value, and this device shows it in the same way when "
            f"it is measured (block {shown(block)})"
        )
    if not low <= value <= high:
        raise ReadingImplausible(
            f"{value:.4f} degC is outside the device's range of {low:g} to {high:g} degC "
            f"(block {shown(block)})"
        )
    accept_temperature(session, value)
    return Answer(value=value, evidence={"block": shown(block)})


def _temperature(session: Session) -> Answer:
    before = read(session)
    took_ms = convert(session, _PART.longest_ms(before))
    require_settings_kept(before[2:5], read(session)[2:5])
    answer = _read_value(session)
    if took_ms is not None:
        answer.evidence["conversion_ms"] = round(took_ms, 3)
    return answer


# -- channels ------------------------------------------------------------------------


_PORTS = status_port(WRITE_PORTS, Hazard.OUTPUT_SWITCHING)


def _configure(session: Session, settings: Mapping[str, Scalar], store: bool) -> Answer:
    """Alarm limits and resolution as asked for, then outputs."""
    outputs: dict[str, Scalar] = {}
    others: dict[str, Scalar] = {}
    for name, value in settings.items():
        (outputs if name.endswith("_output") else others)[name] = value
    answers = []
    if others or store:
        answers.append(configure(session, _PART, others, store))
    if outputs:
        answers.append(configure_outputs(session, _PORTS, outputs))
    evidence = {key: value for a in answers for key, value in a.evidence.items()}
    return Answer(value=", ".join(str(a.value) for a in answers), evidence=evidence)


# -- chain ---------------------------------------------------------------------------


def _set_chain(session: Session, rom: RomCode, state: int) -> None:
    """Put one device's chain into a state.

    Raises:
        DeviceAbsent: ones.
        AnswerImpossible: it is confirmed by another byte than AAh.
    """
    match = bytes([MATCH_ROM]) + rom.wire
    answer = session.unselected(match + bytes([CHAIN, state, state ^ 0xFF]), 1)[0]
    if answer == 0xFF:
        raise DeviceAbsent(f"device {rom} does not answer a chain command")
    if answer != CONFIRMED:
        raise AnswerImpossible(
            f"device {rom} confirms a chain command by {answer:02X}h instead of AA",
            hint="its copy of the complement was wrong: noise on the way, repeat",
        )


def _all_off(session: Session, roms: Iterable[RomCode]) -> None:
    for rom in roms:
        _set_chain(session, rom, CHAIN_OFF)


def _next_in_chain(session: Session) -> RomCode | None:
    """The device that answers now, which is then done; None if none does.

    Raises:
        RomCodeInvalid: two at once, or a bit lost.
        AnswerImpossible: the one that answered does not confirm.
    """
    answer = session.unselected(bytes([CONDITIONAL_READ_ROM]), 8)
    if answer == b"\xff" * 8:
        return None
    rom = RomCode(answer)
    if not rom.is_possible:
        raise RomCodeInvalid(
            f"the chain is answered by {rom}, which no device can be",
            hint="two devices answer at once: look for a broken wire between A of one "
            "and B of the next, or for parts on the line that answer 0Fh too",
        )
    done = bytes([CHAIN, CHAIN_DONE, CHAIN_DONE ^ 0xFF])
    confirmation = session.more(done, 1)[0]
    if confirmation != CONFIRMED:
        raise AnswerImpossible(
            f"device {rom} confirms chain done by {confirmation:02X}h instead of AA"
        )
    return rom


def _walk_chain(session: Session, roms: list[RomCode]) -> list[RomCode]:
    found: list[RomCode] = []
    with restored(session, lambda: _all_off(session, roms), what="the chain (off)"):
        for rom in roms:
            _set_chain(session, rom, CHAIN_ON)
        while len(found) <= len(roms):
            rom_found = _next_in_chain(session)
            if rom_found is None:
                break
            found.append(rom_found)
    return found


def _chain_order(session: Session, options: Options) -> Findings:
    wanted = _rom_codes(options.text("order"))
    found = _walk_chain(session, wanted)
    return Findings(
        measurements=(
            Measurement(
                name="chain_order",
                value=" ".join(map(str, found)) or "none",
                wanted=" ".join(map(str, wanted)),
            ),
        )
    )


def _rom_codes(text: str) -> list[RomCode]:
    try:
        return [RomCode.parse(word) for word in text.replace(",", " ").split()]
    except ValueError as cause:
        raise UsageError(
            f"option order: {cause}", hint="ROM codes, first in the cable first"
        ) from cause


def _chain(session: Session, options: Options) -> Findings:
    enabled = options.truth("enabled")
    found = _walk_chain(session, [session.rom])
    return Findings(
        measurements=(
            Measurement(
                name="answers_in_chain", value=found == [session.rom], wanted=enabled
            ),
        )
    )


# -- rows ----------------------------------------------------------------------------

_QUANTITIES = (
    Quantity(
        name="temperature",
        unit="degC",
        read=_temperature,
        reread=_read_value,
        about="one conversion, then the reading; fresh: false reads what a common "
        "conversion left",
    ),
    Quantity(
        name="conversion_time",
        unit="ms",
        read=lambda session: seen_conversion(session, _PART.longest_ms(read(session))),
        about="time of one conversion, seen by polling (external supply only)",
    ),
    Quantity(
        name="power_supply",
        unit="",
        read=supply,
        about="external or parasite, as the device says",
    ),
    Quantity(
        name="alarm_high",
        unit="degC",
        read=lambda session: Answer(value=signed(read(session)[2])),
        about="high threshold",
    ),
    Quantity(
        name="alarm_low",
        unit="degC",
        read=lambda session: Answer(value=signed(read(session)[3])),
        about="low threshold",
    ),
    Quantity(
        name="resolution",
        unit="bit",
        read=lambda session: Answer(value=_PART.resolution_bits(read(session))),
        about="resolution in the configuration byte",
    ),
)
_CHECKS = (
    alarm_search_check(lambda _: _PART),
    Check(
        name="chain",
        about="with its chain on the device answers the chain while EN is low, and is "
        "silent while it is not; the chain is off afterwards",
        run=_chain,
        options=by_name(
            Option.truth(
                "enabled", "true if the fixture holds EN (channel b) low", default=True
            )
        ),
        hazards=_PORTS.hazards,
    ),
    Check(
        name="chain_order",
        about="devices answer the chain in the order of the cable; the chain is off "
        "afterwards",
        run=_chain_order,
        options=by_name(
            Option.text(
                "order",
                "ROM codes in the order of the cable, first one first",
                required=True,
            )
        ),
        hazards=_PORTS.hazards,
        expected_s=0.3,
    ),
)

FAMILIES = (
    Family(
        code=0x42,
        name="thermometer, two channels, chain",
        device_class="thermometer",
        typical_parts="DS28EA00",
        quantities=by_name(*_QUANTITIES, *port_quantities(_PORTS)),
        settings=by_name(*ALARM_SETTINGS, RESOLUTION_SETTING, *port_settings(_PORTS)),
        configure=_configure,
        convert_all=convert_all,
        commands=commands.CHAINED,
        restarts=(
            *restarts.CHAINED,
            *output_signs(_PORTS, 1, "data sheet family 42h (part DS28EA00) p. 10-12"),
        ),
        checks=by_name(*port_checks(_PORTS), *_CHECKS),
        destructive="switches loads; storing wears cells",
        looks=looks("power_supply", "temperature", "resolution", "ports"),
        facts="CRC-8 on the block; channels: nibble complement, read twice",
    ),
)
