"""Family code -> family: the kinds built in, and with them those that a run describes.

Adding a kind is adding a module with a ``FAMILIES`` tuple; nothing here changes. Which
kinds there are is a value: a run has its own ``Kinds``, so that two fixtures may describe
one code differently. The functions at the end are about the kinds built in.
"""

from __future__ import annotations

import pkgutil
from collections.abc import Iterable, Mapping
from dataclasses import replace
from functools import cache
from importlib import import_module

import harness.families
from harness.families import identity
from harness.families.check import Step
from harness.families.family import Check, Family, Quantity, SafeQuantity


class Kinds:
    """The kinds that are known to a run, by family code."""

    def __init__(
        self, table: Mapping[int, Family], steps: Mapping[str, Step] | None = None
    ) -> None:
        self._table = dict(table)
        self.steps: Mapping[str, Step] = dict(steps or {})
        """Steps of plug-ins, by name."""

    def with_described(self, families: Iterable[Family]) -> Kinds:
        """These and others, which take the place of those with the same code."""
        taken = {family.code: family for family in families}
        return Kinds({**self._table, **taken}, self.steps)

    def with_added(
        self, checks: Mapping[int, Iterable[Check]], steps: Iterable[Step]
    ) -> Kinds:
        """These with further checks, by family code, and steps of plug-ins."""
        table = dict(self._table)
        for code, rows in checks.items():
            if code in table:
                own = {**table[code].checks, **{row.name: row for row in rows}}
                table[code] = replace(table[code], checks=own)
        return Kinds(table, {**self.steps, **{row.name: row for row in steps}})

    def known_families(self) -> tuple[int, ...]:
        """All family codes with a module or a description, ascending."""
        return tuple(sorted(self._table))

    def family_of(self, code: int) -> Family:
        """The family of a code; an unknown code gets identity quantities only."""
        return self._table.get(code) or identity.unknown(code)

    def quantities(self, code: int) -> dict[str, Quantity]:
        """What a device of this family can be asked for: identity, then its own."""
        return {**identity.QUANTITIES, **self.family_of(code).quantities}

    def quantity_names(self, code: int) -> tuple[str, ...]:
        """Names of ``quantities``."""
        return tuple(self.quantities(code))

    def setting_names(self, code: int) -> tuple[str, ...]:
        """Names that ``configure`` takes for this family."""
        return tuple(self.family_of(code).settings)

    def unit_of(self, code: int, quantity: str) -> str:
        """Unit of a quantity; empty for texts.

        Raises:
            KeyError: the family does not have the quantity.
        """
        return self.quantities(code)[quantity].unit

    def checks(self, code: int) -> dict[str, Check]:
        """What a device of this family can be put to."""
        return dict(self.family_of(code).checks)

    def check_names(self, code: int) -> tuple[str, ...]:
        """Names of ``checks``."""
        return tuple(self.family_of(code).checks)

    def looks_of(self, code: int) -> tuple[tuple[SafeQuantity, Quantity], ...]:
        """What an examination may ask a device of this family for."""
        family = self.family_of(code)
        return tuple((look, family.quantities[look.quantity]) for look in family.looks)


@cache
def built_in() -> Kinds:
    """The kinds of this package."""
    table: dict[int, Family] = {}
    owners: dict[int, str] = {}
    for module in sorted(
        m.name
        for m in pkgutil.walk_packages(harness.families.__path__, "harness.families.")
    ):
        loaded = import_module(module)
        for family in getattr(loaded, "FAMILIES", ()):
            if family.code in table:
                raise RuntimeError(
                    f"family {family.code:02X}h is claimed by {owners[family.code]} and {module}"
                )
            table[family.code] = family
            owners[family.code] = module
    return Kinds(table)


def known_families() -> tuple[int, ...]:
    """See ``Kinds.known_families``."""
    return built_in().known_families()


def family_of(code: int) -> Family:
    """See ``Kinds.family_of``."""
    return built_in().family_of(code)


def quantities(code: int) -> dict[str, Quantity]:
    """See ``Kinds.quantities``."""
    return built_in().quantities(code)


def quantity_names(code: int) -> tuple[str, ...]:
    """See ``Kinds.quantity_names``."""
    return built_in().quantity_names(code)


def setting_names(code: int) -> tuple[str, ...]:
    """See ``Kinds.setting_names``."""
    return built_in().setting_names(code)


def unit_of(code: int, quantity: str) -> str:
    """See ``Kinds.unit_of``."""
    return built_in().unit_of(code, quantity)


def checks(code: int) -> dict[str, Check]:
    """See ``Kinds.checks``."""
    return built_in().checks(code)


def check_names(code: int) -> tuple[str, ...]:
    """See ``Kinds.check_names``."""
    return built_in().check_names(code)


def looks_of(code: int) -> tuple[tuple[SafeQuantity, Quantity], ...]:
    """See ``Kinds.looks_of``."""
    return built_in().looks_of(code)
