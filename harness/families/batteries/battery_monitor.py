"""Battery monitor 26h: eight pages of registers behind a scratchpad.

    B8h page   memory to scratchpad       BEh page   scratchpad, 8 bytes and CRC-8
    4Eh page   write scratchpad           48h page   copy it to memory, 10 ms
    44h        convert temperature        B4h        convert voltage

    page 0  configuration, temperature, voltage, current, threshold
    page 1  elapsed time, remaining charge (ICA), offset
    page 2  times of disconnection and of the end of charge
    3 to 7  40 user bytes; the last four hold the totals of charge and discharge while
            the accumulators are on

A write takes effect by the copy only, which wears EEPROM cells. A copy of page 1 also
sets elapsed time and remaining charge to what was recalled some milliseconds before.
Current needs no command: while its converter is on, new values follow each other.

Sources: data sheet DS2438 (family 26h) p. 6-10, 16 and 21. From memory: bit order of the
configuration, times of conversion and copy, scales of temperature and voltage. Bit 3
and the default 0Fh of the configuration: a user's bench report.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial

from harness.errors import AnswerImpossible, ReadingImplausible, StillBusy, UsageError
from harness.families.batteries import commands
from harness.families.batteries.sense_resistor import (
    MOST_COUNTS,
    READINGS,
    SENSE,
    CurrentSense,
    charge_check,
    counts_look,
    counts_quantity,
    mean_counts,
    offset_check,
    offset_values,
    remember_sense,
)
from harness.families.common.answers import require_crc8, shown
from harness.families.common.memory import Memory, memory_checks
from harness.families.common.register_map import (
    ON_OFF,
    Access,
    Field,
    RegisterMap,
    as_hex,
    no_evidence,
)
from harness.families.family import (
    Answer,
    Check,
    Family,
    Findings,
    Hazard,
    Options,
    Session,
    by_name,
)
from harness.families.kind_facts import KindFacts, Trim, stated
from harness.records import Measurement, Scalar

RECALL, READ, WRITE, COPY = 0xB8, 0xBE, 0x4E, 0x48
CONVERT_TEMPERATURE, CONVERT_VOLTAGE = 0x44, 0xB4
IAD, CA = 0x01, 0x02
BUSY_TEMPERATURE, BUSY_VOLTAGE = 0x10, 0x40
PAGE_BYTES, USER_PAGE, USER_BYTES = 8, 3, 40

COPY_S = 0.010
_CONVERT_S = 0.010
_CONVERT_TRIES = 5

_WEAR = frozenset({Hazard.MEMORY_WEAR})
_ALL = b"\xff" * PAGE_BYTES
_WRITABLE = {
    0: bytes.fromhex("0F 000000000000 C0"),
    1: bytes.fromhex("0000000000 F8FF 00"),
}
"""Bits of pages 0 and 1 that read back as written: configuration and threshold; offset."""  # fmt: skip


# -- pages -------------------------------------------------------------------------


def read_page(session: Session, page: int) -> bytes:
    """Memory of a page, by way of the scratchpad.

    Raises:
        CheckValueWrong, DeviceAbsent: see ``require_crc8``.
    """
    session.transact(bytes([RECALL, page]))
    return _read_pad(session, page)


def _read_pad(session: Session, page: int) -> bytes:
    answer = session.transact(bytes([READ, page]), PAGE_BYTES + 1)
    block = require_crc8(b"", answer, what=f"page {page}")
    if not any(block):
        # a line held low has a right check value too
        session.verify()
    return block


def write_page(session: Session, page: int, block: bytes) -> None:
    """Write all eight bytes of a page: scratchpad, compare, copy, recall, compare.

    Raises:
        AnswerImpossible: scratchpad or memory read otherwise.
        StillBusy: the copy does not end.
    """
    session.transact(bytes([WRITE, page]) + block)
    _require(_read_pad(session, page), block, page, f"scratchpad of page {page}")
    session.hold_strong_pull_up(bytes([COPY, page]), COPY_S)
    if not all(session.read_bits(8)):
        raise StillBusy(f"the copy of page {page} is not done after {COPY_S:g} s")
    _require(read_page(session, page), block, page, f"page {page} after the copy")


def _require(got: bytes, wanted: bytes, page: int, what: str) -> None:
    mask = _WRITABLE.get(page, _ALL)
    if any((a ^ b) & m for a, b, m in zip(got, wanted, mask, strict=True)):
        raise AnswerImpossible(
            f"{what} reads {shown(got)}, written was {shown(wanted)}",
            hint="the device did not take it: look at noise and supply, then repeat",
        )


def _write_page_0(session: Session, config: int, threshold: int) -> None:
    block = bytearray(read_page(session, 0))
    block[0], block[7] = config & _WRITABLE[0][0], threshold
    write_page(session, 0, bytes(block))


def _write_settings(session: Session, _page: int, before: bytes, after: bytes) -> None:
    """The threshold is changed while the current converter is off (from memory)."""
    if after[7] != before[7]:
        _write_page_0(session, before[0] & ~IAD, after[7])
    _write_page_0(session, after[0], after[7])
    session.memory[_SELECTED] = _VOLTAGE_INPUT.decode(after)


_SELECTED = "voltage input that was written and read back"


# -- conversions -------------------------------------------------------------------


def _convert(command: int, busy: int, what: str, session: Session) -> bytes:
    """Convert, wait, and return page 0."""
    first = session.transact_bits(bytes([command]), 8)
    if all(first):
        session.verify()
        raise ReadingImplausible(
            f"the {what} conversion did not begin: no busy slot after {command:02X}h",
            hint="what the register holds is old: look at supply and noise, then repeat",
        )
    for _ in range(_CONVERT_TRIES):
        session.clock.sleep(_CONVERT_S)
        if all(session.read_bits(8)):
            break
    else:
        raise StillBusy(
            f"the {what} conversion is not done after {_CONVERT_TRIES * _CONVERT_S:g} s"
        )
    block = read_page(session, 0)
    if block[0] & busy:
        raise StillBusy(f"the {what} conversion still shows in {block[0]:02X}h")
    return block


def _convert_voltage(session: Session) -> bytes:
    """Convert the voltage; what it is of is what the selection says behind it.

    Raises:
        ReadingImplausible: it is of another pin than the one that this run selected.
    """
    block = _convert(CONVERT_VOLTAGE, BUSY_VOLTAGE, "voltage", session)
    wanted = session.memory.get(_SELECTED)
    measured = _VOLTAGE_INPUT.decode(block)
    if wanted is not None and measured != wanted:
        volts = int.from_bytes(block[3:5], "little") / 100
        raise ReadingImplausible(
            f"{volts:.2f} V is the voltage of the {measured}, not of the {wanted}: the "
            f"selection fell back, the configuration reads {block[0] & 0x0F:02X}h behind the "
            "conversion",
            hint="configure voltage_input again; if it falls back again look at the device's "
            "supply",
            cause="configuration",
        )
    return block


def _page_with_current(session: Session) -> bytes:
    block = read_page(session, 0)
    if not block[0] & IAD:
        raise ReadingImplausible(
            "the current converter is off, the register holds an old value",
            hint="configure current_converter: on",
        )
    if not -1024 <= _CURRENT.raw(block) < 1024:
        raise AnswerImpossible(
            f"current bytes {shown(block[5:7])} are no sign-extended eleven bits"
        )
    return block


# -- registers ---------------------------------------------------------------------

_SENSE = CurrentSense(
    read_counts=lambda session: _CURRENT.raw(_page_with_current(session)),
    count_uv=1e6 / 4096,
    update_s=0.0275,
    trim=Trim(quantity="offset_trim", place="page 1, bytes 5 and 6", shift=3, size=2),
)
_charge = partial(Field, unit="Ah", divisor=_SENSE.divisor)
_switch = partial(Field, bits=1, codes=ON_OFF, access=Access.WRITE, hazards=_WEAR)
_time = partial(Field, count=4, unit="s")

_CURRENT: Field = Field(
    name="current", about="into the cell if positive; needs sense_mohm",
    offset=5, count=2, signed=True, scale=_SENSE.count_uv, unit="A", divisor=_SENSE.divisor,
    read=_page_with_current,
    evidence=lambda _, page: {"counts": _CURRENT.raw(page)},
)  # fmt: skip
_OFFSET = Field(
    name="offset_trim", about="added to every current; from the EEPROM",
    block=1, offset=5, count=2, shift=3, signed=True, unit="counts", evidence=no_evidence,
    safe=True,
)  # fmt: skip
_VOLTAGE_INPUT = Field(
    name="voltage_input", shift=3, bits=1, codes={1: "supply", 0: "input"},
    access=Access.WRITE, hazards=_WEAR, governs=frozenset({"configuration", "voltage"}),
)  # fmt: skip
_CONFIGURATION: dict[int, Scalar] = {
    code: ", ".join(
        [n for bit, n in enumerate(("current converter", "accumulators", "shadow")) if code >> bit & 1]
        + [f"voltage of {_VOLTAGE_INPUT.codes[code >> 3]}"]
    )
    for code in range(16)
}  # fmt: skip

REGISTERS = RegisterMap(
    read=lambda session, row: read_page(session, row.block),
    write=_write_settings,
    evidence=as_hex("page"),
    fields=(
        Field(
            name="configuration", about="what is switched on, and which voltage is measured",
            bits=4, codes=_CONFIGURATION, safe=True,
        ),
        Field(
            name="voltage", about="of supply or input, as configured; from a new conversion",
            offset=3, count=2, zeros=0xFC00, scale=0.01, unit="V", safe=True,
            read=_convert_voltage,
            evidence=lambda _, page: {"page": shown(page), "of": _VOLTAGE_INPUT.decode(page)},
        ),
        Field(
            name="temperature", about="of the device, from a new conversion",
            offset=1, count=2, zeros=0x07, scale=1 / 256, signed=True, unit="degC", low=-55, high=125,
            read=partial(_convert, CONVERT_TEMPERATURE, BUSY_TEMPERATURE, "temperature"),
            safe=True,
        ),
        _OFFSET,
        _CURRENT,
        _charge(
            name="accumulated_charge", about="what is left in the cell; needs sense_mohm",
            block=1, offset=4, scale=1e6 / 2048,
        ),
        _charge(
            name="charge_total", about="all that ever went in; while accumulators are on",
            block=7, offset=4, count=2, scale=1e6 / 64,
        ),
        _charge(
            name="discharge_total", about="all that ever went out; while accumulators are on",
            block=7, offset=6, count=2, scale=1e6 / 64,
        ),
        _time(name="elapsed_time", about="since it was set", block=1),
        _time(name="disconnection_time", about="elapsed time at the last disconnection", block=2),
        _time(name="charge_end_time", about="elapsed time at the last end of charge", block=2, offset=4),
        _switch(
            name="current_converter",
            governs=frozenset({"configuration", "current", "current_counts", "accumulated_charge"}),
        ),
        _switch(
            name="accumulators", about="take the last four user bytes", shift=1,
            governs=frozenset({"configuration", "charge_total", "discharge_total"}),
        ),
        _switch(
            name="shadow", about="keeps totals in EEPROM, which wears it", shift=2,
            governs=frozenset({"configuration"}),
        ),
        _VOLTAGE_INPUT,
        Field(
            name="threshold_counts", about="currents up to this are not counted",
            offset=7, shift=6, unit="counts", codes={0: 0, 1: 2, 2: 4, 3: 8},
            access=Access.READ_WRITE, hazards=_WEAR,
            governs=frozenset({"configuration", "threshold_counts"}),
        ),
    ),
)  # fmt: skip


def configure(session: Session, settings: Mapping[str, Scalar], store: bool) -> Answer:
    """Write configuration and threshold; both go to EEPROM, whatever ``store`` says.

    Raises:
        UsageError: a value that is none.
        AnswerImpossible: the device reads back something else.
    """
    del store
    evidence: dict[str, object] = {"stored": True}
    if SENSE.name in settings:
        remember_sense(session, settings[SENSE.name])
    for page in REGISTERS.configure(
        session, settings, left_to_caller={SENSE.name}
    ).values():
        evidence["configuration"] = f"{page[0] & _WRITABLE[0][0]:02X} {page[7]:02X}"
    return Answer(value=", ".join(settings), evidence=evidence)


# -- offset ------------------------------------------------------------------------


def _write_offset(session: Session, counts: int) -> None:
    """Only a register written while the converter is off takes effect (DS2438)."""
    page = read_page(session, 0)
    _write_page_0(session, page[0] & ~IAD, page[7])
    try:
        write_page(session, 1, _OFFSET.put(read_page(session, 1), counts))
    finally:
        _write_page_0(session, page[0], page[7])
    session.clock.sleep(_SENSE.update_s * 2)


def _trim(session: Session, options: Options) -> Findings:
    readings, most = options.whole("readings"), options.number("most_counts")
    before = _OFFSET.raw(read_page(session, 1))
    session.note("offset before trimming", counts=before)
    _write_offset(session, 0)
    try:
        mean, counts = mean_counts(session, _SENSE, readings)
        trim = -round(mean)
    except BaseException:
        session.settle()
        _write_offset(session, before)
        raise
    _write_offset(session, trim)
    after, again = mean_counts(session, _SENSE, readings)
    return Findings(
        measurements=(
            *offset_values(session, _SENSE, after, most),
            Measurement(name="offset_before", value=mean, unit="counts"),
            Measurement(name="trim", value=trim, unit="counts"),
        ),
        evidence={
            "untrimmed": counts,
            "trim_before": before,
            **stated(KindFacts(trimmed=tuple(again))),
            **_SENSE.facts(session),
        },
    )


# -- user memory -------------------------------------------------------------------


def _read_user(session: Session, at: int, length: int) -> bytes:
    pages = range(at // PAGE_BYTES, (at + length - 1) // PAGE_BYTES + 1)
    data = b"".join(read_page(session, USER_PAGE + page) for page in pages)
    start = at % PAGE_BYTES
    return data[start : start + length]


def _write_user(session: Session, at: int, data: bytes) -> None:
    if at + len(data) > 32 and read_page(session, 0)[0] & CA:
        raise UsageError(
            "the last user page holds the counts of charge while accumulators are on",
            hint="stay below byte 32, or configure accumulators: off",
        )
    while data:
        page, place = divmod(at, PAGE_BYTES)
        piece, data = data[: PAGE_BYTES - place], data[PAGE_BYTES - place :]
        held = read_page(session, USER_PAGE + page)
        block = held[:place] + piece + held[place + len(piece) :]
        write_page(session, USER_PAGE + page, block)
        at += len(piece)


FAMILIES = (
    Family(
        code=0x26,
        name="battery monitor",
        device_class="battery",
        typical_parts="DS2438, DS2438A",
        commands=commands.MONITOR,
        restarts=commands.MONITOR_RESTARTS,
        quantities=by_name(*REGISTERS.quantities, counts_quantity(_SENSE)),
        settings=by_name(SENSE, *REGISTERS.settings),
        configure=configure,
        checks=by_name(
            *memory_checks(
                Memory(
                    size=USER_BYTES, read=_read_user, write=_write_user, hazards=_WEAR
                )
            ),
            offset_check(_SENSE),
            Check(
                name="offset_trim",
                about="measures the offset at no current, trims it, measures again",
                run=_trim,
                leaves=frozenset(
                    {"offset_trim", "current", "current_counts", "current_offset"}
                ),
                options=by_name(READINGS, MOST_COUNTS),
                hazards=frozenset({Hazard.CALIBRATION, Hazard.MEMORY_WEAR}),
                expected_s=5,
            ),
            charge_check(REGISTERS),
        ),
        looks=(*REGISTERS.looks, counts_look(_SENSE)),
        destructive="settings and user bytes wear cells; trimming changes the offset",
        facts="CRC-8 on every page; a line low for 2 s puts it to sleep",
    ),
)
