"""The text of a fixture: a new one, or one that is there with ROM codes put in.

What is there keeps its comments, its order and its way of writing; only ROM codes change,
and sockets are added at the end.
"""

from __future__ import annotations

import io
import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from harness.errors import UsageError
from harness.lazy import ruamel_scalars, ruamel_yaml
from harness.plans.enrolment.sockets import EnrolledSocket
from harness.plans.loading.files import parse_fixture

_NEW = """\
# Made by `slotproof enrol` from a live bus; put right what it could not know.

fixture: {title}

adapter:
  port: {port}
  kind: {kind}

line:
  pull_up_ohm: {pull_up_ohm:g}    # NOT measured: the resistor that is fitted
  supply_v: {supply_v:g}          # NOT measured: its supply
{cable}
sockets:
"""
_SOCKET = (
    '  - {{name: {name}, expect: {{family: 0x{family:02X}, rom_code: "{rom}"}}}}\n'
)


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuredCable:
    """What the survey says of the cable: capacitance of the line, and metres of it.

    Attributes:
        nf: capacitance of the line in all, with the declared pull-up.
        doubt_nf: half width of it.
        cable_m: metres that it makes with devices and adapter taken off.
    """

    nf: float
    doubt_nf: float
    cable_m: float


@dataclass(frozen=True, slots=True, kw_only=True)
class NewFixture:
    """What a new fixture begins with."""

    title: str
    port: str
    kind: str
    pull_up_ohm: float
    supply_v: float
    cable: MeasuredCable | None


def new_text(begin: NewFixture, sockets: Iterable[EnrolledSocket]) -> str:
    """A whole new fixture.

    Raises:
        PlanError: it would not be one, which is a mistake of ours.
    """
    cable = "  cable_m: 1           # NOT measured: all cable together\n"
    if begin.cable is not None:
        cable = (
            f"  cable_m: {begin.cable.cable_m:.1f}         # measured as "
            f"{begin.cable.nf:.2f} +- {begin.cable.doubt_nf:.2f} nF with this pull-up, at "
            "50 pF a metre\n"
        )
    port = begin.port if re.fullmatch(r"[\w:/.\-]+", begin.port) else f"'{begin.port}'"
    text = _NEW.format(
        title=begin.title,
        port=port,
        kind=begin.kind,
        pull_up_ohm=begin.pull_up_ohm,
        supply_v=begin.supply_v,
        cable=cable,
    ) + "".join(map(_line, sockets))
    parse_fixture(text, "the new fixture")
    return text


def _line(socket: EnrolledSocket) -> str:
    return _SOCKET.format(
        name=socket.name, family=socket.rom.family, rom=str(socket.rom)
    )


def put_in(text: str, sockets: Iterable[EnrolledSocket], name: str) -> str:
    """The same fixture with these devices in its sockets.

    Args:
        text: the file as it is.
        sockets: who sits where; a socket that the file lacks is added.
        name: of the file, for messages.

    Raises:
        PlanError: the file is no fixture, or would be none afterwards.
        UsageError: a socket expects another family.
    """
    parse_fixture(text, name)
    editor = _editor(text)
    data = editor.load(text)
    rows = {row["name"]: row for row in data["sockets"]}
    added = []
    for socket in sockets:
        row = rows.get(socket.name)
        if row is None:
            added.append(socket)
            continue
        _put_code(row, socket, name)
    out = io.StringIO()
    editor.dump(data, out)
    changed = _with_lines(out.getvalue(), added)
    parse_fixture(changed, name)
    return changed


def _put_code(row: Any, socket: EnrolledSocket, name: str) -> None:  # noqa: ANN401 - the editor's own
    expect = row.get("expect")
    code = ruamel_scalars.DoubleQuotedScalarString(str(socket.rom))
    if expect is None:
        row["expect"] = {"rom_code": code}
        return
    family = expect.get("family")
    if isinstance(family, int) and family != socket.rom.family:
        raise UsageError(
            f"socket {socket.name} expects family {family:02X}h, and the device there is of "
            f"family {socket.rom.family:02X}h",
            where=name,
            hint="put the right device in, or change the family in the file",
        )
    expect["rom_code"] = code


def _with_lines(text: str, added: list[EnrolledSocket]) -> str:
    """Sockets added behind the last one, written as the others of a new file are."""
    if not added:
        return text
    lines = text.splitlines(keepends=True)
    begin = next(n for n, line in enumerate(lines) if line.startswith("sockets:")) + 1
    end = _end_of_section(lines, begin)
    dashes = [re.match(r"( *)- ", line) for line in lines[begin:end]]
    indent = next((dash.group(1) for dash in dashes if dash), "  ")
    new = [indent + _line(socket).lstrip() for socket in added]
    if not lines[end - 1].endswith("\n"):
        lines[end - 1] += "\n"
    return "".join([*lines[:end], *new, *lines[end:]])


def _end_of_section(lines: list[str], begin: int) -> int:
    """Number of the line behind the last one of a section that is no comment."""
    end = begin
    for n in range(begin, len(lines)):
        if lines[n].strip() and not lines[n].startswith((" ", "-", "#")):
            break
        if re.match(r"\s*[^\s#]", lines[n]):
            end = n + 1
    return end


def _editor(text: str) -> Any:  # noqa: ANN401 - the library's own
    editor = ruamel_yaml.YAML()
    editor.preserve_quotes = True
    editor.width = 4096
    if re.search(r"^ +- ", text, re.MULTILINE):
        editor.indent(mapping=2, sequence=4, offset=2)
    return editor
