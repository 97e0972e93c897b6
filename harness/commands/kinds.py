"""`slotproof families`: the kinds of device."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from harness.commands.base import print_json, print_texts
from harness.commands.declared.style import OutputStyle
from harness.commands.outputs.others import FamiliesAnswer, ListedKind, NamedThing
from harness.families import identity, overview, registry
from harness.families.family import Check, Family, Quantity, Setting


def families(
    *, code: str | None, class_: str | None, markdown: bool, style: OutputStyle
) -> None:
    """List the kinds of device: what to read, set and check, what is destructive."""
    if style.json:
        one = [registry.family_of(overview.parse_code(code))] if code else None
        kinds = tuple(map(_kind, one or overview.families_of(class_)))
        print_json(FamiliesAnswer(command="families", exit_code=0, kinds=kinds))
        return
    if markdown:
        lines = [overview.markdown()]
    elif code is not None:
        family = registry.family_of(overview.parse_code(code))
        lines = list(overview.details_of(family))
    else:
        lines = list(overview.lines_of(overview.families_of(class_)))
    print_texts(lines)


def _kind(family: Family) -> ListedKind:
    return ListedKind(
        code=f"{family.code:02X}",
        device_class=family.device_class,
        name=family.name,
        typical_parts=family.typical_parts,
        recognised_only=family.recognised_only,
        destructive=family.destructive,
        quantities=_things({**identity.QUANTITIES, **family.quantities}),
        settings=_things(family.settings),
        checks=_things(family.checks),
    )


def _things(
    named: Mapping[str, Quantity] | Mapping[str, Setting] | Mapping[str, Check],
) -> tuple[NamedThing, ...]:
    things: Iterable[Quantity | Setting | Check] = named.values()
    return tuple(
        NamedThing(
            name=thing.name,
            unit=getattr(thing, "unit", ""),
            about=thing.about,
            hazards=tuple(sorted(map(str, getattr(thing, "hazards", ())))),
        )
        for thing in things
    )
