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

Source: data sheet family 20h (part DS2450) p. 4-5, 10 and 16, and a user's note on
001Ch, as collected in the family facts, 4.3.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

from harness.errors import AnswerImpossible, UsageError
from harness.families.common.answers import shown
from harness.families.common.conditional import answered, search_check
from harness.families.common.port_checks import loop_back_options, wired_pairs
from harness.families.common.restore import restored
from harness.families.common.values import number, on_off, whole
from harness.families.converters.channels import (
    ALARMS,
    BITS,
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
    Channel,
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
    OptionKind,
    Options,
    Quantity,
    Session,
    Setting,
    by_name,
    looks,
)
from harness.records import Measurement, Scalar

_CHANNELS = ("a", "b", "c", "d")

_FLAGS = 0x30

_RANGES_V = {2.56: 0, 5.12: WIDE}
_OUTPUT_HAZARDS = frozenset({Hazard.OUTPUT_SWITCHING})


def _voltage(session: Session, place: int) -> Answer:
    of = channel(session, place)
    convert(session, of)
    page = read_page(session, RESULTS)
    code = int.from_bytes(page[2 * place : 2 * place + 2], "little")
    if code & (1 << 16 - of.bits) - 1:
        raise AnswerImpossible(
            f"result {code:04X}h of {of.bits} bits: the unused low bits must be 0",
            hint="repeat; if it stays the part does not behave as the data sheet says",
        )
    volts = code / 65536 * of.range_v
    return Answer(
        value=round(volts, 6),
        evidence={"code": f"{code:04X}", "bits": of.bits, "range_v": of.range_v},
    )


# -- settings ------------------------------------------------------------------------


def _first_byte(of: Channel, name: str, settings: Mapping[str, Scalar]) -> int:
    first = of.first
    key = f"channel_{name}_resolution_bits"
    if key in settings:
        first = first & ~BITS | whole(key, settings[key], 1, 16) & BITS
    key = f"output_{name}"
    if key in settings:
        off = 0 if on_off(key, settings[key]) else OUTPUT_OFF
        first = first & ~OUTPUT_OFF | OUTPUT | off
    return first


def _second_byte(of: Channel, name: str, settings: Mapping[str, Scalar]) -> int:
    key = f"channel_{name}_range_v"
    if key not in settings:
        return of.second
    value = settings[key]
    if value not in _RANGES_V or isinstance(value, bool):
        raise UsageError(f"{key} takes 2.56 or 5.12, got {value!r}")
    return of.second & ~WIDE | _RANGES_V[float(value)]


def _writes(
    session: Session, settings: Mapping[str, Scalar]
) -> list[tuple[int, int, int]]:
    """Address, byte and mask of all that the settings ask for; nothing is written yet."""
    page = read_page(session, CONTROL)
    writes = []
    for place, name in enumerate(_CHANNELS):
        at = 2 * place
        of = Channel(place=place, first=page[at], second=page[at + 1])
        first = _first_byte(of, name, settings)
        second = _second_byte(of, name, settings)
        writes += [
            (CONTROL + at + n, new, mask)
            for n, old, new, mask in (
                (0, of.first, first, 0xFF),
                (1, of.second, second, 0xFF & ~_FLAGS),
            )
            if new != old
        ]
        range_v = 5.12 if second & WIDE else 2.56
        for n, word in enumerate(("low", "high")):
            key = f"channel_{name}_alarm_{word}_v"
            if key in settings:
                volts = number(key, settings[key], 0, range_v * 255 / 256)
                step = round(volts / range_v * 256)
                writes.append((ALARMS + at + n, step, 0xFF))
    if "supply" in settings:
        kinds = {"external": OWN_SUPPLY, "parasite": LINE_SUPPLY}
        if settings["supply"] not in kinds:
            raise UsageError(
                f"supply takes external or parasite, got {settings['supply']!r}"
            )
        writes.append((SUPPLY_AT, kinds[str(settings["supply"])], 0xFF))
    return writes


def configure(session: Session, settings: Mapping[str, Scalar], store: bool) -> Answer:
    """Write what is asked for, byte by byte, each as stored read back.

    All is volatile, so ``store`` changes nothing.

    Raises:
        UsageError: a value out of range; nothing is written then.
        AnswerImpossible, CheckValueWrong: see ``write_byte``.
    """
    del store
    writes = _writes(session, settings)
    for address, value, mask in writes:
        write_byte(session, address, value, mask=mask)
    return Answer(value=", ".join(f"{at:04X}h {v:02X}h" for at, v, _ in writes))


# -- checks --------------------------------------------------------------------------


def _power_on_places(page: bytes) -> list[str]:
    return [n for i, n in enumerate(_CHANNELS) if page[2 * i + 1] & POWER_ON]


def _clear_power_on(session: Session, options: Options) -> Findings:
    page = read_page(session, CONTROL)
    before = ", ".join(_power_on_places(page)) or "none"
    for place in range(len(_CHANNELS)):
        at = 2 * place + 1
        write_byte(
            session, CONTROL + at, page[at] & ~POWER_ON, mask=0xFF & ~_FLAGS
        )  # fmt: skip
    after = ", ".join(_power_on_places(read_page(session, CONTROL))) or "none"
    wanted = options.text("wanted") if options.given("wanted") else None
    return Findings(
        measurements=(
            Measurement(name="power_on_flags_before", value=before, wanted=wanted),
            Measurement(name="power_on_flags_after", value=after, wanted="none"),
        )
    )


def _put_back(session: Session, control: bytes, alarms: bytes) -> None:
    for place in range(8):
        write_byte(session, ALARMS + place, alarms[place])
        mask, value = 0xFF, control[place]
        if place % 2:
            mask, value = 0xFF & ~_FLAGS, value & ~POWER_ON
        write_byte(session, CONTROL + place, value, mask=mask)


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
            quiet = control[2 * other + 1] & WIDE
            write_byte(
                session, CONTROL + 2 * other + 1, quiet, mask=0xFF & ~_FLAGS
            )  # fmt: skip
        of = channel(session, place)
        level = _voltage(session, place).value
        # a limit that the input surely breaks, then one that it cannot break
        above = float(level) >= of.range_v / 2
        enable, at, limits = (
            (HIGH_ALARM, 1, (0x00, 0xFF)) if above else (LOW_ALARM, 0, (0xFF, 0x00))
        )
        second = CONTROL + 2 * place + 1
        write_byte(session, second, of.second | enable, mask=0xFF & ~_FLAGS)
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
                answer = _voltage(session, _CHANNELS.index(into))
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


def _voltage_reader(place: int) -> Callable[[Session], Answer]:
    return lambda session: _voltage(session, place)


def _output_reader(place: int) -> Callable[[Session], Answer]:
    return lambda session: Answer(
        value="on" if channel(session, place).output_is_on else "off"
    )


_QUANTITIES = (
    *(
        Quantity(
            name=f"channel_{name}_voltage",
            unit="V",
            read=_voltage_reader(place),
            about=f"one conversion of input {name}",
        )
        for place, name in enumerate(_CHANNELS)
    ),
    *(
        Quantity(
            name=f"output_{name}",
            unit="",
            read=_output_reader(place),
            about="on (transistor pulls low) or off",
        )
        for place, name in enumerate(_CHANNELS)
    ),
    Quantity(
        name="power_on_flags",
        unit="",
        read=lambda session: Answer(
            value=", ".join(_power_on_places(read_page(session, CONTROL))) or "none"
        ),
        about="channels whose settings are from power-up",
    ),
)


_VOLTAGES = frozenset(f"channel_{name}_voltage" for name in _CHANNELS)


def _channel_settings(name: str) -> tuple[Setting, ...]:
    voltage = f"channel_{name}_voltage"
    return (
        Setting(
            name=f"channel_{name}_resolution_bits",
            unit="bit",
            about="1 to 16 bits",
            governs=frozenset({voltage}),
        ),
        Setting(
            name=f"channel_{name}_range_v",
            unit="V",
            about="2.56 or 5.12",
            governs=frozenset({voltage}),
        ),
        Setting(name=f"channel_{name}_alarm_low_v", unit="V", about="in 256 steps"),
        Setting(name=f"channel_{name}_alarm_high_v", unit="V", about="in 256 steps"),
        Setting(
            name=f"output_{name}",
            unit="",
            about="on (transistor pulls low) or off",
            hazards=_OUTPUT_HAZARDS,
            governs=frozenset({f"output_{name}", *_VOLTAGES}),
        ),
    )


_CHECKS = (
    Check(
        name="power_on_flags_clear",
        about="reads the power-on flags, clears them, and reads them again",
        run=_clear_power_on,
        leaves=frozenset({"power_on_flags"}),
        options=by_name(
            Option(
                name="wanted",
                kind=OptionKind.TEXT,
                about="channels that should have the flag, such as a, b, c, d",
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
                Option(
                    name="low_v",
                    kind=OptionKind.NUMBER,
                    about="highest voltage of a wire pulled low",
                    default=0.5,
                ),
                Option(
                    name="high_v",
                    kind=OptionKind.NUMBER,
                    about="lowest voltage of a wire let go",
                    default=2.0,
                ),
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
        quantities=by_name(*_QUANTITIES),
        settings=by_name(
            *(row for name in _CHANNELS for row in _channel_settings(name)),
            Setting(
                name="supply",
                unit="",
                about="external or parasite; to be set after each power-up",
                governs=_VOLTAGES,
            ),
        ),
        configure=configure,
        checks=by_name(*_CHECKS),
        destructive="switches loads; calibration page is never written",
        looks=looks("power_on_flags", *(f"output_{name}" for name in _CHANNELS)),
        facts="CRC-16 on pages, writes and the convert command",
    ),
)
