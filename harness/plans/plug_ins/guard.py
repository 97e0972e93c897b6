"""Rows of a plug-in, guarded: what its code does wrong is one sentence naming it."""

from __future__ import annotations

import functools
from collections.abc import Callable
from dataclasses import replace
from typing import Any, TypeVar

from harness.errors import SlotproofError, UsageError
from harness.families.check import Check, Findings, Step
from harness.families.family import Answer, Family, Quantity

_Made = TypeVar("_Made")


def guarded(
    owner: str, what: str, call: Callable[..., _Made], made: type[_Made]
) -> Callable[..., _Made]:
    """The same function; an error of its own, or another type, is a ``UsageError``.

    Args:
        owner: the plug-in with its package, as messages name it.
        what: the row, such as ``check blink``.
        call: the function.
        made: what it must return.
    """

    @functools.wraps(call)
    def guard(*arguments: Any, **named: Any) -> _Made:  # noqa: ANN401 - as the row has it
        try:
            value = call(*arguments, **named)
        except SlotproofError:
            raise
        except Exception as fault:
            raise UsageError(
                f"{owner} raised {type(fault).__name__} in {what}: {fault}",
                hint="a mistake of the plug-in: report it to its author",
            ) from fault
        if not isinstance(value, made):
            raise UsageError(
                f"{owner} returned {type(value).__name__} from {what}",
                hint=f"a mistake of the plug-in: expected is {made.__name__}",
            )
        return value

    return guard


def guarded_family(owner: str, family: Family) -> Family:
    """A family whose functions are guarded."""
    configure = family.configure
    convert_all = family.convert_all
    return replace(
        family,
        facts=", ".join(filter(None, [family.facts, f"from {owner}"])),
        quantities={
            name: _guarded_quantity(owner, row)
            for name, row in family.quantities.items()
        },
        checks={name: guarded_check(owner, c) for name, c in family.checks.items()},
        configure=configure and guarded(owner, "configure", configure, Answer),
        convert_all=convert_all and guarded(owner, "convert", convert_all, Answer),
    )


def _guarded_quantity(owner: str, row: Quantity) -> Quantity:
    what = f"quantity {row.name}"
    again = row.reread
    return replace(
        row,
        read=guarded(owner, what, row.read, Answer),
        reread=again and guarded(owner, what, again, Answer),
    )


def guarded_check(owner: str, row: Check) -> Check:
    """A check whose function is guarded."""
    return replace(row, run=guarded(owner, f"check {row.name}", row.run, Findings))


def guarded_step(owner: str, row: Step) -> Step:
    """A step whose function is guarded."""
    return replace(row, run=guarded(owner, f"step {row.name}", row.run, Findings))
