"""Parameters of a plan: their values in force, put in place of each ``$name``."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping

from harness.errors import UsageError
from harness.plans.loading.models import shown
from harness.plans.loading.problems import Problem, nearest, one_of
from harness.plans.loading.unit_names import TODAY, UNIT, unit_examples
from harness.plans.loading.yaml_text import Document, KeyPath, Plain, read_scalar
from harness.plans.schema.record import ROM_CODE
from harness.records import Scalar

COMMAND_LINE = "command line"

_MENTION = re.compile(r"\$([A-Za-z_][A-Za-z0-9_]*(?:\.[A-Za-z0-9_]+)*)")


def assignments(texts: Iterable[str], *, option: str = "--set") -> dict[str, str]:
    """Name and value of each ``name=value``.

    Args:
        texts: as the command line gives them.
        option: the option that they came by, for messages.

    Raises:
        UsageError: one that is no assignment.
    """
    values = {}
    for text in texts:
        name, sign, value = text.partition("=")
        if not sign or not name:
            raise UsageError(
                f"{option} takes name=value, got {text!r}",
                hint=f"for example {option} high_degc=6.5",
            )
        values[name] = value
    return values


class Parameters:
    """Values in force, and what was wrong with them.

    Attributes:
        values: name -> default, or what the command line said.
        problems: mistakes in overrides and mentions.
        notes: key path -> ``$name`` for each value put into the steps.
        mentions: values of a unit that the steps take, ``today`` among them.
        examples: what stands for each of them.
    """

    def __init__(
        self,
        document: Document,
        overrides: Mapping[str, str],
        unit: Mapping[str, Scalar] | None = None,
    ) -> None:
        self.document = document
        self.mentions: set[str] = set()
        self.examples = unit_examples(document.data)
        for name, value in (unit or {}).items():
            key = name if name == TODAY else f"{UNIT}{name}"
            if key in self.examples:
                self.examples[key] = value
        self.problems: list[Problem] = []
        self.notes: dict[KeyPath, str] = {}
        self.values: dict[str, Scalar] = _defaults(document)
        self.declared = tuple(self.values)
        for name, text in overrides.items():
            self._override(name, text)

    def _override(self, name: str, text: str) -> None:
        if name not in self.declared:
            self._complain(
                f"the plan has no parameter {name!r}",
                one_of(self.declared) if self.declared else "no parameter at all",
                nearest(name, self.declared),
            )
            return
        default = self.values[name]
        if isinstance(default, str):
            self.values[name] = text
            return
        try:
            value = read_scalar(text)
        except ValueError as error:
            self._complain(f"parameter {name} is {text}", str(error))
            return
        if value is None or _type_of(value) != _type_of(default):
            self._complain(
                f"parameter {name} is {text!r}",
                f"{_type_of(default)}, as its default {shown(default)}",
            )
            return
        self.values[name] = value

    def _complain(self, what: str, expected: str, near: str = "") -> None:
        self.problems.append(
            Problem(file=COMMAND_LINE, what=what, expected=expected, nearest=near)
        )

    def put_into(self, data: Plain, path: KeyPath) -> Plain:
        """A copy of plain data with each ``$name`` replaced by its value."""
        if isinstance(data, dict):
            return {k: self.put_into(v, (*path, k)) for k, v in data.items()}
        if isinstance(data, list):
            return [self.put_into(v, (*path, i)) for i, v in enumerate(data)]
        if isinstance(data, str) and (found := _MENTION.fullmatch(data)):
            return self._value_of(found[1], path)
        return data

    def _value_of(self, name: str, path: KeyPath) -> Scalar | None:
        if name in self.values:
            self.notes[path] = f"${name}"
            return self.values[name]
        if name in self.examples:
            return self._of_unit(name, path)
        self.document.spoiled.add(path)
        if ("parameters", name) not in self.document.keys:
            self._complain_of_mention(name, path)
        return None

    def _of_unit(self, name: str, path: KeyPath) -> Scalar | None:
        """A value of the unit, or its example; the ROM code is known to a record only."""
        self.notes[path] = f"${name}"
        value = self.examples[name]
        if value == ROM_CODE and path[:1] != ("record",):
            self.document.spoiled.add(path)
            self.problems.append(
                self.document.problem(
                    self.document.place_of(path),
                    f"{ROM_CODE} stands outside a record",
                    expected="it in a text field of a record",
                )
            )
            return None
        self.mentions.add(name.removeprefix(UNIT))
        return value

    def _complain_of_mention(self, name: str, path: KeyPath) -> None:
        known = [f"${n}" for n in self.declared]
        if "." in name:
            known = [f"${n}" for n in self.examples]
        what = "unknown value" if "." in name else "unknown parameter"
        self.problems.append(
            self.document.problem(
                self.document.place_of(path),
                f"{what} ${name}",
                expected=one_of(known)
                if known
                else "a value, for the plan has no parameters",
                nearest=nearest(f"${name}", known),
            )
        )


def _defaults(document: Document) -> dict[str, Scalar]:
    """Those defaults that are scalars; the schema complains of the others."""
    data = document.data if isinstance(document.data, dict) else {}
    declared = data.get("parameters")
    if not isinstance(declared, dict):
        return {}
    return {k: v for k, v in declared.items() if isinstance(v, float | int | str)}


def _type_of(value: Scalar) -> str:
    if isinstance(value, bool):
        return "true or false"
    return "a text" if isinstance(value, str) else "a number"
