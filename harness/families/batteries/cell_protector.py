"""Protector and gauge of a lithium cell: 30h.

    00h protection: b7 over-voltage, b6 under-voltage, b5 charge over-current, b4
        discharge over-current (latched, cleared by the host), b3 b2 state of the two
        output pins, b1 charge enabled, b0 discharge enabled
    01h status, loaded from EEPROM 31h    08h special features
    20h-2Fh user EEPROM    30h-3Fh EEPROM of the settings; the rest as in ``gauge``

The thresholds are fixed by ordering code, so ``cell_protection`` takes them from the
plan. Block 30h is read and locked here, never written: recalling it after a write
would switch the outputs. With the sense resistor inside, 15.625 uV is 0.625 mA.

Sources: data sheets DS2760 p. 7 and 11, DS2761 p. 8, 11-12 and 22-23, DS2762 p. 5, 12
and 15-16; bits of 01h and 08h: from memory.
"""

from __future__ import annotations

from functools import partial

from harness.errors import AnswerImpossible, UsageError
from harness.families.batteries import commands
from harness.families.batteries.gauge import (
    BLOCKS,
    TEMPERATURE,
    VOLTAGE,
    WRITE,
    gauge,
    read_registers,
    write_registers,
)
from harness.families.common.register_map import (
    TRUTH,
    Access,
    Field,
    as_hex,
    flag_words,
)
from harness.families.family import (
    Check,
    Family,
    Findings,
    Hazard,
    Option,
    Options,
    Session,
    by_name,
)
from harness.families.kind_facts import Trim
from harness.records import Measurement

_PROTECTION_AT, _DEFAULTS_AT = 0x00, 0x30
_CHARGE_ENABLED, _DISCHARGE_ENABLED = 0x02, 0x01
_ENABLED = _CHARGE_ENABLED | _DISCHARGE_ENABLED
_LATCHED = {
    "over_voltage": 0x80,
    "under_voltage": 0x40,
    "charge_over_current": 0x20,
    "discharge_over_current": 0x10,
}
_PINS = 0x0C
_CELL = frozenset({Hazard.CELL_PROTECTOR})

_protection = partial(
    Field, block=_PROTECTION_AT, evidence=as_hex("register"), safe=True
)
_enable = partial(
    _protection, bits=1, codes=TRUTH, access=Access.READ_WRITE, hazards=_CELL
)

_FAULTS = _protection(
    name="protection_faults", about="what the protector latched, or none",
    shift=4, codes=flag_words(
        {"over voltage": 3, "under voltage": 2, "charge over current": 1, "discharge over current": 0}
    ),
)  # fmt: skip
_ENABLES = (
    _enable(
        name="charge_enabled", about="by the host; faults may still cut it off", shift=1
    ),
    _enable(
        name="discharge_enabled",
        about="by the host; faults may still cut it off; off cuts off whatever the cell "
        "feeds",
    ),
)


def _read_protection(session: Session) -> bytes:
    return read_registers(session, _PROTECTION_AT, 1)


def _write_protection(session: Session, before: bytes, after: bytes) -> None:
    session.note("protection register before writing", register=before.hex().upper())
    register = bytes([after[0] & ~_PINS])
    write_registers(session, _PROTECTION_AT, register, mask=bytes([_ENABLED]))


# -- checks ------------------------------------------------------------------------


def _state(session: Session, options: Options) -> Findings:
    block = _read_protection(session)
    low_v, high_v = options.number("low_v"), options.number("high_v")
    if low_v >= high_v:
        raise UsageError(f"low_v {low_v:g} is not below high_v {high_v:g}")
    volts = VOLTAGE.number(read_registers(session, VOLTAGE.block, VOLTAGE.count))
    return Findings(
        measurements=(
            Measurement(name="voltage", value=volts, unit="V", low=low_v, high=high_v),
            *(
                Measurement(name=name, value=bool(block[0] & bit), wanted=False)
                for name, bit in _LATCHED.items()
            ),
            *(
                Measurement(
                    name=row.name,
                    value=row.decode(block),
                    wanted=options.truth(row.name),
                )
                for row in _ENABLES
            ),
        ),
        evidence={"register": block.hex().upper()},
    )


def _clear(session: Session, options: Options) -> Findings:
    before = _read_protection(session)
    session.note("protection register before clearing", register=before.hex().upper())
    session.transact(bytes([WRITE, _PROTECTION_AT, before[0] & _ENABLED]))
    session.clock.sleep(options.number("wait_s"))
    after = _read_protection(session)
    if (after[0] ^ before[0]) & _ENABLED:
        raise AnswerImpossible(
            f"the protection register was {before[0]:02X}h and reads {after[0]:02X}h: the "
            "enables are not as they were"
        )
    return Findings(
        measurements=(
            Measurement(name="faults_before", value=_FAULTS.decode(before)),
            Measurement(name="faults", value=_FAULTS.decode(after), wanted="none"),
        ),
        evidence={"before": before.hex().upper(), "after": after.hex().upper()},
    )


_CHECKS = (
    Check(
        name="cell_protection",
        about="voltage within limits, no fault latched, enables as wanted",
        run=_state,
        options=by_name(
            Option.number(
                "low_v",
                "under-voltage threshold (about 2.6 V, from memory)",
                default=2.6,
            ),
            Option.number(
                "high_v", "over-voltage threshold of the ordering code", default=4.275
            ),
            *(Option.truth(row.name, "wanted state", default=True) for row in _ENABLES),
        ),
    ),
    Check(
        name="protection_clear",
        about="clears latched faults; those that are still true come back",
        run=_clear,
        leaves=frozenset({"protection_faults"}),
        options=by_name(
            Option.number(
                "wait_s",
                "for faults to come back; over-voltage takes about 1 s",
                default=1.5,
                low=0,
                high=60,
            )
        ),
        hazards=_CELL,
        expected_s=1.6,
    ),
)

FAMILIES = (
    gauge(
        Family(
            code=0x30, name="protector and gauge of a lithium cell", device_class="battery",
            typical_parts="DS2760, DS2761, DS2762",
            commands=commands.GAUGE,
            restarts=commands.PROTECTOR_RESTARTS,
            destructive="switches a lithium cell; locking a block is for ever",
            facts="no check values: read until two agree; a line low for 2 s cuts the cell off",
        ),
        count_uv=15.625,
        shift=3,
        update_s=0.088,
        inner_mohm=25,
        trim=Trim(quantity="current_bias", place="register 33h", shift=0, size=1),
        rows=(
            VOLTAGE,
            TEMPERATURE,
            Field(
                name="current_bias", about="added to every current; from the EEPROM's shadow",
                block=0x33, signed=True, unit="counts", safe=True,
            ),
            _FAULTS,
            *_ENABLES,
            Field(
                name="enabled_at_power_up", about="what EEPROM 30h enables when power comes",
                block=_DEFAULTS_AT, bits=2, evidence=as_hex("register"),
                codes={0: "both off", 1: "discharge enabled", 2: "charge enabled",
                       3: "charge enabled, discharge enabled"},
            ),
        ),
        writes={_PROTECTION_AT: _write_protection},
        blocks=BLOCKS,
        checks=_CHECKS,
    ),
)  # fmt: skip
