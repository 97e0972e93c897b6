"""Thermometers 28h, 22h and 10h.

Nine bytes of scratchpad, little endian, the last a CRC-8 of the first eight:

    28h 22h   temperature lo hi, TH, TL, configuration, FFh, x, 10h, CRC
    10h       temperature lo hi, TH, TL, FFh, FFh, COUNT_REMAIN, COUNT_PER_C, CRC

A right CRC proves that the bits travelled, nothing more. A block also has fixed
bits, a reading must be fresh (busy seen after the convert command), and 85 degC
with byte 6 = 0Ch is what a 28h or 22h holds until its first conversion ends.

Sources: data sheet family 28h (part DS18B20, rev 042208) p. 3-4, Table 1 and the
memory map; family 10h (part DS18S20) p. 3-4; family 22h (part DS1822) p. 4. Byte 6
of a converted block: reported by users, not in the sheets.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from harness.errors import (
    AnswerImpossible,
    ReadingImplausible,
    ReadingSuspect,
    StillBusy,
)
from harness.families.family import (
    Answer,
    Family,
    Quantity,
    Register,
    Session,
    by_name,
)
from harness.families.thermometers import (
    commands,
    own_constants,
    restarts,
    thermometry,
)
from harness.families.thermometers import settings as settings_of
from harness.families.thermometers.data_sheet_conformance import SHEET_CHECK
from harness.records import Scalar

CONVERT, READ_SCRATCHPAD = thermometry.CONVERT, thermometry.READ_SCRATCHPAD
WRITE_SCRATCHPAD = thermometry.WRITE_SCRATCHPAD
COPY_SCRATCHPAD, RECALL = thermometry.COPY_SCRATCHPAD, thermometry.RECALL
READ_SUPPLY = thermometry.READ_SUPPLY

is_parasite = thermometry.is_parasite
convert_all = thermometry.convert_all

_RANGE_DEGC = (-55.0, 125.0)

_MARK = 0x5A
"""Turned into both alarm bytes as a marker: none of them stays what it was."""


@dataclass(frozen=True, slots=True)
class ThermometerScratchpad:
    """The nine bytes of a block whose check value and fixed bits are right."""

    data: bytes
    family: int

    @property
    def has_config(self) -> bool:
        """False for family 10h, which has one fixed resolution."""
        return self.family != 0x10

    @property
    def resolution_bits(self) -> int:
        """9 to 12; family 10h converts to 9 bits and more by its counters."""
        return 9 + (self.data[4] >> 5 & 3) if self.has_config else 9

    @property
    def conversion_ms(self) -> float:
        """Longest published conversion at the block's resolution."""
        return (
            thermometry.CONVERSION_MS[self.resolution_bits]
            if self.has_config
            else 750.0
        )

    @property
    def settings(self) -> bytes:
        """TH, TL and configuration: volatile, reloaded from EEPROM at power-up."""
        return self.data[2:5] if self.has_config else self.data[2:4]

    @property
    def temperature_degc(self) -> float:
        """The reading; undefined low bits masked."""
        raw = int.from_bytes(self.data[:2], "little", signed=True)
        if self.has_config:
            return (raw & -(1 << (12 - self.resolution_bits))) / 16
        whole = raw >> 1
        remain, per_degc = self.data[6], self.data[7]
        return whole - 0.25 + (per_degc - remain) / per_degc

    @property
    def is_power_on_value(self) -> bool:
        """True for the block that a device holds until its first conversion ends.

        A true 85 degC conversion gives byte 6 = 10h on most 28h and 22h originals;
        family 10h shows the same bytes in both cases, so it is never sure.
        """
        if self.has_config:
            return self.data[:2] == b"\x50\x05" and self.data[6] == 0x0C
        return self.data[:2] == b"\xaa\x00" and self.data[6] == 0x0C

    @property
    def alarm_degc(self) -> tuple[int, int]:
        """High and low alarm thresholds, whole degrees."""
        high, low = (int.from_bytes(self.data[i : i + 1], signed=True) for i in (2, 3))
        return high, low


def read_scratchpad(session: Session) -> ThermometerScratchpad:
    """Read the block, prove it, and hold it to the device's own constants.

    Raises:
        DeviceAbsent: all ones: no device drives the line.
        AnswerImpossible: fixed bits are wrong though the CRC is right, or the block has
            other constants than the device.
        CheckValueWrong: the CRC does not match.
    """

    def read() -> bytes:
        data = session.transact(bytes([READ_SCRATCHPAD]), 9)
        return prove(data, session.rom.family).data

    data = read()
    own_constants.hold_to_own(session, data, read_again=read)
    return ThermometerScratchpad(data, session.rom.family)


def prove(data: bytes, family: int) -> ThermometerScratchpad:
    """Nine bytes as a block, or the error that says what is wrong with them."""
    shown = thermometry.prove_nine(data).hex(" ").upper()
    block = ThermometerScratchpad(data, family)
    if block.has_config and data[4] & 0x9F != 0x1F:
        raise AnswerImpossible(
            f"block {shown}: configuration {data[4]:02X}h, but its fixed bits are 0xx11111"
        )
    if not block.has_config:
        _prove_counters(data, shown)
    return block


def _prove_counters(data: bytes, shown: str) -> None:
    """The two counters of family 10h, the only constants that its block has left."""
    remain, per_degc = data[6], data[7]
    if not 0 < per_degc >= remain:
        raise AnswerImpossible(
            f"block {shown}: COUNT_REMAIN {remain:02X}h of COUNT_PER_C {per_degc:02X}h"
        )
    if per_degc == 0x20 and remain & 1:
        # The common COUNT_PER_C moved on by one bit, and a 1 of byte 5 behind it.
        raise AnswerImpossible(
            f"block {shown}: COUNT_PER_C is 20h, which one slipped slot makes of 10h",
            hint="repeat; if it goes a slot was slipped: look at edges and noise",
        )


# -- supply and conversion ----------------------------------------------------


def convert(session: Session) -> float | None:
    """One conversion, waited for; the time it took in ms, None where it cannot be seen.

    With its own supply the device shows busy (0) right after the command: not seen
    means not heard, and the old value would pass for a new one, so the command is
    sent again. A parasite-fed device cannot be asked while it converts: the line
    idles for the longest published time.

    Raises:
        DeviceAbsent: three commands and busy was never seen.
        StillBusy: not finished in the published time.
    """
    block = read_scratchpad(session)
    longest_ms = block.conversion_ms
    session.memory["settings"] = block.settings
    session.memory["fixed_time_of_ms"] = None
    polls = thermometry.Polls()
    took_ms = thermometry.convert(
        session,
        longest_ms,
        polls=polls,
        patience_ms=max(thermometry.CONVERSION_MS.values()),
    )
    if took_ms is not None and thermometry.is_late(polls.busy_ms, longest_ms):
        _require_fixed_time(took_ms, longest_ms)
        session.memory["fixed_time_of_ms"] = longest_ms
    return took_ms


_FIXED_TIME = 2.0
"""From so many times the published longest on, a conversion takes its time whatever the
resolution: a supply that stretches conversions by a third already spoils their values,
and one a little weaker lets none begin (bench report on resistance in the supply lead)."""


def _require_fixed_time(took_ms: float, longest_ms: float) -> None:
    """Let a late conversion pass where its lateness is the make of the device.

    Clones are reported that take as long at 9 bit as at 12, such as 519 ms.

    Raises:
        StillBusy: it is late as with a weak supply.
    """
    if took_ms < _FIXED_TIME * longest_ms:
        raise StillBusy(
            f"converted in {took_ms:.0f} ms, published longest {longest_ms:g} ms"
        )


def _read_value(session: Session) -> Answer:
    block = read_scratchpad(session)
    shown = block.data.hex(" ").upper()
    if block.is_power_on_value:
        if session.memory.get("marker") == block.settings:
            raise ReadingSuspect(
                "held back: 85 degC as at power-up, but the marker in the alarm bytes is "
                "kept: a true 85 degC of a clone, or a conversion that never began"
            )
        raise ReadingImplausible(
            f"85 degC is the power-on value: no conversion has ended since power-up (block {shown})"
        )
    value = block.temperature_degc
    low, high = _RANGE_DEGC
    if not low <= value <= high:
        raise ReadingImplausible(
            f"{value:.4f} degC is outside the device's range of {low:g} to {high:g} degC "
            f"(block {shown})"
        )
    thermometry.accept_temperature(session, value)
    return Answer(value=value, evidence={"block": shown})


def _temperature(session: Session) -> Answer:
    took_ms = convert(session)
    _prove_settings_kept(session)
    answer = _read_value(session)
    if took_ms is None:
        return answer
    answer.evidence["conversion_ms"] = round(took_ms, 3)
    if longest_ms := session.memory["fixed_time_of_ms"]:
        note = (
            f"converts in {took_ms:.0f} ms whatever the resolution, published longest "
            f"{longest_ms:g} ms: it does not behave as its data sheet says"
        )
        return replace(answer, notes=(note,))
    return answer


def _prove_settings_kept(session: Session) -> None:
    """Settings as before the conversion: a restart reloads the stored ones.

    Raises:
        ReadingImplausible: they went back, so the device restarted meanwhile.
    """
    before = session.memory["settings"]
    thermometry.require_settings_kept(before, read_scratchpad(session).settings)


def _temperature_restart_checked(session: Session) -> Answer:
    """As ``_temperature``, with a marker in the volatile alarm bytes meanwhile.

    A restart wipes it out even where the stored settings equal those in use. Source:
    public mailing-list advice on telling a restart from a true 85 degC.
    """
    kept = read_scratchpad(session).settings
    marker = bytes([kept[0] ^ _MARK, kept[1] ^ _MARK]) + kept[2:]
    part = _part(session.rom.family)
    settings_of.write_settings(session, part, marker, "after marking")
    session.memory["marker"] = marker
    try:
        answer = _temperature(session)
    finally:
        session.memory.pop("marker")
        session.transact(bytes([WRITE_SCRATCHPAD]) + kept)
    settings_of.require_settings(session, part, kept, "after taking the marker away")
    answer.evidence["marker"] = marker.hex(" ").upper()
    return answer


def _conversion_time(session: Session) -> Answer:
    return thermometry.seen_conversion(session, read_scratchpad(session).conversion_ms)


# -- settings -----------------------------------------------------------------


def _alarm_high(session: Session) -> Answer:
    return Answer(value=read_scratchpad(session).alarm_degc[0])


def _alarm_low(session: Session) -> Answer:
    return Answer(value=read_scratchpad(session).alarm_degc[1])


def _resolution(session: Session) -> Answer:
    return Answer(value=read_scratchpad(session).resolution_bits)


def _part(family: int) -> settings_of.Adjustable:
    """What there is to set: 10h has no configuration byte."""
    return settings_of.Adjustable(
        read=lambda session: read_scratchpad(session).data,
        has_resolution=family != 0x10,
    )


def configure(session: Session, settings: Mapping[str, Scalar], store: bool) -> Answer:
    """As ``settings_of.configure``."""
    return settings_of.configure(session, _part(session.rom.family), settings, store)


# -- rows ---------------------------------------------------------------------

_COMMON = (
    Quantity(
        name="temperature",
        unit="degC",
        read=_temperature,
        reread=_read_value,
        about="one conversion, then the reading; fresh: false reads what a common conversion left",
    ),
    Quantity(
        name="temperature_restart_checked",
        unit="degC",
        read=_temperature_restart_checked,
        about="as temperature, with a marker in the volatile alarm bytes that a restart "
        "would wipe out",
    ),
    Quantity(
        name="conversion_time",
        unit="ms",
        read=_conversion_time,
        about="time of one conversion, seen by polling (external supply only)",
    ),
    Quantity(
        name="power_supply",
        unit="",
        read=thermometry.supply,
        about="external or parasite, as the device says",
    ),
    Quantity(name="alarm_high", unit="degC", read=_alarm_high, about="high threshold"),
    Quantity(name="alarm_low", unit="degC", read=_alarm_low, about="low threshold"),
)
_RESOLUTION = Quantity(
    name="resolution",
    unit="bit",
    read=_resolution,
    about="resolution in the configuration byte",
)


def _register(code: int) -> Register:
    """TH and TL, and the resolution bits where there are any."""
    mask = b"\xff\xff" if code == 0x10 else b"\xff\xff\x60"
    return Register(
        write=bytes([WRITE_SCRATCHPAD]),
        read=bytes([READ_SCRATCHPAD]),
        block=9,
        offset=2,
        size=len(mask),
        mask=mask,
        prove=lambda block: prove(block, code),
    )


def _thermometer(code: int, name: str, parts: str) -> Family:
    fixed = code == 0x10
    return Family(
        code=code,
        name=name,
        device_class="thermometer",
        typical_parts=parts,
        quantities=by_name(*_COMMON, *(() if fixed else (_RESOLUTION,))),
        settings=by_name(
            *settings_of.ALARM_SETTINGS,
            *(() if fixed else (settings_of.RESOLUTION_SETTING,)),
        ),
        configure=configure,
        checks=by_name(*(() if fixed else (SHEET_CHECK,))),
        convert_all=convert_all,
        register=_register(code),
        commands=commands.WITH_COUNTERS if fixed else commands.PLAIN,
        restarts=restarts.WITH_COUNTERS if fixed else restarts.PLAIN,
    )


FAMILIES = (
    _thermometer(
        0x28, "thermometer, 9 to 12 bit", "DS18B20, DS18B20-PAR, DS18B20X, MAX31820"
    ),
    _thermometer(0x22, "thermometer, 9 to 12 bit, wider error", "DS1822, DS1822-PAR"),
    _thermometer(0x10, "thermometer, 9 bit with counters", "DS18S20, DS1820, DS1920"),
)
