"""Steps under varied conditions: every combination of settings of the instruments.

A ``vary`` step becomes, while the plan is loaded, a row of plain steps: for each
condition one that sets it, then the steps inside, each with the condition in its title.
So journal, reports and ``--resume`` know every condition without knowing of ``vary``.
"""

from __future__ import annotations

from itertools import product
from typing import Annotated

from pydantic import Field, field_validator

from harness.plans.schema.base import SocketName, complaint
from harness.plans.schema.varied.instruments import (
    SetsConditions,
    SettingName,
    unit_of_name,
)

Values = Annotated[
    tuple[float | bool, ...], Field(min_length=1, max_length=200, strict=False)
]
Settings = dict[SocketName, dict[SettingName, float | bool]]

_MOST_CONDITIONS = 500
_SLOW = "_degc"
"""End of a name: temperatures take longest to change, and are changed least often."""


class VariedCondition(SetsConditions):
    """Settings of several instruments that make one condition."""

    settings: Annotated[Settings, Field(min_length=1)] = Field(
        description="settings by instrument, such as {PSU: {voltage_v: 3.3}}"
    )


class VaryOver(SetsConditions):
    """What a vary step goes through, without the steps inside."""

    over: Annotated[
        dict[SocketName, Annotated[dict[SettingName, Values], Field(min_length=1)]],
        Field(min_length=1),
    ] = Field(
        description="values by instrument and setting, such as "
        "{PSU: {voltage_v: [3.0, 5.0]}}; every combination is made"
    )

    @field_validator("over")
    @classmethod
    def _each_once_and_not_too_many(
        cls, over: dict[str, dict[str, tuple[float | bool, ...]]]
    ) -> dict[str, dict[str, tuple[float | bool, ...]]]:
        count = 1
        for instrument, settings in over.items():
            for name, values in settings.items():
                count *= len(values)
                if len(set(values)) < len(values):
                    raise complaint(
                        f"{name} has a value twice",
                        expected="each value once",
                        at=f"{instrument}.{name}",
                    )
        if count > _MOST_CONDITIONS:
            raise complaint(
                f"{count} conditions", expected=f"{_MOST_CONDITIONS} at most"
            )
        return over

    def conditions(self) -> list[Settings]:
        """Every combination, what is slow to change outermost."""
        axes = [
            (instrument, name, values)
            for instrument, settings in self.over.items()
            for name, values in settings.items()
        ]
        axes.sort(key=lambda axis: not axis[1].endswith(_SLOW))
        found = []
        for combination in product(*(values for _, _, values in axes)):
            settings: Settings = {}
            for (instrument, name, _), value in zip(axes, combination, strict=True):
                settings.setdefault(instrument, {})[name] = value
            found.append(settings)
        return found


def condition_facts(settings: Settings) -> dict[str, object]:
    """What the journal says of a condition at the start of a step; empty of none."""
    if not settings:
        return {}
    return {"under": condition_text(settings), "settings": settings}


def condition_text(settings: Settings) -> str:
    """A condition in words, such as ``-40 degC, 3 V``."""
    return ", ".join(
        f"{float(value):g} {unit_of_name(name)}".rstrip()
        if not isinstance(value, bool)
        else f"{name} {'on' if value else 'off'}"
        for each in settings.values()
        for name, value in each.items()
    )
