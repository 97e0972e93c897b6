"""`slotproof families`: the kinds of device."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path

from harness.commands.base import print_json, print_texts
from harness.commands.declared.style import OutputStyle
from harness.commands.outputs.others import FamiliesAnswer, ListedKind, NamedThing
from harness.families import identity, overview, registry
from harness.families.family import Check, Family, Quantity, Setting
from harness.plans.loading.kinds import load_kind
from harness.plans.plug_ins.loading import installed, known_with, plug_in_named
from harness.wire.ratings import in_words


def family_codes() -> list[str]:
    """Codes of the built-in kinds, two hex digits each."""
    return [f"{code:02X}" for code in registry.known_families()]


def families(
    *,
    code: str | None,
    class_: str | None,
    markdown: bool,
    kind: tuple[Path, ...],
    plug_in: tuple[str, ...],
    style: OutputStyle,
) -> None:
    """List the kinds of device: what to read, set and check, what is destructive."""
    kinds = registry.built_in()
    for path in kind:
        kinds = kinds.with_described(load_kind(path).families)
    for name in plug_in:
        kinds = known_with(kinds, [plug_in_named(name, kinds)])
    if style.json:
        one = [kinds.family_of(overview.parse_code(code))] if code else None
        listed = tuple(map(_kind, one or overview.families_of(class_, kinds)))
        print_json(
            FamiliesAnswer(
                command="families", exit_code=0, kinds=listed, plug_ins=installed()
            )
        )
        return
    if markdown:
        lines = [overview.markdown(kinds)]
    elif code is not None:
        family = kinds.family_of(overview.parse_code(code))
        lines = list(overview.details_of(family))
    else:
        lines = list(overview.lines_of(overview.families_of(class_, kinds)))
        lines += _installed_lines()
    print_texts(lines)


def _installed_lines() -> Iterator[str]:
    """Plug-ins that a plan or fixture may name; none of them is loaded for this."""
    listed = installed()
    if listed:
        yield "installed plug-ins, loaded where a file names them (--plug-in NAME shows one):"
    for name, words in listed.items():
        yield f"    {name}: {words}"


def _kind(family: Family) -> ListedKind:
    return ListedKind(
        code=f"{family.code:02X}",
        device_class=family.device_class,
        name=family.name,
        typical_parts=family.typical_parts,
        recognised_only=family.recognised_only,
        destructive=family.destructive,
        ratings=in_words(family.code),
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
