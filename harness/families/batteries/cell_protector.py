"""Protector and gauge of a lithium cell: 30h.

    00h protection: b7 over-voltage, b6 under-voltage, b5 charge over-current, b4
        discharge over-current (latched, cleared by the host), b3 b2 state of the two
        output pins, b1 charge enabled, b0 discharge enabled
    01h status, loaded from EEPROM 31h    07h locks    08h special features
    0Ch voltage, 4.88 mV    0Eh current, 15.625 uV    10h account, 6.25 uVh
    18h temperature, 0.125 degC    20h-2Fh user EEPROM    30h-3Fh EEPROM of the settings

The thresholds are fixed by ordering code, so ``cell_protection`` takes them from the
plan. Block 30h is read and locked here, never written: recalling it after a write
would switch the outputs. With the sense resistor inside, 15.625 uV is 0.625 mA.

Sources: data sheets family 30h (parts DS2760 p. 7 and 11, DS2761 p. 8, 11-12 and 22-23,
DS2762 p. 5, 12, 15-16); bits of 01h, 07h and 08h: from memory.
"""

from __future__ import annotations

from collections.abc import Mapping

from harness.errors import AnswerImpossible, UsageError
from harness.families.batteries.gauge.blocks import (
    Block,
    block_checks,
)
from harness.families.batteries.gauge.quantities import (
    GAUGE_SETTINGS,
    Gauge,
    configure_gauge,
    gauge_checks,
    gauge_quantities,
)
from harness.families.batteries.gauge.registers import (
    TEMPERATURE,
    VOLTAGE,
    decode,
    quantity,
    read_registers,
    write_registers,
)
from harness.families.batteries.sense_resistor import Trim, counts_look
from harness.families.common.register_map import Field
from harness.families.common.values import on_off
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

GAUGE = Gauge(
    count_uv=15.625,
    shift=3,
    update_s=0.088,
    inner_mohm=25,
    trim=Trim(quantity="current_bias", place="register 33h", shift=0, size=1),
)
BLOCKS = (
    Block(start=0x20, size=16, lock_bit=0x01),
    Block(start=0x30, size=16, lock_bit=0x02),
)
PROTECTION_AT, DEFAULTS_AT = 0x00, 0x30
CHARGE_ENABLED, DISCHARGE_ENABLED = 0x02, 0x01
LATCHED = {
    "over_voltage": 0x80,
    "under_voltage": 0x40,
    "charge_over_current": 0x20,
    "discharge_over_current": 0x10,
}
_WRITABLE = bytes([sum(LATCHED.values()) | CHARGE_ENABLED | DISCHARGE_ENABLED])
_CELL = frozenset({Hazard.CELL_PROTECTOR})
_ENABLES = {"charge_enabled": CHARGE_ENABLED, "discharge_enabled": DISCHARGE_ENABLED}

BIAS = Field(
    name="current_bias",
    offset=0x33,
    signed=True,
    unit="counts",
    about="added to every current; from the EEPROM's shadow",
)


def _protection(session: Session) -> int:
    return read_registers(session, PROTECTION_AT, 1)[0]


def _words(register: int) -> str:
    set_flags = [
        name.replace("_", " ") for name, bit in LATCHED.items() if register & bit
    ]
    return ", ".join(set_flags) or "none"


def _faults(session: Session) -> Answer:
    register = _protection(session)
    return Answer(value=_words(register), evidence={"register": f"{register:02X}"})


def _enabled(name: str) -> Quantity:
    def read(session: Session) -> Answer:
        register = _protection(session)
        return Answer(
            value=bool(register & _ENABLES[name]),
            evidence={"register": f"{register:02X}"},
        )

    return Quantity(
        name=name, unit="", read=read, about="by the host; faults may still cut it off"
    )


def _at_power_up(session: Session) -> Answer:
    enables = read_registers(session, DEFAULTS_AT, 1)[0]
    on = [name for name, bit in _ENABLES.items() if enables & bit]
    return Answer(
        value=", ".join(on).replace("_", " ") or "both off",
        evidence={"register": f"{enables:02X}"},
    )


def _state(session: Session, options: Options) -> Findings:
    register = _protection(session)
    low_v, high_v = options.number("low_v"), options.number("high_v")
    if low_v >= high_v:
        raise UsageError(f"low_v {low_v:g} is not below high_v {high_v:g}")
    voltage_v = float(decode(session, VOLTAGE))
    return Findings(
        measurements=(
            Measurement(
                name="voltage", value=voltage_v, unit="V", low=low_v, high=high_v
            ),
            *(
                Measurement(name=name, value=bool(register & bit), wanted=False)
                for name, bit in LATCHED.items()
            ),
            *(
                Measurement(
                    name=name, value=bool(register & bit), wanted=options.truth(name)
                )
                for name, bit in _ENABLES.items()
            ),
        ),
        evidence={"register": f"{register:02X}"},
    )


def _clear(session: Session, options: Options) -> Findings:
    before = _protection(session)
    session.note("protection register before clearing", register=f"{before:02X}")
    enables = before & (CHARGE_ENABLED | DISCHARGE_ENABLED)
    session.transact(bytes([0x6C, PROTECTION_AT, enables]))
    session.clock.sleep(options.number("wait_s"))
    after = _protection(session)
    if (after ^ before) & (CHARGE_ENABLED | DISCHARGE_ENABLED):
        raise AnswerImpossible(
            f"the protection register was {before:02X}h and reads {after:02X}h: the "
            "enables are not as they were"
        )
    return Findings(
        measurements=(
            Measurement(name="faults_before", value=_words(before)),
            Measurement(name="faults", value=_words(after), wanted="none"),
        ),
        evidence={"before": f"{before:02X}", "after": f"{after:02X}"},
    )


def configure(session: Session, settings: Mapping[str, Scalar], store: bool) -> Answer:
    """Enable or cut off charge and discharge; take the resistor; set the account.

    Raises:
        UsageError: a value out of range, or ``store``: none has a place in EEPROM here.
        AnswerImpossible: the device reads back something else.
    """
    if store:
        raise UsageError(
            "this does not write what the protector starts with", hint="leave store out"
        )
    evidence = configure_gauge(GAUGE, session, settings)
    enables = {
        name: on_off(name, settings[name]) for name in _ENABLES if name in settings
    }
    if enables:
        register = _protection(session)
        session.note("protection register before writing", register=f"{register:02X}")
        for name, on in enables.items():
            bit = _ENABLES[name]
            register = register | bit if on else register & ~bit
        register &= _WRITABLE[0]
        write_registers(
            session, PROTECTION_AT, bytes([register]), mask=bytes([CHARGE_ENABLED | 1])
        )
        evidence["register"] = f"{register:02X}"
    return Answer(value=", ".join(settings), evidence=evidence)


_QUANTITIES, _CHECKS = block_checks(BLOCKS, BLOCKS[0])

FAMILIES = (
    Family(
        code=0x30,
        name="protector and gauge of a lithium cell",
        device_class="battery",
        typical_parts="DS2760, DS2761, DS2762",
        quantities=by_name(
            quantity(VOLTAGE),
            quantity(TEMPERATURE),
            *gauge_quantities(GAUGE),
            quantity(BIAS),
            Quantity(
                name="protection_faults",
                unit="",
                read=_faults,
                about="what the protector latched, or none",
            ),
            *(_enabled(name) for name in _ENABLES),
            Quantity(
                name="enabled_at_power_up",
                unit="",
                read=_at_power_up,
                about="what EEPROM 30h enables when power comes",
            ),
            *_QUANTITIES,
        ),
        settings=by_name(
            *GAUGE_SETTINGS,
            Setting(name="charge_enabled", unit="", about="on or off", hazards=_CELL),
            Setting(
                name="discharge_enabled",
                unit="",
                about="on or off; off cuts off whatever the cell feeds",
                hazards=_CELL,
            ),
        ),
        configure=configure,
        checks=by_name(
            Check(
                name="cell_protection",
                about="voltage within limits, no fault latched, enables as wanted",
                run=_state,
                options=by_name(
                    Option(
                        name="low_v",
                        kind=OptionKind.NUMBER,
                        about="under-voltage threshold (about 2.6 V, from memory)",
                        default=2.6,
                    ),
                    Option(
                        name="high_v",
                        kind=OptionKind.NUMBER,
                        about="over-voltage threshold of the ordering code",
                        default=4.275,
                    ),
                    *(
                        Option(
                            name=name,
                            kind=OptionKind.TRUTH,
                            about="wanted state",
                            default=True,
                        )
                        for name in _ENABLES
                    ),
                ),
            ),
            Check(
                name="protection_clear",
                about="clears latched faults; those that are still true come back",
                run=_clear,
                leaves=frozenset({"protection_faults"}),
                options=by_name(
                    Option(
                        name="wait_s",
                        kind=OptionKind.NUMBER,
                        about="for faults to come back; over-voltage takes about 1 s",
                        default=1.5,
                        low=0,
                        high=60,
                    )
                ),
                hazards=_CELL,
                expected_s=1.6,
            ),
            *gauge_checks(GAUGE),
            *_CHECKS,
        ),
        looks=(
            *looks(
                "voltage",
                "temperature",
                "protection_faults",
                "charge_enabled",
                "discharge_enabled",
                "current_bias",
            ),
            counts_look(GAUGE.sense),
        ),
        destructive="switches a lithium cell; locking a block is for ever",
        facts="no check values: read until two agree; a line low for 2 s cuts the cell off",
    ),
)
