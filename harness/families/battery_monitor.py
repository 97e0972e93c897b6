"""Battery monitor: 26h.

    B8h page   memory to scratchpad       BEh page   scratchpad, 8 bytes and CRC-8
    4Eh page   write scratchpad           48h page   copy it to memory, 10 ms
    44h        convert temperature        B4h        convert voltage

    page 0  configuration, temperature, voltage, current, threshold
    page 1  elapsed time, charge account (ICA), offset
    page 2  times of disconnection and of the end of charge
    3 to 7  40 user bytes; the last four count all charge and discharge while CA is on

What is written takes effect by the copy only, which writes EEPROM cells. A copy of page
1 sets elapsed time and account to what was recalled some milliseconds before.

Sources: data sheet family 26h (part DS2438) p. 6-10, 16 and 21; bit order of the
configuration, times of conversion and copy, and scales of temperature and voltage:
from memory; bit 3 and the default 0Fh: a user's bench report.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial

from harness.errors import AnswerImpossible, ReadingImplausible, StillBusy, UsageError
from harness.families.family import (
    Answer,
    Check,
    Family,
    Findings,
    Hazard,
    Options,
    Quantity,
    Session,
    Setting,
    by_name,
    looks,
)
from harness.families.shapes.answers import require_crc8, shown
from harness.families.shapes.battery import (
    MOST_COUNTS,
    READINGS,
    SENSE,
    CurrentSense,
    Trim,
    charge_check,
    counts_look,
    counts_quantity,
    mean_counts,
    offset_check,
    offset_values,
    remember_sense,
)
from harness.families.shapes.memory import Memory, memory_checks
from harness.families.shapes.registers import Field
from harness.families.shapes.values import on_off
from harness.records import Measurement, Scalar

RECALL, READ, WRITE, COPY = 0xB8, 0xBE, 0x4E, 0x48
CONVERT_TEMPERATURE, CONVERT_VOLTAGE = 0x44, 0xB4
IAD, CA, EE, AD = 0x01, 0x02, 0x04, 0x08
BUSY_TEMPERATURE, BUSY_MEMORY, BUSY_VOLTAGE = 0x10, 0x20, 0x40
PAGE_BYTES, USER_PAGE, USER_BYTES = 8, 3, 40

COPY_S = 0.010
_CONVERT_S = 0.010
_CONVERT_TRIES = 5

TEMPERATURE = Field(
    name="temperature", offset=1, count=2, scale=1 / 256, signed=True, unit="degC"
)
VOLTAGE = Field(name="voltage", offset=3, count=2, scale=0.01, unit="V")
CURRENT = Field(name="current", offset=5, count=2, signed=True)
OFFSET = Field(name="offset", offset=5, count=2, shift=3, signed=True)
ACCOUNT_UVH = 1e6 / 2048
TOTAL_UVH = 1e6 / 64

_THRESHOLDS = {0: 0x00, 2: 0x40, 4: 0x80, 8: 0xC0}
_INPUTS = {"supply": AD, "input": 0}
_BITS = {"current_converter": IAD, "accumulators": CA, "shadow": EE}


# -- pages -------------------------------------------------------------------------


def read_page(session: Session, page: int) -> bytes:
    """Memory of a page, by way of the scratchpad.

    Raises:
        CheckValueWrong, DeviceAbsent: as the answer says.
    """
    session.transact(bytes([RECALL, page]))
    return read_pad(session, page)


def read_pad(session: Session, page: int) -> bytes:
    """The scratchpad of a page.

    Raises:
        CheckValueWrong, DeviceAbsent: as the answer says.
    """
    answer = session.transact(bytes([READ, page]), PAGE_BYTES + 1)
    block = require_crc8(b"", answer, what=f"page {page}")
    if not any(block):
        # a line held low has a right check value too
        session.verify()
    return block


def write_page(
    session: Session, page: int, block: bytes, *, mask: bytes = b"\xff" * PAGE_BYTES
) -> None:
    """Write a page: scratchpad, compare, copy, recall, compare.

    Args:
        session: the device.
        page: which.
        block: all eight bytes.
        mask: bits of each byte that can be written.

    Raises:
        AnswerImpossible: scratchpad or memory read otherwise.
        StillBusy: the copy does not end.
    """
    session.transact(bytes([WRITE, page]) + block)
    _require(read_pad(session, page), block, mask, f"scratchpad of page {page}")
    session.hold_strong_pull_up(bytes([COPY, page]), COPY_S)
    if not all(session.read_bits(8)):
        raise StillBusy(f"the copy of page {page} is not done after {COPY_S:g} s")
    _require(read_page(session, page), block, mask, f"page {page} after the copy")


def _require(got: bytes, wanted: bytes, mask: bytes, what: str) -> None:
    if any((a ^ b) & m for a, b, m in zip(got, wanted, mask, strict=True)):
        raise AnswerImpossible(
            f"{what} reads {shown(got)}, written was {shown(wanted)}",
            hint="the device did not take it: look at noise and supply, then repeat",
        )


# -- measuring ---------------------------------------------------------------------


def _convert(session: Session, command: int, busy: int, what: str) -> bytes:
    """Convert, wait, and give page 0."""
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


def _temperature(session: Session) -> Answer:
    block = _convert(session, CONVERT_TEMPERATURE, BUSY_TEMPERATURE, "temperature")
    value = float(TEMPERATURE.decode(block))
    if block[1] & 0x07:
        raise AnswerImpossible(
            f"temperature bytes {shown(block[1:3])} have low bits that are never set"
        )
    if not -55 <= value <= 125:
        raise ReadingImplausible(f"{value:g} degC is outside -55 to 125")
    return Answer(value=value, evidence={"page": shown(block)})


def _voltage(session: Session) -> Answer:
    block = _convert(session, CONVERT_VOLTAGE, BUSY_VOLTAGE, "voltage")
    if block[4] & 0xFC:
        raise AnswerImpossible(
            f"voltage bytes {shown(block[3:5])} are more than ten bits"
        )
    source = "supply" if block[0] & AD else "input"
    return Answer(
        value=VOLTAGE.decode(block), evidence={"page": shown(block), "of": source}
    )


def _counts(session: Session) -> int:
    block = read_page(session, 0)
    counts = int(CURRENT.decode(block))
    if not block[0] & IAD:
        raise ReadingImplausible(
            "the current converter is off, the register holds an old value",
            hint="configure current_converter: on",
        )
    if not -1024 <= counts < 1024:
        raise AnswerImpossible(
            f"current bytes {shown(block[5:7])} are no sign-extended eleven bits"
        )
    return counts


_SENSE = CurrentSense(
    read_counts=_counts,
    count_uv=1e6 / 4096,
    update_s=0.0275,
    trim=Trim(quantity="offset_trim", place="page 1, bytes 5 and 6", shift=3, size=2),
)


def _current(session: Session) -> Answer:
    counts = _counts(session)
    return Answer(value=_SENSE.ampere(session, counts), evidence={"counts": counts})


def _ah(session: Session, raw: int, step_uvh: float) -> float:
    return raw * step_uvh / 1000 / _SENSE.sense_mohm(session)


def _account(session: Session) -> Answer:
    block = read_page(session, 1)
    return Answer(
        value=_ah(session, block[4], ACCOUNT_UVH), evidence={"page": shown(block)}
    )


def _total(place: int, session: Session) -> Answer:
    block = read_page(session, 7)
    raw = int.from_bytes(block[place : place + 2], "little")
    return Answer(value=_ah(session, raw, TOTAL_UVH), evidence={"page": shown(block)})


def _time(page: int, place: int, session: Session) -> Answer:
    block = read_page(session, page)
    return Answer(
        value=int.from_bytes(block[place : place + 4], "little"),
        evidence={"page": shown(block)},
    )


def _configuration(session: Session) -> Answer:
    block = read_page(session, 0)
    on = [name for name, bit in _BITS.items() if block[0] & bit]
    source = "supply" if block[0] & AD else "input"
    return Answer(
        value=", ".join([*on, f"voltage of {source}"]).replace("_", " "),
        evidence={"page": shown(block)},
    )


def _threshold(session: Session) -> Answer:
    block = read_page(session, 0)
    counts = next(c for c, code in _THRESHOLDS.items() if code == block[7] & 0xC0)
    return Answer(value=counts, evidence={"page": shown(block)})


# -- settings ----------------------------------------------------------------------

_PAGE_0 = bytes([IAD | CA | EE | AD, 0, 0, 0, 0, 0, 0, 0xC0])
"""Bits of page 0 that can be written."""


def configure(session: Session, settings: Mapping[str, Scalar], store: bool) -> Answer:
    """Write configuration and threshold; both go to EEPROM, whatever ``store`` says.

    The threshold is changed while the current converter is off.

    Raises:
        UsageError: a value that is none.
        AnswerImpossible: the device reads back something else.
    """
    evidence: dict[str, object] = {"stored": True}
    if "sense_mohm" in settings:
        remember_sense(session, settings["sense_mohm"])
    written = {name: v for name, v in settings.items() if name != "sense_mohm"}
    if written:
        page = read_page(session, 0)
        config, threshold = _wanted(page, written)
        if threshold != page[7]:
            _write_0(session, page[0] & ~IAD, threshold)
        _write_0(session, config, threshold)
        evidence["configuration"] = f"{config:02X} {threshold:02X}"
    return Answer(value=", ".join(settings), evidence=evidence)


def _wanted(page: bytes, settings: Mapping[str, Scalar]) -> tuple[int, int]:
    config, threshold = page[0] & _PAGE_0[0], page[7]
    for name, bit in _BITS.items():
        if name in settings:
            on = on_off(name, settings[name])
            config = config | bit if on else config & ~bit
    if "voltage_input" in settings:
        source = settings["voltage_input"]
        if source not in _INPUTS:
            raise UsageError(
                f"voltage_input is {source!r}", hint=f"one of {', '.join(_INPUTS)}"
            )
        config = config & ~AD | _INPUTS[str(source)]
    if "threshold_counts" in settings:
        counts = settings["threshold_counts"]
        if isinstance(counts, str | bool) or counts not in _THRESHOLDS:
            raise UsageError(f"threshold_counts is {counts!r}", hint="0, 2, 4 or 8")
        threshold = threshold & 0x3F | _THRESHOLDS[int(counts)]
    return config, threshold


def _write_0(session: Session, config: int, threshold: int) -> None:
    block = bytearray(read_page(session, 0))
    block[0], block[7] = config, threshold
    write_page(session, 0, bytes(block), mask=_PAGE_0)


# -- offset ------------------------------------------------------------------------


def _write_offset(session: Session, counts: int) -> None:
    """The register takes effect while the converter is off."""
    page = read_page(session, 0)
    _write_0(session, page[0] & _PAGE_0[0] & ~IAD, page[7])
    try:
        block = OFFSET.encode(read_page(session, 1), counts)
        write_page(session, 1, block, mask=bytes([0, 0, 0, 0, 0, 0xF8, 0xFF, 0]))
    finally:
        _write_0(session, page[0] & _PAGE_0[0], page[7])
    session.clock.sleep(_SENSE.update_s * 2)


def _trim(session: Session, options: Options) -> Findings:
    readings, most = options.whole("readings"), options.number("most_counts")
    before = int(OFFSET.decode(read_page(session, 1)))
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
            "trimmed": again,
            "trim_before": before,
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
    end = at + len(data)
    if end > 32 and read_page(session, 0)[0] & CA:
        raise UsageError(
            "the last user page holds the counts of charge while accumulators are on",
            hint="stay below byte 32, or configure accumulators: off",
        )
    for page in range(at // PAGE_BYTES, (end - 1) // PAGE_BYTES + 1):
        first = page * PAGE_BYTES
        block = bytearray(read_page(session, USER_PAGE + page))
        low, high = max(at, first), min(end, first + PAGE_BYTES)
        block[low - first : high - first] = data[low - at : high - at]
        write_page(session, USER_PAGE + page, bytes(block))


# -- rows --------------------------------------------------------------------------

_WEAR = frozenset({Hazard.MEMORY_WEAR})
_MEMORY = Memory(size=USER_BYTES, read=_read_user, write=_write_user, hazards=_WEAR)

_TIMES = {
    "elapsed_time": (1, 0, "since it was set"),
    "disconnection_time": (2, 0, "elapsed time at the last disconnection"),
    "charge_end_time": (2, 4, "elapsed time at the last end of charge"),
}
_TOTALS = {
    "charge_total": (4, "all that ever went in; while accumulators are on"),
    "discharge_total": (6, "all that ever went out; while accumulators are on"),
}
_SETTINGS = {
    "current_converter": "on or off",
    "accumulators": "on or off; takes the last four user bytes",
    "shadow": "on or off: totals are kept in EEPROM, which wears it",
    "voltage_input": "supply or input",
    "threshold_counts": "0, 2, 4 or 8: smaller currents are not counted",
}

FAMILIES = (
    Family(
        code=0x26,
        name="battery monitor",
        device_class="battery",
        typical_parts="DS2438, DS2438A",
        quantities=by_name(
            Quantity(
                name="temperature",
                unit="degC",
                read=_temperature,
                about="of the part, from a new conversion",
            ),
            Quantity(
                name="voltage",
                unit="V",
                read=_voltage,
                about="of supply or input, as configured; from a new conversion",
            ),
            Quantity(
                name="current",
                unit="A",
                read=_current,
                about="into the cell if positive; needs sense_mohm",
            ),
            counts_quantity(_SENSE),
            Quantity(
                name="offset_trim",
                unit="counts",
                read=lambda session: Answer(value=OFFSET.decode(read_page(session, 1))),
                about="added to every current; from the EEPROM",
            ),
            Quantity(
                name="accumulated_charge",
                unit="Ah",
                read=_account,
                about="what is left in the cell; needs sense_mohm",
            ),
            *(
                Quantity(name=name, unit="Ah", read=partial(_total, at), about=about)
                for name, (at, about) in _TOTALS.items()
            ),
            *(
                Quantity(
                    name=name, unit="s", read=partial(_time, page, at), about=about
                )
                for name, (page, at, about) in _TIMES.items()
            ),
            Quantity(
                name="configuration",
                unit="",
                read=_configuration,
                about="what is switched on, and which voltage is measured",
            ),
            Quantity(
                name="threshold_counts",
                unit="counts",
                read=_threshold,
                about="currents up to this are not counted",
            ),
        ),
        settings=by_name(
            SENSE,
            *(
                Setting(name=name, unit="", about=about, hazards=_WEAR)
                for name, about in _SETTINGS.items()
            ),
        ),
        configure=configure,
        checks=by_name(
            *memory_checks(_MEMORY),
            offset_check(_SENSE),
            Check(
                name="offset_trim",
                about="measures the offset at no current, trims it, measures again",
                run=_trim,
                options=by_name(READINGS, MOST_COUNTS),
                hazards=frozenset({Hazard.CALIBRATION, Hazard.MEMORY_WEAR}),
                expected_s=5,
            ),
            charge_check(
                lambda session: float(_current(session).value),
                lambda session: float(_account(session).value),
                lambda session: _ah(session, 1, ACCOUNT_UVH),
            ),
        ),
        looks=(
            *looks("configuration", "voltage", "temperature", "offset_trim"),
            counts_look(_SENSE),
        ),
        destructive="settings and user bytes wear cells; trimming changes the offset",
        facts="CRC-8 on every page; a line low for 2 s puts it to sleep",
    ),
)
