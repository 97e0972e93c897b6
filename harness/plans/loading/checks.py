"""Mistakes that no single key shows: quantities, settings and units by family, nesting.

Works on plain data, so that it finds its mistakes beside those of the schema and
not only once the file is well-formed.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

from harness.families.registry import Kinds
from harness.old_names import renamed
from harness.plans.loading.functions import (
    check_function,
    check_hazard_names,
    check_plug_in,
)
from harness.plans.loading.problems import Problem, family_print, nearest, one_of
from harness.plans.loading.yaml_text import Document, FilePosition, KeyPath, Plain
from harness.plans.schema.references import difference_unit

Codes = tuple[int, ...]


def check_steps(data: Plain, document: Document, kinds: Kinds) -> Iterator[Problem]:
    """Mistakes of the steps of a plan that only the families know.

    Args:
        data: the plan's plain data, parameters already put in.
        document: where the data came from.
        kinds: those that plan and fixture know.
    """
    steps = data.get("steps") if isinstance(data, dict) else None
    yield from _StepCheck(document, kinds).steps(steps, ("steps",), (), inside="")


class _StepCheck:
    def __init__(self, document: Document, kinds: Kinds) -> None:
        self.document = document
        self.kinds = kinds

    def steps(
        self, steps: Plain, path: KeyPath, codes: Codes, *, inside: str
    ) -> Iterator[Problem]:
        if not isinstance(steps, list):
            return
        for index, item in enumerate(steps):
            if isinstance(item, dict) and len(item) == 1:
                ((kind, body),) = item.items()
                if isinstance(body, dict):
                    here = (*path, index, kind)
                    yield from self._step(kind, body, here, codes, inside=inside)

    def _step(
        self,
        kind: str,
        body: dict[str, Plain],
        path: KeyPath,
        codes: Codes,
        *,
        inside: str,
    ) -> Iterator[Problem]:
        if kind == "for_each":
            yield from self._for_each(body, path, inside=inside)
        elif kind in {"repeat", "vary"}:
            if kind == "vary":
                yield from self._vary(path)
            inner = (*path, "steps")
            yield from self.steps(body.get("steps"), inner, codes, inside=inside)
        elif kind == "read":
            yield from self._quantity(body, path, codes)
        elif kind == "soak":
            own = {"quantity": "temperature"} | body
            yield from self._quantity(own, path, codes_of(body.get("family")))
        elif kind == "configure":
            yield from self._settings(body, path, codes)
            yield from check_hazard_names(body.get("hazard"), self.document, path)
        elif kind == "transact":
            yield from self._transact(body, path, inside=inside)
            yield from check_hazard_names(body.get("hazard"), self.document, path)
        elif kind == "plug_in":
            yield from check_plug_in(self.kinds, body, self.document, path)
        elif kind == "check":
            yield from check_function(self.kinds, body, self.document, path, codes)

    def _vary(self, path: KeyPath) -> Iterator[Problem]:
        if len(path) > 3:
            yield self._problem(
                self.document.keys[path],
                "vary inside another step",
                "vary among the plan's own steps, with the others inside it",
            )

    def _for_each(
        self, body: dict[str, Plain], path: KeyPath, *, inside: str
    ) -> Iterator[Problem]:
        place = self.document.keys[path]
        if inside:
            yield self._problem(
                place,
                f"for_each inside the for_each on line {inside}",
                "one for_each with all its families or sockets",
            )
        codes = codes_of(body.get("family"))
        inner = (*path, "steps")
        yield from self.steps(body.get("steps"), inner, codes, inside=str(place.line))

    def _transact(
        self, body: dict[str, Plain], path: KeyPath, *, inside: str
    ) -> Iterator[Problem]:
        """Raw bytes are sent to devices that the plan names, never to all that match."""
        family = body.get("family")
        if inside and family is not None:
            yield self._problem(
                self.document.keys[(*path, "family")],
                f"family inside the for_each on line {inside}",
                "the for_each alone to choose the devices",
            )
        elif not inside and family is None and body.get("select", "match") == "match":
            yield self._problem(
                self.document.place_of(path),
                "transact outside a for_each does not say which devices are meant",
                "family: CODE, a for_each around it, or select: skip",
            )

    def _quantity(
        self, body: dict[str, Plain], path: KeyPath, codes: Codes
    ) -> Iterator[Problem]:
        quantity = body.get("quantity")
        if not isinstance(quantity, str) or not quantity:
            return
        at = (*path, "quantity")
        quantity = renamed(quantity)
        lacking, known = who_lacks(self.kinds, quantity, codes)
        if lacking:
            yield self._problem(
                self.document.place_of(at),
                f"{lacking} quantity {quantity!r}",
                one_of(known),
                nearest(quantity, known),
            )
            return
        compared = body.get("against") is not None
        yield from self._unit(
            body.get("unit"), quantity, path, codes, compared=compared
        )

    def _unit(
        self,
        unit: Plain,
        quantity: str,
        path: KeyPath,
        codes: Codes,
        *,
        compared: bool,
    ) -> Iterator[Problem]:
        if not isinstance(unit, str):
            return
        units = sorted(
            {
                self.kinds.unit_of(code, quantity)
                for code in codes or self.kinds.known_families()
                if quantity in self.kinds.quantity_names(code)
            }
        )
        if compared:
            units = sorted(map(difference_unit, units))
        if units != [unit]:
            yield self._problem(
                self.document.place_of((*path, "unit")),
                f"unit {unit!r} for {quantity}",
                " or ".join(u or "no unit, for it is a text" for u in units),
                nearest(unit, units),
            )

    def _settings(
        self, body: dict[str, Plain], path: KeyPath, codes: Codes
    ) -> Iterator[Problem]:
        settings = body.get("settings")
        if not isinstance(settings, dict):
            return
        for name in settings:
            at = (*path, "settings", name)
            lacking, known = _lack(
                self.kinds, renamed(name), codes, self.kinds.setting_names
            )
            if lacking:
                yield self._problem(
                    self.document.keys[at],
                    f"{lacking} setting {name!r}",
                    one_of(known) if known else "no configure step for it",
                    nearest(name, known),
                )

    def _problem(
        self, place: FilePosition, what: str, expected: str, near: str = ""
    ) -> Problem:
        return self.document.problem(place, what, expected=expected, nearest=near)


def who_lacks(kinds: Kinds, quantity: str, codes: Codes) -> tuple[str, list[str]]:
    """Which family lacks a quantity, as the start of a sentence, and what it has.

    Args:
        kinds: those that plan and fixture know.
        quantity: name as in the plan.
        codes: families that all must have it; if empty, one known family is enough.
    """
    return _lack(kinds, quantity, codes, kinds.quantity_names)


def _lack(
    kinds: Kinds,
    name: str,
    codes: Codes,
    names_of: Callable[[int], tuple[str, ...]],
) -> tuple[str, list[str]]:
    for code in codes:
        names = list(names_of(code))
        if name not in names:
            return f"family {family_print(code)} has no", names
    if codes:
        return "", []
    every = sorted({n for c in kinds.known_families() for n in names_of(c)})
    return ("", []) if name in every else ("no known family has a", every)


def codes_of(family: Plain) -> Codes:
    """The family codes of a plain ``family`` value; what is no code is left out."""
    values = family if isinstance(family, list) else [family]
    return tuple(
        v
        for v in values
        if isinstance(v, int) and not isinstance(v, bool) and 0 < v < 256
    )
