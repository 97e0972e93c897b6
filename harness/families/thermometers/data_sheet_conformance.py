"""Does a thermometer behave as the data sheet says? Signs, each by itself.

No sign alone proves where a part comes from, and none is an accusation: each is
reported with what was seen, what the sheet or genuine parts show, and how strong the
trade takes it to be. Only published commands are sent, since others can ruin a part.

Sources: data sheet family 28h (part DS18B20) p. 3-8 for configuration, conversion times
and alarm search; a public survey text on clone 28h thermometers (C. Petrich, editions
of 9 July 2020 and 11 Nov 2024) and user dumps in its discussion, for the serial-number
pattern, byte 6 and what clones do with a write (common practice, not proof).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum

from harness.families.common.answers import shown
from harness.families.common.restore import restored
from harness.families.family import Check, Findings, Option, Options, Session, by_name
from harness.families.thermometers import thermometry
from harness.families.thermometers.thermometry import (
    CONVERSION_MS,
    READ_SCRATCHPAD,
    WRITE_SCRATCHPAD,
    prove_nine,
)
from harness.records import Measurement

_CONFIG = {9: 0x1F, 10: 0x3F, 11: 0x5F, 12: 0x7F}
_FASTEST_SHARE = 0.4
"""A conversion below this share of the longest published one is far too fast."""


class Strength(StrEnum):
    """How much the trade makes of a sign."""

    SHEET = "stated in the data sheet"
    STRONG = "strong"
    WEAK = "weak"


@dataclass(frozen=True, slots=True, kw_only=True)
class ConformanceSign:
    """One sign.

    Attributes:
        name: short name.
        strength: how much the trade makes of it.
        seen: what the device did.
        wanted: what the sheet says or genuine parts show.
        agrees: True if the two agree.
    """

    name: str
    strength: Strength
    seen: str
    wanted: str
    agrees: bool


def _block(session: Session) -> bytes:
    return prove_nine(session.transact(bytes([READ_SCRATCHPAD]), 9))


def _write(session: Session, settings: bytes) -> bytes:
    session.transact(bytes([WRITE_SCRATCHPAD]) + settings)
    return _block(session)


def _serial_pattern(session: Session) -> ConformanceSign:
    upper = session.rom.wire[5:7]
    return ConformanceSign(
        name="serial_pattern",
        strength=Strength.WEAK,
        seen=shown(upper),
        wanted="00 00",
        agrees=upper == b"\x00\x00",
    )


def _fixed_bytes(block: bytes) -> ConformanceSign:
    seen = bytes([block[5], block[7]])
    return ConformanceSign(
        name="reserved_bytes",
        strength=Strength.STRONG,
        seen=shown(seen),
        wanted="FF 10",
        agrees=seen == b"\xff\x10",
    )


def _resolutions(session: Session, block: bytes) -> Iterator[ConformanceSign]:
    """Each resolution written and read back, and what the write left of bytes 5 to 7."""
    taken, touched = [], False
    for bits, config in _CONFIG.items():
        after = _write(session, block[2:4] + bytes([config]))
        if after[4] == config:
            taken.append(str(bits))
        touched = touched or after[5:8] != block[5:8]
    yield ConformanceSign(
        name="resolutions_taken",
        strength=Strength.SHEET,
        seen=" ".join(taken) or "none",
        wanted="9 10 11 12",
        agrees=len(taken) == len(_CONFIG),
    )
    yield ConformanceSign(
        name="reserved_after_write",
        strength=Strength.STRONG,
        seen="changed" if touched else "unchanged",
        wanted="unchanged",
        agrees=not touched,
    )


def _conversions(session: Session, block: bytes) -> Iterator[ConformanceSign]:
    """Time at the coarsest and the finest resolution, and byte 6 of the result."""
    if thermometry.is_parasite(session):
        return  # cannot be asked while it converts
    for bits in (9, 12):
        _write(session, block[2:4] + bytes([_CONFIG[bits]]))
        longest_ms = CONVERSION_MS[bits]
        took_ms = thermometry.convert(session, CONVERSION_MS[12], first_look_ms=1.0)
        assert took_ms is not None
        yield ConformanceSign(
            name=f"conversion_time_{bits}_bit",
            strength=Strength.SHEET if took_ms > longest_ms else Strength.STRONG,
            seen=f"{took_ms:.0f} ms",
            wanted=f"{_FASTEST_SHARE * longest_ms:.0f} to {longest_ms:g} ms",
            agrees=_FASTEST_SHARE * longest_ms <= took_ms <= longest_ms + 25,
        )
    result = _block(session)
    wanted = 0x10 - (result[0] & 0x0F)
    yield ConformanceSign(
        name="byte_6_after_conversion",
        strength=Strength.STRONG,
        seen=f"{result[6]:02X}h",
        wanted=f"{wanted:02X}h",
        agrees=result[6] == wanted,
    )


def _alarm_search(session: Session, block: bytes) -> Iterator[ConformanceSign]:
    """Found while the temperature breaks a limit, silent while it does not."""
    answers = []
    # T >= TH is always met with the lowest TH, never with TH highest and TL lowest
    for limits in (b"\x80\x80", b"\x7f\x80"):
        _write(session, limits + block[4:5])
        thermometry.convert(session, CONVERSION_MS[12])
        answers.append(session.meets_condition())
    words = {
        (True, False): "as it should",
        (True, True): "always",
        (False, False): "never",
    }
    seen = words.get((answers[0], answers[1]), "the wrong way round")
    yield ConformanceSign(
        name="alarm_search",
        strength=Strength.SHEET,
        seen=seen,
        wanted="as it should",
        agrees=seen == "as it should",
    )


def _signs(session: Session) -> list[ConformanceSign]:
    block = _block(session)
    session.note("settings before the screening", settings=shown(block[2:5]))
    signs = [_serial_pattern(session), _fixed_bytes(block)]
    with restored(session, lambda: _write(session, block[2:5]), what="the settings"):
        signs += _resolutions(session, block)
        signs += _conversions(session, block)
        signs += _alarm_search(session, block)
    return signs


def _screen(session: Session, options: Options) -> Findings:
    signs = _signs(session)
    forgive_weak = options.truth("forgive_weak")
    counted = [
        sign
        for sign in signs
        if not sign.agrees and not (forgive_weak and sign.strength is Strength.WEAK)
    ]
    verdict = ", ".join(f"{sign.name} ({sign.strength})" for sign in counted)
    overall = Measurement(
        name="behaves_as_sheet",
        value=f"no: {verdict}" if counted else "yes",
        wanted="yes",
    )
    return Findings(
        measurements=(
            overall,
            *(Measurement(name=sign.name, value=sign.seen) for sign in signs),
        ),
        evidence={
            "signs": [
                {
                    "name": sign.name,
                    "strength": str(sign.strength),
                    "seen": sign.seen,
                    "wanted": sign.wanted,
                    "agrees": sign.agrees,
                }
                for sign in signs
            ]
        },
    )


SHEET_CHECK = Check(
    name="data_sheet_conformance",
    about="signs that the device behaves as its data sheet says; puts the settings back",
    run=_screen,
    options=by_name(
        Option.truth(
            "forgive_weak",
            "do not fail on signs that the trade takes for weak",
            default=True,
        )
    ),
    expected_s=4.0,
)
"""For thermometers with 9 to 12 bits."""
