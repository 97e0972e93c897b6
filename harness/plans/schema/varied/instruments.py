"""What a fixture says of its instruments, and the steps that set and read them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Annotated, Literal, Self

from pydantic import Field, field_validator, model_validator

from harness.instruments.row import InstrumentRow
from harness.instruments.words import (
    OPEN_ALL,
    OUTPUT,
    WORDS,
    InstrumentKind,
    SettingWords,
)
from harness.plans.schema.base import (
    HazardNames,
    Limited,
    SocketName,
    Strict,
    Word,
    complaint,
)
from harness.plans.schema.bodies import StepBody
from harness.plans.schema.references import Calibration

_ENDS = {"lf": "\n", "crlf": "\r\n", "cr": "\r"}

LimitPair = Annotated[tuple[float, float], Field(strict=False)]
SettingName = Annotated[str, Field(min_length=1, max_length=60)]

TEMPERATURE = "temperature_degc"

_ROOM_DEGC = 23.0
"""Reference temperature of calibration laboratories (common practice)."""

_CHAMBER_K = 1.0
"""How near a chamber must come where its fixture says nothing (own choice)."""

_SETTLE_S, _CHAMBER_S = 5.0, 3600.0
"""Longest waits where a fixture says nothing (own choice)."""

MUST_BE_LIMITED = {"supply": "voltage_v", "chamber": TEMPERATURE}
"""Settings that can destroy something, by kind: their limits must be written."""


class CommandWords(Strict):
    """The commands of one setting, in place of those of SCPI-99."""

    set: Word = Field(description="command, with {value} where the value stands")
    ask: Word | None = Field(default=None, description="query of the set-point")
    measure: Word | None = Field(
        default=None, description="query of what is really there"
    )

    @field_validator("set")
    @classmethod
    def _has_a_value(cls, text: str) -> str:
        try:
            told = {text.format(value=value) for value in (1.0, 2.0)}
        except (ValueError, KeyError, IndexError, AttributeError):
            told = set()
        if len(told) != 2:
            raise complaint(
                f"{text!r} sends no value",
                expected="{value} or {value:.3f} where the value stands",
            )
        return text


class InstrumentSettings(Strict):
    """An instrument of the bench, reached over VISA."""

    name: SocketName = Field(description="name that plans call it by")
    kind: Literal["supply", "multimeter", "thermometer", "chamber", "switch"] = Field(
        description="what it is; its command words follow from it, by SCPI-99"
    )
    resource: Word = Field(
        description="VISA resource name, such as TCPIP::192.0.2.7::5025::SOCKET, "
        "ASRL/dev/ttyUSB1::INSTR or USB0::0x1234::0x5678::SN1::INSTR"
    )
    library: Word = Field(
        default="@py",
        description="VISA library: @py, the path of another, or simulated",
    )
    identity: Word = Field(description="text that its answer to *IDN? must contain")
    words: dict[SettingName, CommandWords] = Field(
        default_factory=dict, description="its own commands by setting"
    )
    readings: dict[SettingName, Word] = Field(
        default_factory=dict, description="its own queries by quantity"
    )
    tripped: Annotated[tuple[Word, ...], Field(strict=False, max_length=20)] | None = (
        Field(
            default=None,
            description="queries that answer 1 once a protection has tripped; [] for none",
        )
    )
    identify: Word | None = Field(
        default=None, description="its own query of who it is, in place of *IDN?"
    )
    errors: Word | None = Field(
        default=None,
        description="its own query of the next error, in place of SYST:ERR?; *ESR? of one "
        "without an error queue",
    )
    limits: dict[SettingName, LimitPair] = Field(
        default_factory=dict,
        description="lowest and highest value by setting; nothing beyond is ever sent",
    )
    tolerance: dict[SettingName, Annotated[float, Field(gt=0)]] = Field(
        default_factory=dict,
        description="how near the measured output must come, by setting; 1 K of a "
        "chamber's temperature if not given",
    )
    settle_s: float | None = Field(
        default=None,
        ge=0,
        le=86_400,
        description="longest wait for that; 5 s if not given, an hour of a chamber",
    )
    start: dict[SettingName, float | bool] = Field(
        default_factory=dict,
        description="settings made before the adapter is proved, in this order, where "
        "the bus needs the instrument",
    )
    rest: dict[SettingName, float | bool] = Field(
        default_factory=dict,
        description="settings that it is left in at every end, in this order; a chamber "
        "is brought to 23 degC first where it does not say otherwise, and a switch opens "
        "all channels",
    )
    meter: SocketName | None = Field(
        default=None,
        description="instrument that measures its output instead of itself",
    )
    feeds: Literal["line", "other"] | None = Field(
        default=None,
        description="line: this supply feeds the bus, and what it is set to replaces "
        "line.supply_v meanwhile; needed only where there are several supplies",
    )
    timeout_s: float = Field(
        default=2.0, gt=0, le=60, description="longest wait for an answer"
    )
    ends_with: Literal["lf", "crlf", "cr"] = Field(
        default="lf", description="what ends each message"
    )
    calibration: Calibration | None = Field(
        default=None, description="certificate, where devices are compared with it"
    )

    @model_validator(mode="after")
    def _settings_are_known(self) -> Self:
        known = self.row.words.settings
        for key in ("limits", "tolerance", "start", "rest"):
            for name in getattr(self, key):
                if name not in known:
                    raise complaint(
                        f"{self.kind} {self.name} has no setting {name!r}",
                        expected=", ".join(known) or "no such key for this kind",
                        at=f"{key}.{name}",
                    )
        for name in self.tolerance:
            if not known[name].measure and self.meter is None:
                raise complaint(
                    f"nothing measures {name} of {self.name}",
                    expected=f"words.{name}.measure, or meter",
                    at=f"tolerance.{name}",
                )
        return self

    @model_validator(mode="after")
    def _limited(self) -> Self:
        name = MUST_BE_LIMITED.get(self.kind)
        if name is not None and name not in self.limits:
            raise complaint(
                f"{self.kind} {self.name} without limits",
                expected=f"limits: {{{name}: [lowest, highest]}}",
                at="kind",
            )
        for where in ("start", "rest"):
            for setting, value in getattr(self, where).items():
                low, high = self.limits.get(setting, (float(value), float(value)))
                if not low <= float(value) <= high:
                    raise complaint(
                        f"{where}: {setting} {value:g} lies outside {low:g} to {high:g}",
                        expected="a value within its limits",
                        at=f"{where}.{setting}",
                    )
        return self

    @model_validator(mode="after")
    def _rests(self) -> Self:
        if OUTPUT in self.row.words.settings and OUTPUT not in self.rest:
            raise complaint(
                f"{self.kind} {self.name} without a rest state",
                expected="rest: {output: false}, or what it must be left in",
                at="kind",
            )
        return self

    @property
    def _tolerances(self) -> dict[str, float]:
        own = self.words.get(TEMPERATURE)
        is_measured = own is None or own.measure or self.meter
        if self.kind == "chamber" and is_measured:
            return {TEMPERATURE: _CHAMBER_K, **self.tolerance}
        return self.tolerance

    @property
    def _longest_s(self) -> float:
        if self.settle_s is not None:
            return self.settle_s
        return _CHAMBER_S if self.kind == "chamber" else _SETTLE_S

    @property
    def _at_rest(self) -> dict[str, float | bool]:
        """Its rest state: a chamber warms or cools before it is off."""
        if self.kind == "switch":
            return self.rest or {OPEN_ALL: True}
        if self.kind != "chamber":
            return self.rest
        degc = self.rest.get(TEMPERATURE, _room(self.limits))
        return {
            TEMPERATURE: degc,
            **{k: v for k, v in self.rest.items() if k != TEMPERATURE},
        }

    @property
    def row(self) -> InstrumentRow:
        """The same for the room that talks to it."""
        kind = InstrumentKind(self.kind)
        own = {
            name: SettingWords(set=w.set, ask=w.ask or "", measure=w.measure or "")
            for name, w in self.words.items()
        }
        return InstrumentRow(
            name=self.name,
            kind=kind,
            resource=self.resource,
            library=self.library,
            identity=self.identity,
            words=WORDS[kind].with_own(
                own,
                self.readings,
                self.tripped,
                identify=self.identify,
                errors=self.errors,
            ),
            limits=self.limits,
            tolerance=self._tolerances,
            settle_s=self._longest_s,
            start=self.start,
            rest=self._at_rest,
            meter=self.meter or "",
            timeout_s=self.timeout_s,
            ends_with=_ENDS[self.ends_with],
        )


def _room(limits: Mapping[str, tuple[float, float]]) -> float:
    """The temperature of a room, as near as the limits let a chamber come to it."""
    low, high = limits.get(TEMPERATURE, (_ROOM_DEGC, _ROOM_DEGC))
    return min(max(_ROOM_DEGC, low), high)


def feeding_line(instruments: Iterable[InstrumentSettings]) -> str:
    """Name of the supply that feeds the bus; empty if none is known to.

    The one that says so; or the only one, unless it says otherwise.
    """
    supplies = [each for each in instruments if each.kind == "supply"]
    named = [each for each in supplies if each.feeds == "line"]
    if not named and len(supplies) == 1:
        named = [each for each in supplies if each.feeds is None]
    return named[0].name if named else ""


def require_together(
    instruments: tuple[InstrumentSettings, ...], bears_v: float | None
) -> None:
    """Insist on names given once, meters that exist, and voltages that are borne."""
    seen: set[str] = set()
    names = {each.name for each in instruments}
    for index, each in enumerate(instruments):
        if each.name in seen:
            raise complaint(
                f"two instruments are named {each.name!r}",
                expected="each name once",
                at=f"{index}.name",
            )
        seen.add(each.name)
        if each.feeds == "line" and feeding_line(instruments) != each.name:
            raise complaint(
                f"{each.name} feeds the line"
                + (", as another supply does" if each.kind == "supply" else ""),
                expected="feeds: line at one supply",
                at=f"{index}.feeds",
            )
        if each.meter is not None and each.meter not in names - {each.name}:
            raise complaint(
                f"{each.name} is measured by {each.meter!r}, which is no other instrument",
                expected="the name of another instrument",
                at=f"{index}.meter",
            )
        if each.kind == "supply":
            _require_borne(each, bears_v, index)


def _require_borne(
    supply: InstrumentSettings, bears_v: float | None, index: int
) -> None:
    """Insist that the adapter bears the highest voltage of a supply."""
    if bears_v is None:
        raise complaint(
            f"supply {supply.name}, and nothing says what the adapter's pins bear",
            expected="adapter.bears_v, from the data sheet of its chip",
            at=f"{index}.kind",
        )
    highest_v = supply.limits["voltage_v"][1]
    if highest_v > bears_v:
        raise complaint(
            f"supply {supply.name} may go to {highest_v:g} V, and the adapter bears "
            f"{bears_v:g} V",
            expected=f"limits.voltage_v up to {bears_v:g}",
            at=f"{index}.limits.voltage_v",
        )


class SetsConditions(StepBody):
    """A step that sets what devices are exposed to."""

    hazard: HazardNames = Field(
        default=(),
        description="hazards of these settings that the plan takes on; the command "
        "line must allow them too",
    )
    outside_range: Literal["show", "judge"] = Field(
        default="show",
        description="show: outside of a kind's operating range its values are shown and "
        "not judged; judge: they are judged there too",
    )


class Adjust(SetsConditions):
    """Settings of an instrument: sent, read back, and its output measured."""

    instrument: SocketName = Field(description="name of the instrument")
    to: Annotated[dict[SettingName, float | bool], Field(min_length=1)] = Field(
        description="settings and values, in this order, such as {voltage_v: 3.3}"
    )


class Meter(StepBody, Limited):
    """One reading of an instrument, and its limits."""

    instrument: SocketName = Field(description="name of the instrument")
    quantity: SettingName = Field(description="what it reads, such as current_a")
    during: Literal["rest", "conversion"] = Field(
        default="rest",
        description="conversion: while all thermometers convert together, or in a "
        "for_each its device; what it reads before is shown, and the difference for "
        "each device",
    )
    devices: Annotated[int, Field(ge=1, le=1000)] | None = Field(
        default=None,
        description="with during: conversion, how many thermometers convert together, "
        "the first ones in the fixture's order; all of them if not given",
    )

    @model_validator(mode="after")
    def _devices_convert(self) -> Self:
        if self.devices is not None and self.during != "conversion":
            raise complaint(
                "devices without a conversion",
                expected="during: conversion beside it, or no devices",
                at="devices",
            )
        return self


UNITS = {"_v": "V", "_a": "A", "_ohm": "ohm", "_degc": "degC"}
"""Units by the end of a setting's or quantity's name."""


def unit_of_name(name: str) -> str:
    """Unit that stands in the name of a setting or quantity; empty if none."""
    return next((unit for end, unit in UNITS.items() if name.endswith(end)), "")
