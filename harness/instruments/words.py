"""Command words of the kinds of instrument, and what of them can be set and read.

Sources, all from memory, for neither standard was at hand: IEEE 488.2-1992, 10.14
(``*IDN?``); SCPI-99, volume 2: MEASure (ch. 3), OUTPut (ch. 13), ROUTe (ch. 17),
SOURce:CURRent and SOURce:VOLTage with PROTection:TRIPped (ch. 19), SYSTem:ERRor (ch. 21).
SOURce:TEMPerature of a chamber is common practice. Words can be replaced in the fixture.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from enum import StrEnum

IDENTITY = "*IDN?"
NEXT_ERROR = "SYST:ERR?"

EVENT_STATUS = "*ESR?"
"""In place of an error queue: the event status register, empty once it is read."""

EVENT_ERRORS = 0b00111100
"""Its bits of query, device dependent, execution and command errors (IEEE 488.2-1992,
11.5.1, from memory); the others are no errors."""


class InstrumentKind(StrEnum):
    """What an instrument is."""

    SUPPLY = "supply"
    MULTIMETER = "multimeter"
    THERMOMETER = "thermometer"
    CHAMBER = "chamber"
    SWITCH = "switch"


@dataclass(frozen=True, slots=True, kw_only=True)
class SettingWords:
    """How one setting is made, asked for, and measured.

    Attributes:
        set: command with ``{value}`` in it, or one that needs none.
        ask: query of the set-point; with ``{value}`` in it, one that answers 1 if that is
            so; empty where there is none.
        measure: query of what really is at the output; empty where there is none.
        undoes: settings that are no longer in force after this one.
    """

    set: str
    ask: str = ""
    measure: str = ""
    undoes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class KindWords:
    """The words of one kind.

    Attributes:
        settings: by name; units stand in the names.
        readings: query by the quantity's name.
        tripped: queries that answer 1 while a protection has tripped.
        identify: query of its identity.
        errors: query of the next entry of its error queue, or ``*ESR?`` of one that has
            none.
    """

    settings: Mapping[str, SettingWords] = field(default_factory=dict)
    readings: Mapping[str, str] = field(default_factory=dict)
    tripped: tuple[str, ...] = ()
    identify: str = IDENTITY
    errors: str = NEXT_ERROR

    def with_own(
        self,
        settings: Mapping[str, SettingWords],
        readings: Mapping[str, str],
        tripped: tuple[str, ...] | None,
        *,
        identify: str | None = None,
        errors: str | None = None,
    ) -> KindWords:
        """The words with those of a fixture in place of the standard's."""
        return replace(
            self,
            settings={**self.settings, **settings},
            readings={**self.readings, **readings},
            tripped=self.tripped if tripped is None else tripped,
            identify=identify or self.identify,
            errors=errors or self.errors,
        )


OPEN_ALL = "open_all"
"""The setting that opens every channel of a switch, which is its rest."""

_OUTPUT = SettingWords(set="OUTP {value}", ask="OUTP?")

WORDS: dict[InstrumentKind, KindWords] = {
    InstrumentKind.SUPPLY: KindWords(
        settings={
            "voltage_v": SettingWords(
                set="VOLT {value}", ask="VOLT?", measure="MEAS:VOLT?"
            ),
            "current_limit_a": SettingWords(set="CURR {value}", ask="CURR?"),
            "output": _OUTPUT,
        },
        readings={"voltage_v": "MEAS:VOLT?", "current_a": "MEAS:CURR?"},
        tripped=("VOLT:PROT:TRIP?", "CURR:PROT:TRIP?"),
    ),
    InstrumentKind.MULTIMETER: KindWords(
        readings={
            "voltage_v": "MEAS:VOLT:DC?",
            "current_a": "MEAS:CURR:DC?",
            "resistance_ohm": "MEAS:RES?",
        }
    ),
    InstrumentKind.THERMOMETER: KindWords(
        readings={"temperature_degc": "MEAS:TEMP?"},
    ),
    InstrumentKind.CHAMBER: KindWords(
        settings={
            "temperature_degc": SettingWords(
                set="SOUR:TEMP {value}", ask="SOUR:TEMP?", measure="MEAS:TEMP?"
            ),
            "output": _OUTPUT,
        },
        readings={"temperature_degc": "MEAS:TEMP?"},
    ),
    InstrumentKind.SWITCH: KindWords(
        settings={
            "close_channel": SettingWords(
                set="ROUT:CLOS (@{value})",
                ask="ROUT:CLOS? (@{value})",
                undoes=("open_channel", OPEN_ALL),
            ),
            "open_channel": SettingWords(
                set="ROUT:OPEN (@{value})",
                ask="ROUT:OPEN? (@{value})",
                undoes=("close_channel", OPEN_ALL),
            ),
            OPEN_ALL: SettingWords(
                set="ROUT:OPEN:ALL", undoes=("close_channel", "open_channel")
            ),
        }
    ),
}
"""Words of each kind, by the standard."""

OUTPUT = "output"
"""The setting that connects an output; what is set before it is not measured."""
