"""What the battery monitor measures and counts.

    44h        convert temperature        B4h        convert voltage

Current needs no command: while its converter is on, a new value comes by itself.

Sources: data sheet family 26h (part DS2438) p. 6-10, 16 and 21; times of
conversion, and scales of temperature and voltage: from memory.
"""

from __future__ import annotations

from harness.errors import AnswerImpossible, ReadingImplausible, StillBusy
from harness.families.batteries.monitor.memory import AD, IAD, read_page
from harness.families.batteries.sense_resistor import CurrentSense, Trim
from harness.families.common.answers import shown
from harness.families.common.registers import Field
from harness.families.family import Answer, Session

CONVERT_TEMPERATURE, CONVERT_VOLTAGE = 0x44, 0xB4
BUSY_TEMPERATURE, BUSY_VOLTAGE = 0x10, 0x40

_CONVERT_S = 0.010
_CONVERT_TRIES = 5

TEMPERATURE = Field(
    name="temperature", offset=1, count=2, scale=1 / 256, signed=True, unit="degC"
)
VOLTAGE = Field(name="voltage", offset=3, count=2, scale=0.01, unit="V")
CURRENT = Field(name="current", offset=5, count=2, signed=True)
ACCOUNT_UVH = 1e6 / 2048
TOTAL_UVH = 1e6 / 64


# -- conversions -------------------------------------------------------------------


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


def read_temperature(session: Session) -> Answer:
    """Temperature of the part, from a new conversion.

    Raises:
        ReadingImplausible, StillBusy: no conversion, no end of it, or out of range.
        AnswerImpossible: bits that are never set.
    """
    block = _convert(session, CONVERT_TEMPERATURE, BUSY_TEMPERATURE, "temperature")
    value = float(TEMPERATURE.decode(block))
    if block[1] & 0x07:
        raise AnswerImpossible(
            f"temperature bytes {shown(block[1:3])} have low bits that are never set"
        )
    if not -55 <= value <= 125:
        raise ReadingImplausible(f"{value:g} degC is outside -55 to 125")
    return Answer(value=value, evidence={"page": shown(block)})


def read_voltage(session: Session) -> Answer:
    """Voltage of supply or input, from a new conversion; errors likewise."""
    block = _convert(session, CONVERT_VOLTAGE, BUSY_VOLTAGE, "voltage")
    if block[4] & 0xFC:
        raise AnswerImpossible(
            f"voltage bytes {shown(block[3:5])} are more than ten bits"
        )
    source = "supply" if block[0] & AD else "input"
    return Answer(
        value=VOLTAGE.decode(block), evidence={"page": shown(block), "of": source}
    )


# -- current -----------------------------------------------------------------------


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


CURRENT_SENSE = CurrentSense(
    read_counts=_counts,
    count_uv=1e6 / 4096,
    update_s=0.0275,
    trim=Trim(quantity="offset_trim", place="page 1, bytes 5 and 6", shift=3, size=2),
)


def read_current(session: Session) -> Answer:
    """Current in amperes.

    Raises:
        UsageError: the sense resistor is not known.
        ReadingImplausible: the current converter is off.
        AnswerImpossible: no sign-extended eleven bits.
    """
    counts = _counts(session)
    return Answer(
        value=CURRENT_SENSE.ampere(session, counts), evidence={"counts": counts}
    )


# -- account and times -------------------------------------------------------------


def _ah(session: Session, raw: int, step_uvh: float) -> float:
    return raw * step_uvh / 1000 / CURRENT_SENSE.sense_mohm(session)


def account_step_ah(session: Session) -> float:
    """One step of the account."""
    return _ah(session, 1, ACCOUNT_UVH)


def read_account(session: Session) -> Answer:
    """Charge that is left in the cell, in Ah.

    Raises:
        UsageError: the sense resistor is not known.
    """
    block = read_page(session, 1)
    return Answer(
        value=_ah(session, block[4], ACCOUNT_UVH), evidence={"page": shown(block)}
    )


def read_total(place: int, session: Session) -> Answer:
    """A total of page 7, in Ah, by its place there; errors as ``read_account``."""
    block = read_page(session, 7)
    raw = int.from_bytes(block[place : place + 2], "little")
    return Answer(value=_ah(session, raw, TOTAL_UVH), evidence={"page": shown(block)})


def read_time(page: int, place: int, session: Session) -> Answer:
    """A time in seconds, by its page and its place there."""
    block = read_page(session, page)
    return Answer(
        value=int.from_bytes(block[place : place + 4], "little"),
        evidence={"page": shown(block)},
    )
