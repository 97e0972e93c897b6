"""A production lot in a few lines: how many units, how they spread, which are bad.

A fixture says what is typical and how far units spread; every unit is drawn from the
seed by itself, so a longer lot begins with the same units. What is drawn is not cut at
anybody's limits: a lot that spreads too far has bad units by itself.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from difflib import get_close_matches
from enum import StrEnum
from random import Random
from typing import Annotated, Any

from pydantic import Field, TypeAdapter, ValidationError, model_validator
from pydantic_core import ErrorDetails, PydanticCustomError

from harness.simulation.devices.registry import OfAnyKind
from harness.simulation.settings.base import StrictSettings
from harness.simulation.settings.device import DeviceSettings
from harness.simulation.settings.feed import FeedEntry, Insertion
from harness.simulation.settings.real_parts import draw_times

AnyDevice = Annotated[DeviceSettings, OfAnyKind()]
"""Settings of any device kind, distinguished by family code."""

_DEVICES: TypeAdapter[DeviceSettings] = TypeAdapter(AnyDevice)

_OF_THE_LOT = ("serial", "rom_code", "socket")
"""Keys of a device that no two units can share."""


class LotTimes(StrEnum):
    """Where the times of a unit come from that ``typical.time_base`` does not give."""

    REAL_PARTS = "real-parts"
    LIMITS = "limits"


class OddUnit(StrictSettings):
    """One unit that is not like the others, or is handled in another way."""

    unit: int = Field(ge=1, description="its place in the lot, from 1")
    differs: dict[str, Any] = Field(
        default={},
        description="keys of its device in place of what is typical or drawn",
    )
    how: Insertion = Field(
        default=Insertion.RIGHTLY, description="how it is put in, as in feed"
    )


class LotSettings(StrictSettings):
    """A lot of units with one device each; they come after what devices and feed list."""

    units: int = Field(ge=1, le=1000, description="how many")
    labels_from: str = Field(
        max_length=100,
        description="label of the first unit, such as CS-010001; its number counts up",
    )
    serials_from: int = Field(
        ge=0, lt=1 << 48, description="serial number in the first ROM code; counts up"
    )
    typical: AnyDevice = Field(
        description="the device of every unit, as under devices; serial numbers are the lot's"
    )
    spread: dict[str, Annotated[float, Field(ge=0)]] = Field(
        default={},
        description="key of typical that is a number: its standard deviation from unit "
        "to unit, normal",
    )
    time_spread: float = Field(
        default=0.0,
        ge=0,
        le=0.5,
        description="standard deviation of the factor, one a unit, on the times under "
        "typical.time_base: a chip has one oscillator",
    )
    times: LotTimes = Field(
        default=LotTimes.REAL_PARTS,
        description="times that typical.time_base does not give: real-parts draws them "
        "around those of real devices, limits anywhere within the published limits",
    )
    odd: tuple[OddUnit, ...] = Field(
        default=(), max_length=1000, description="units that are not like the others"
    )
    again_unless_passed: bool = Field(
        default=True,
        description="a unit that did not pass is put in once more, at once",
    )

    @model_validator(mode="after")
    def _numbers_suffice(self) -> LotSettings:
        found = re.search(r"[0-9]+$", self.labels_from)
        if found is None:
            raise _refusal(
                f"label {self.labels_from!r} has no number to count up",
                expected="digits at its end, such as CS-010001",
                at="labels_from",
            )
        if len(str(int(found.group()) + self.units - 1)) > len(found.group()):
            raise _refusal(
                f"{self.units} labels from {self.labels_from!r} on need more digits",
                expected="a number with leading zeros",
                at="labels_from",
            )
        if self.serials_from + self.units > 1 << 48:
            raise _refusal(
                "the serial numbers end above 48 bit",
                expected="a lower first one",
                at="serials_from",
            )
        return self

    @model_validator(mode="after")
    def _no_two_units_alike(self) -> LotSettings:
        for key in _OF_THE_LOT:
            if key in self.typical.model_fields_set:
                raise _refusal(
                    f"{key} cannot be typical of a lot",
                    expected="serials_from for the whole lot, or serial where one unit differs",
                    at=f"typical.{key}",
                )
        return self

    @model_validator(mode="after")
    def _spread_keys_are_numbers(self) -> LotSettings:
        fields = type(self.typical).model_fields
        numbers = [
            key
            for key, value in self.typical.model_dump().items()
            if value is not None and fields[key].annotation in (float, float | None)
        ]
        for key in self.spread:
            if key not in numbers:
                nearest = get_close_matches(key, numbers, n=1, cutoff=0.0)[0]
                raise _refusal(
                    f"{key!r} cannot spread: typical gives no number for it",
                    expected=f"one of {', '.join(sorted(numbers))}",
                    nearest=nearest,
                    at=f"spread.{key}",
                )
        return self

    @model_validator(mode="after")
    def _odd_units_are_in_the_lot(self) -> LotSettings:
        seen: set[int] = set()
        for index, odd in enumerate(self.odd):
            if odd.unit > self.units or odd.unit in seen:
                problem = "twice under odd" if odd.unit in seen else "not in the lot"
                raise _refusal(
                    f"unit {odd.unit} is {problem}",
                    expected=f"each once, from 1 to {self.units}",
                    at=f"odd.{index}.unit",
                )
            seen.add(odd.unit)
            if "socket" in odd.differs:
                raise _refusal(
                    "a unit of a lot has no socket of its own",
                    expected="the socket of the place, which is the fixture's",
                    at=f"odd.{index}.differs.socket",
                )
            typical = self.typical.model_dump(exclude_unset=True)
            _device(_merged(typical, odd.differs), at=f"odd.{index}.differs")
        return self

    def devices(self, seed: int) -> tuple[DeviceSettings, ...]:
        """The device of each unit.

        Raises:
            PydanticCustomError: a unit is drawn beyond what its device can be.
        """
        differs = {odd.unit: odd.differs for odd in self.odd}
        return tuple(
            self._drawn(unit, seed, differs.get(unit, {}))
            for unit in range(1, self.units + 1)
        )

    def _drawn(
        self, unit: int, seed: int, differs: Mapping[str, Any]
    ) -> DeviceSettings:
        random = Random(f"{seed}, unit {unit} of the lot")
        whole = self.typical.model_dump()
        data = self.typical.model_dump(exclude_unset=True)
        for key, deviation in self.spread.items():
            data[key] = random.gauss(whole[key], deviation)
        factor = random.gauss(1.0, self.time_spread)
        times = self.typical.time_base.model_dump(exclude_none=True)
        given_factor = factor if self.time_spread else None
        real = self.times is LotTimes.REAL_PARTS
        drawn = draw_times(random, given_factor) if real else {}
        scaled = {name: value * factor for name, value in times.items()}
        data["time_base"] = drawn | scaled
        if not {"serial", "rom_code"} & set(differs):
            data["serial"] = self.serials_from + unit - 1
        return _device(_merged(data, differs), at="spread", unit=unit)

    def feed(self, *, after: int) -> tuple[FeedEntry, ...]:
        """Each unit once, in order.

        Args:
            after: so many devices stand in the list before those of the lot.
        """
        how = {odd.unit: odd.how for odd in self.odd}
        head = self.labels_from.rstrip("0123456789")
        digits = self.labels_from[len(head) :]
        return tuple(
            FeedEntry(
                serial=f"{head}{int(digits) + unit - 1:0{len(digits)}}",
                devices=(after + unit,),
                how=how.get(unit, Insertion.RIGHTLY),
                again_unless_passed=self.again_unless_passed,
            )
            for unit in range(1, self.units + 1)
        )


def _merged(data: Mapping[str, Any], over: Mapping[str, Any]) -> dict[str, Any]:
    """Keys of ``over`` before those of ``data``, section by section."""
    merged = dict(data)
    for key, value in over.items():
        below = merged.get(key)
        if isinstance(value, Mapping) and isinstance(below, Mapping):
            merged[key] = _merged(below, value)
        else:
            merged[key] = value
    return merged


def _device(data: Mapping[str, Any], *, at: str, unit: int = 0) -> DeviceSettings:
    try:
        return _DEVICES.validate_python(data)
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
    keys = _keys_in(data, first["loc"])
    who = f"unit {unit} of the lot, {'.'.join(keys)} as drawn: " if unit else ""
    raise _refusal(f"{who}{_message(first)}", at=".".join([at, *keys]))


def _message(first: ErrorDetails) -> str:
    message = first["msg"].removeprefix("Value error, ")
    return message[:1].lower() + message[1:]


def _keys_in(data: Any, location: Iterable[int | str]) -> list[str]:  # noqa: ANN401
    """The path without the names of union branches that pydantic mixes in."""
    keys: list[str] = []
    for part in location:
        if isinstance(data, Mapping) and part in data:
            data = data[part]
            keys.append(str(part))
    return keys


def _refusal(
    what: str, *, expected: str = "", nearest: str = "", at: str
) -> PydanticCustomError:
    return PydanticCustomError(
        "lot_mistake",
        "{what}",
        {"what": what, "expected": expected, "nearest": nearest, "at": at},
    )
