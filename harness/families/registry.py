"""Family code -> family, collected from the modules of this package.

Adding a kind is adding a module with a ``FAMILIES`` tuple; nothing here changes.
"""

from __future__ import annotations

import pkgutil
from functools import cache
from importlib import import_module

import harness.families
from harness.families import identity
from harness.families.family import Check, Family, Quantity, SafeQuantity


@cache
def _table() -> dict[int, Family]:
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
    return table


def known_families() -> tuple[int, ...]:
    """All family codes with a module, ascending."""
    return tuple(sorted(_table()))


def family_of(code: int) -> Family:
    """The family of a code; an unknown code gets identity quantities only."""
    return _table().get(code) or identity.unknown(code)


def quantities(code: int) -> dict[str, Quantity]:
    """What a device of this family can be asked for: identity, then its own."""
    return {**identity.QUANTITIES, **family_of(code).quantities}


def quantity_names(code: int) -> tuple[str, ...]:
    """Names of ``quantities``."""
    return tuple(quantities(code))


def setting_names(code: int) -> tuple[str, ...]:
    """Names that ``configure`` takes for this family."""
    return tuple(family_of(code).settings)


def unit_of(code: int, quantity: str) -> str:
    """Unit of a quantity; empty for texts.

    Raises:
        KeyError: the family does not have the quantity.
    """
    return quantities(code)[quantity].unit


def checks(code: int) -> dict[str, Check]:
    """What a device of this family can be put to."""
    return dict(family_of(code).checks)


def check_names(code: int) -> tuple[str, ...]:
    """Names of ``checks``."""
    return tuple(family_of(code).checks)


def looks_of(code: int) -> tuple[tuple[SafeQuantity, Quantity], ...]:
    """What an examination may ask a device of this family for."""
    family = family_of(code)
    return tuple((look, family.quantities[look.quantity]) for look in family.looks)
