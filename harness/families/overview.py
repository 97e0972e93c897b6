"""The kinds in words: what `slotproof families` prints, and the README's table."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator

from harness.errors import UsageError
from harness.families import identity
from harness.families.family import DEVICE_CLASSES, Check, Family, Quantity, Setting
from harness.families.hazard import ALWAYS, Hazard
from harness.families.registry import Kinds, built_in
from harness.families.row_words import command_lines, restart_line
from harness.wire.ratings import in_words

_UNKNOWN_NOTE = (
    "Any other code is enumerated, proved by its CRC and reported as unknown family."
)
_CODE = re.compile(r"(?:0[xX])?([0-9A-Fa-f]{1,2})[hH]?")


def parse_code(text: str) -> int:
    """A family code as people write it: 28, 28h or 0x28, always hex.

    Raises:
        UsageError: no family code.
    """
    found = _CODE.fullmatch(text)
    if not found:
        raise UsageError(
            f"{text!r} is no family code", hint="two hex digits, such as 28 or 0x28"
        )
    return int(found[1], 16)


def families_of(
    device_class: str | None = None, kinds: Kinds | None = None
) -> list[Family]:
    """All known kinds by code, or those of one class.

    Raises:
        UsageError: there is no such class.
    """
    if device_class is not None and device_class not in DEVICE_CLASSES:
        raise UsageError(
            f"there is no class {device_class!r}",
            hint=f"one of {', '.join(DEVICE_CLASSES)}",
        )
    known = kinds or built_in()
    rows = [known.family_of(code) for code in known.known_families()]
    return [row for row in rows if device_class in {None, row.device_class}]


def lines_of(families: list[Family]) -> Iterator[str]:
    """One line a kind, then the cautions."""
    width = max((len(row.device_class) for row in families), default=0)
    for row in families:
        support = "recognised only" if row.recognised_only else _counts(row)
        yield f"{row.code:02X}h  {row.device_class:<{width}}  {row.name} ({support})"
        if row.destructive:
            yield f"{'':5}{'':<{width}}  destructive: {row.destructive}"
    yield _UNKNOWN_NOTE
    yield from ALWAYS


def _counts(row: Family) -> str:
    parts = [
        f"{len(rows)} {noun}"
        for rows, noun in (
            ({**identity.QUANTITIES, **row.quantities}, "quantities"),
            (row.settings, "settings"),
            (row.checks, "checks"),
        )
        if rows
    ]
    return ", ".join(parts)


def details_of(family: Family) -> Iterator[str]:
    """Everything that a plan may write for a kind."""
    yield f"{family.code:02X}h: {family.name}"
    yield f"    class: {family.device_class}"
    for label, text in (
        ("typical parts", family.typical_parts),
        ("facts", family.facts),
        ("made for", in_words(family.code)),
        ("destructive", family.destructive),
    ):
        if text:
            yield f"    {label}: {text}"
    if family.recognised_only or family.device_class == "unknown":
        yield "    no driver: the ROM code is proved and reported"
    yield "    read: {quantity: ...}"
    for quantity in {**identity.QUANTITIES, **family.quantities}.values():
        yield _value_line(quantity)
    if family.settings:
        yield "    configure: {settings: {...: ...}}"
        for setting in family.settings.values():
            yield _value_line(setting)
            yield from _hazard_lines(setting.hazards)
    if family.checks:
        yield "    check: {function: ..., with: {...: ...}}"
        for check in family.checks.values():
            yield from _check_lines(check)
    yield from _wire_lines(family)


def _value_line(row: Quantity | Setting) -> str:
    unit = f" [{row.unit}]" if row.unit else ""
    return f"        {row.name}{unit}: {row.about}"


def _hazard_lines(hazards: Iterable[Hazard]) -> Iterator[str]:
    for hazard in sorted(hazards):
        yield f"            hazard {hazard}: {hazard.caution}"


def _wire_lines(family: Family) -> Iterator[str]:
    if family.commands:
        yield "    on the wire, behind the selection:"
        for command in family.commands:
            for line in command_lines(command):
                yield f"        {line}"
    if family.restarts:
        yield "    after a restart:"
        for sign in family.restarts:
            yield f"        {restart_line(sign)}"


def _check_lines(check: Check) -> Iterator[str]:
    yield f"        {check.name}: {check.about}"
    for option in check.options.values():
        extra = ""
        if option.required:
            extra = "; needed"
        elif option.default is not None:
            extra = f"; default {option.default!r}"
        yield f"            {option.name}: {option.about} ({option.expected}{extra})"
    yield from _hazard_lines(check.hazards)


def markdown(kinds: Kinds | None = None) -> str:
    """The README's table of kinds."""
    head = (
        "| code | class | kind | read | set | check | destructive | typical parts |",
        "| --- | --- | --- | --- | --- | --- | --- | --- |",
    )
    rows = [_markdown_row(row) for row in families_of(kinds=kinds)]
    return "\n".join((*head, *rows, "", _UNKNOWN_NOTE))


def _markdown_row(row: Family) -> str:
    read = ", ".join(row.quantities) or "ROM code"
    cells = (
        f"{row.code:02X}h",
        row.device_class,
        row.name,
        "ROM code only, recognised" if row.recognised_only else read,
        ", ".join(row.settings),
        ", ".join(row.checks),
        row.destructive,
        row.typical_parts,
    )
    return f"| {' | '.join(cells)} |"
