"""Alarm limits and resolution of a thermometer: written, read back, stored.

Sources: data sheets family 28h (part DS18B20, rev 042208) p. 3-8 and 19; family 42h (part
DS28EA00) p. 7-12 for the alarm at or beyond a limit.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from harness.errors import AnswerImpossible
from harness.families.common.answers import shown
from harness.families.common.conditional import answered, search_check
from harness.families.common.restore import restored
from harness.families.common.values import whole
from harness.families.family import (
    ALARM_SEARCH,
    Answer,
    Check,
    Findings,
    Options,
    Session,
    Setting,
)
from harness.families.thermometers.thermometry import (
    CONVERSION_MS,
    COPY_SCRATCHPAD,
    RECALL,
    WRITE_SCRATCHPAD,
    convert,
    signed,
)
from harness.records import Scalar

_COPY_S = 0.010
"""EEPROM write time, longest (data sheet family 28h, p. 19)."""

_ALARM_DEGC = (-128, 127)

ALARM_SETTINGS = tuple(
    Setting(
        name=f"{name}_degc",
        unit="degC",
        about="whole degrees, -128 to 127",
        governs=frozenset({name, ALARM_SEARCH}),
    )
    for name in ("alarm_high", "alarm_low")
)
RESOLUTION_SETTING = Setting(
    name="resolution_bits",
    unit="bit",
    about="9, 10, 11 or 12",
    governs=frozenset(
        {"resolution", "temperature", "temperature_restart_checked", "conversion_time"}
    ),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Adjustable:
    """A thermometer with TH and TL in its block, and a configuration behind them.

    Attributes:
        read: reads and proves the block.
        has_resolution: True if byte 4 is a configuration with 9 to 12 bits.
    """

    read: Callable[[Session], bytes]
    has_resolution: bool = True

    def resolution_bits(self, block: bytes) -> int:
        """9 to 12."""
        return 9 + (block[4] >> 5 & 3)

    def longest_ms(self, block: bytes) -> float:
        """Longest published conversion at the block's resolution."""
        return CONVERSION_MS[self.resolution_bits(block)]

    def wanted(self, block: bytes, settings: Mapping[str, Scalar]) -> bytes:
        """The bytes to write: what is not set keeps the value of the block.

        Raises:
            UsageError: a value out of range.
        """
        wanted = bytes(
            whole(key, settings.get(key, signed(block[place])), *_ALARM_DEGC) & 0xFF
            for key, place in (("alarm_high_degc", 2), ("alarm_low_degc", 3))
        )
        if not self.has_resolution:
            return wanted
        bits = settings.get("resolution_bits", self.resolution_bits(block))
        # the other bits of the byte cannot be written, and some hold location pins
        code = whole("resolution_bits", bits, 9, 12) - 9
        return wanted + bytes([block[4] & ~0x60 | code << 5])


def configure(
    session: Session, part: Adjustable, settings: Mapping[str, Scalar], store: bool
) -> Answer:
    """Write settings, read them back, and store them in EEPROM if asked.

    What is not set keeps the value just read: all bytes must be written together.

    Raises:
        UsageError: a value out of range.
        AnswerImpossible: the device reads back something else.
    """
    wanted = part.wanted(part.read(session), settings)
    write_settings(session, part, wanted)
    if store:
        session.hold_strong_pull_up(bytes([COPY_SCRATCHPAD]), _COPY_S)
        session.transact(bytes([RECALL]))
        session.clock.sleep(_COPY_S)
        require_settings(session, part, wanted, "after storing and recalling")
    return Answer(value=shown(wanted), evidence={"stored": store})


def write_settings(
    session: Session, part: Adjustable, wanted: bytes, when: str = "after writing"
) -> None:
    """Write TH, TL and configuration, and prove them by reading.

    Raises:
        AnswerImpossible: the device reads back something else.
    """
    session.transact(bytes([WRITE_SCRATCHPAD]) + wanted)
    require_settings(session, part, wanted, when)


def require_settings(
    session: Session, part: Adjustable, wanted: bytes, when: str
) -> None:
    """Insist on TH, TL and configuration.

    Raises:
        AnswerImpossible: the device reads back something else.
    """
    block = part.read(session)
    got = block[2 : 2 + len(wanted)]
    if len(wanted) > 2 and got[:2] == wanted[:2] and got != wanted:
        raise AnswerImpossible(
            f"the resolution request is refused: it stays {part.resolution_bits(block)} bit; "
            f"settings read back {when} are {shown(got)}, written were {shown(wanted)}",
            hint=f"a device without stored settings: conversions go on to take up to "
            f"{part.longest_ms(block):g} ms; take the resolution out of the plan, or reject "
            "the device",
            cause="configuration",
        )
    if got != wanted:
        raise AnswerImpossible(
            f"settings read back {when} are {shown(got)}, written were {shown(wanted)}",
            hint="the device did not take the settings: check its supply, or its identity",
        )


def alarm_search_check(part: Callable[[Session], Adjustable]) -> Check:
    """The check ``conditional_search`` by the alarm limits; they come back.

    Args:
        part: the device's settings, or UsageError where it has none.
    """

    def run(session: Session, options: Options) -> Findings:
        del options
        adjustable = part(session)
        block = adjustable.read(session)
        longest_ms = adjustable.longest_ms(block)
        kept = block[2:5]
        session.note("settings before the alarm search", settings=shown(kept))
        answers = []
        with restored(
            session,
            lambda: write_settings(session, adjustable, kept),
            what="the alarm limits",
        ):
            # T >= TH or T <= TL: the first pair is always met, the second never
            for limits in (b"\x80\x80", b"\x7f\x80"):
                write_settings(session, adjustable, limits + kept[2:])
                convert(session, longest_ms)
                answers.append(session.meets_condition())
        return answered(met=answers[0], unmet=answers[1])

    return search_check(
        run,
        condition="while the temperature breaks an alarm limit (puts the limits back)",
    )
