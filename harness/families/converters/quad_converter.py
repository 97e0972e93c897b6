"""Analogue converter 20h: four channels of up to 16 bit, each also an output.

    0000h results, 2 bytes a channel, left-justified
    0008h control, 2 bytes a channel:
          b3:0 bits to convert (0 is 16), b6 output off, b7 output in use
          b0 5.12 V instead of 2.56 V, b2 b3 low, high alarm in use, b4 b5 its flags,
          b7 power-on flag
    0010h alarm limits, low and high byte a channel, against the top 8 bits
    0018h calibration; only 001Ch may be written: 40h for a part with its own supply

    AAh TA1 TA2             to the end of the page of 8, CRC-16
    55h TA1 TA2 byte        CRC-16, the byte as stored
    3Ch channels 00h        CRC-16, then with own supply 0 while busy

Conversion takes 60 to 80 us a bit and channel, and 160 us more. Without own supply the
line feeds it. From memory: what the check value of 3Ch covers, power-on values, and
that 001Ch is lost at power-off. A part with own supply is asked whether it is busy
right behind the command, so that an old result never passes for a new one; a part fed
from the line cannot be asked.

Source: data sheet DS2450 (family 20h) p. 4-5, 10 and 16, and a user's note on 001Ch.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from functools import partial

from harness.errors import AnswerImpossible
from harness.families.common.answers import shown
from harness.families.common.conditional import answered, search_check
from harness.families.common.port_checks import loop_back_options, wired_pairs
from harness.families.common.register_map import Access, Field, RegisterMap
from harness.families.common.restore import restored
from harness.families.converters import commands, restarts
from harness.families.converters.channels import (
    ALARMS,
    BITS,
    CALIBRATION,
    CONTROL,
    HIGH_ALARM,
    LINE_SUPPLY,
    LOW_ALARM,
    OUTPUT,
    OUTPUT_OFF,
    OWN_SUPPLY,
    POWER_ON,
    RESULTS,
    SUPPLY_AT,
    WIDE,
    channel,
    convert,
    read_page,
    write_byte,
)
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
from harness.records import Measurement, Scalar

_CHANNELS = ("a", "b", "c", "d")

_FLAGS = 0x30

_OUTPUT_HAZARDS = frozenset({Hazard.OUTPUT_SWITCHING})


def _write_register(session: Session, address: int, value: int) -> None:
    """Write a byte; the alarm flags of a channel's second control byte may move."""
    holds_flags = CONTROL <= address < ALARMS and address % 2
    write_byte(session, address, value, mask=0xFF & ~_FLAGS if holds_flags else 0xFF)


def _voltage(place: int, session: Session) -> Answer:
    of = channel(session, place)
    convert(session, of)
    page = read_page(session, RESULTS)
    code = int.from_bytes(page[2 * place : 2 * place + 2], "little")
    if code & (1 << 16 - of.bits) - 1:
        raise AnswerImpossible(
            f"result {code:04X}h of {of.bits} bits: the unused low bits must be 0",
            hint="repeat; if it stays the device does not behave as the data sheet says",
        )
    volts = code / 65536 * of.range_v
    return Answer(
        value=round(volts, 6),
        evidence={"code": f"{code:04X}", "bits": of.bits, "range_v": of.range_v},
    )


# -- registers -----------------------------------------------------------------------

_VOLTAGES = frozenset(f"channel_{name}_voltage" for name in _CHANNELS)
_alarm = partial(
    Field, block=ALARMS, scale=5.12 / 256, unit="V", access=Access.WRITE,
    about="in 256 steps of the range",
)  # fmt: skip


def _channel_rows(place: int, name: str) -> tuple[Field, ...]:
    row = partial(Field, block=CONTROL, offset=2 * place, access=Access.WRITE)
    voltage = frozenset({f"channel_{name}_voltage"})
    return (
        row(
            name=f"channel_{name}_resolution_bits", unit="bit", bits=4, governs=voltage,
            codes={bits & BITS: bits for bits in range(1, 17)}, reset=8,
        ),
        row(
            name=f"channel_{name}_range_v", unit="V", offset=2 * place + 1, bits=1,
            codes={0: 2.56, WIDE: 5.12}, governs=voltage, reset=2.56,
        ),
        _alarm(name=f"channel_{name}_alarm_low_v", offset=2 * place),
        _alarm(name=f"channel_{name}_alarm_high_v", offset=2 * place + 1),
        row(
            name=f"channel_{name}_output", about="the transistor pulls low if on", shift=6,
            codes={2: "on", 3: "off", 0: "off", 1: "off"}, reset="off", access=Access.READ_WRITE,
            hazards=_OUTPUT_HAZARDS, governs=frozenset({f"channel_{name}_output", *_VOLTAGES}), safe=True,
        ),
    )  # fmt: skip


def _write_changes(session: Session, page: int, before: bytes, after: bytes) -> None:
    """Write what is not there yet, byte by byte, each as stored read back."""
    for at, (old, new) in enumerate(zip(before, after, strict=True)):
        if new != old:
            _write_register(session, page + at, new)


REGISTERS = RegisterMap(
    read=lambda session, row: read_page(session, row.block),
    write=_write_changes,
    fields=(
        *(row for place, name in enumerate(_CHANNELS) for row in _channel_rows(place, name)),
        Field(
            name="supply", block=CALIBRATION,
            offset=SUPPLY_AT - CALIBRATION, reset="parasite", access=Access.WRITE,
            codes={OWN_SUPPLY: "external", LINE_SUPPLY: "parasite"}, governs=_VOLTAGES,
        ),
    ),
)  # fmt: skip


def _scaled(control: bytes, settings: Mapping[str, Scalar]) -> RegisterMap:
    """The map with the scales of the alarms by the ranges that will be in force."""
    scales: dict[str, float] = {}
    for name in _CHANNELS:
        row = REGISTERS.row(f"channel_{name}_range_v")
        if row.name in settings:
            control = row.encode(control, settings[row.name])
        scale = float(row.decode(control)) / 256
        scales |= {f"channel_{name}_alarm_{word}_v": scale for word in ("low", "high")}
    fields = [replace(r, scale=scales.get(r.name, r.scale)) for r in REGISTERS.fields]
    return replace(REGISTERS, fields=tuple(fields))


def configure(session: Session, settings: Mapping[str, Scalar], store: bool) -> Answer:
    """Write what is asked for, byte by byte, each as stored read back.

    All is volatile, so ``store`` changes nothing.

    Raises:
        UsageError: a value out of range; nothing is written then.
        AnswerImpossible, CheckValueWrong: see ``write_byte``.
    """
    del store
    registers = _scaled(read_page(session, CONTROL), settings)
    written = registers.configure(session, settings)
    evidence = {f"{page:04X}h": shown(block) for page, block in written.items()}
    return Answer(value=", ".join(settings), evidence=evidence)


# -- checks --------------------------------------------------------------------------


def _power_on_words(page: bytes) -> str:
    set_flags = [n for i, n in enumerate(_CHANNELS) if page[2 * i + 1] & POWER_ON]
    return ", ".join(set_flags) or "none"


def _clear_power_on(session: Session, options: Options) -> Findings:
    page = read_page(session, CONTROL)
    for place in range(len(_CHANNELS)):
        at = 2 * place + 1
        _write_register(session, CONTROL + at, page[at] & ~POWER_ON)
    before, after = _power_on_words(page), _power_on_words(read_page(session, CONTROL))
    wanted = options.text("wanted") if options.given("wanted") else None
    return Findings(
        measurements=(
            Measurement(name="power_on_flags_before", value=before, wanted=wanted),
            Measurement(name="power_on_flags_after", value=after, wanted="none"),
        )
    )


def _put_back(session: Session, control: bytes, alarms: bytes) -> None:
    for at in range(8):
        write_byte(session, ALARMS + at, alarms[at])
        value = control[at] & ~POWER_ON if at % 2 else control[at]
        _write_register(session, CONTROL + at, value)


def _conditional_search(session: Session, options: Options) -> Findings:
    place = _CHANNELS.index(options.text("channel"))
    control, alarms = read_page(session, CONTROL), read_page(session, ALARMS)
    session.note(
        "registers before the search", control=shown(control), alarms=shown(alarms)
    )
    answers = []
    with restored(
        session,
        lambda: _put_back(session, control, alarms),
        what="control and alarm registers",
    ):
        for other in range(len(_CHANNELS)):
            second = CONTROL + 2 * other + 1
            _write_register(session, second, control[2 * other + 1] & WIDE)
        of = channel(session, place)
        level = _voltage(place, session).value
        # a limit that the input surely breaks, then one that it cannot break
        above = float(level) >= of.range_v / 2
        enable, at, limits = (
            (HIGH_ALARM, 1, (0x00, 0xFF)) if above else (LOW_ALARM, 0, (0xFF, 0x00))
        )
        second = CONTROL + 2 * place + 1
        _write_register(session, second, of.second | enable)
        for limit in limits:
            write_byte(session, ALARMS + 2 * place + at, limit)
            convert(session, of)
            answers.append(session.meets_condition())
    return answered(met=answers[0], unmet=answers[1], evidence={"input_v": level})


def _loop_back(session: Session, options: Options) -> Findings:
    pairs = wired_pairs(session, _CHANNELS, options)
    control = read_page(session, CONTROL)
    session.note("control registers before the check", control=shown(control))
    found = []
    for output, into in pairs.items():
        at = CONTROL + 2 * _CHANNELS.index(output)
        held = control[at - CONTROL]
        with restored(
            session,
            lambda at=at, held=held: write_byte(session, at, held),  # type: ignore[misc]
            what=f"output {output}",
        ):
            for word, bits in (("off", OUTPUT | OUTPUT_OFF), ("on", OUTPUT)):
                write_byte(session, at, held & BITS | bits)
                answer = _voltage(_CHANNELS.index(into), session)
                found.append(
                    Measurement(
                        name=f"voltage_{into}_with_{output}_{word}",
                        value=answer.value,
                        unit="V",
                        low=options.number("high_v") if word == "off" else None,
                        high=options.number("low_v") if word == "on" else None,
                    )
                )
    return Findings(measurements=tuple(found), evidence={"wired": pairs})


# -- rows ----------------------------------------------------------------------------


_QUANTITIES = (
    *(
        Quantity(
            name=f"channel_{name}_voltage",
            unit="V",
            read=partial(_voltage, place),
            about=f"one conversion of input {name}",
        )
        for place, name in enumerate(_CHANNELS)
    ),
    *REGISTERS.quantities,
    Quantity(
        name="power_on_flags",
        unit="",
        read=lambda session: Answer(value=_power_on_words(read_page(session, CONTROL))),
        about="channels whose settings are from power-up",
    ),
)


def _volts(name: str, about: str, default: float) -> Option:
    return Option.number(name, about, default=default)


_CHECKS = (
    Check(
        name="power_on_flags_clear",
        about="reads the power-on flags, clears them, and reads them again",
        run=_clear_power_on,
        leaves=frozenset({"power_on_flags"}),
        options=by_name(
            Option.text(
                "wanted", "channels that should have the flag, such as a, b, c, d"
            )
        ),
    ),
    search_check(
        _conditional_search,
        condition="while an input breaks its alarm limit (clears the power-on flags)",
        channels=_CHANNELS,
    ),
    Check(
        name="loop_back",
        about="each output on and off: the input that the fixture wires to it follows; "
        "puts the outputs back",
        run=_loop_back,
        options={
            **loop_back_options(_CHANNELS),
            **by_name(
                _volts("low_v", "highest voltage of a wire pulled low", 0.5),
                _volts("high_v", "lowest voltage of a wire let go", 2.0),
            ),
        },
        hazards=_OUTPUT_HAZARDS,
        expected_s=0.3,
    ),
)

FAMILIES = (
    Family(
        code=0x20,
        name="quad converter, 16 bit",
        device_class="converter",
        typical_parts="DS2450",
        commands=commands.QUAD,
        restarts=restarts.QUAD,
        quantities=by_name(*_QUANTITIES),
        settings=by_name(*REGISTERS.settings),
        configure=configure,
        checks=by_name(*_CHECKS),
        destructive="switches loads; calibration page is never written",
        looks=(*looks("power_on_flags"), *REGISTERS.looks),
        facts="CRC-16 on pages, writes and the convert command",
    ),
)
