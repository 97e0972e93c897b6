"""A described kind as families: what a built-in module offers, made of its rows.

No code comes from the file. What it can do is what the rows say, over a session with one
device: neither files, nor environment, nor network are within its reach.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial

from harness.families.batteries.sense_resistor import SENSE, remember_sense
from harness.families.common.memory import first_bytes, memory_checks
from harness.families.common.port_checks import port_checks
from harness.families.common.port_signs import output_signs
from harness.families.common.ports import (
    Ports,
    configure_outputs,
    port_quantities,
    port_settings,
)
from harness.families.common.register_map import RegisterMap
from harness.families.family import (
    Answer,
    Check,
    ConvertCommand,
    Family,
    Quantity,
    SafeQuantity,
    Session,
    Setting,
    by_name,
    looks,
)
from harness.families.restart import AfterRestart, RestartSign, Trace
from harness.plans.kinds.derived import with_derived
from harness.plans.kinds.registers import BlockTraffic, map_of
from harness.plans.kinds.shapes import memory_of, ports_of, search_of
from harness.plans.kinds.together import ConvertAll
from harness.plans.kinds.wire import command_of
from harness.plans.schema.kind.file import Kind
from harness.plans.schema.kind.rows import Restart
from harness.records import Scalar

_AFTER = {
    "stored": AfterRestart.STORED,
    "random": AfterRestart.RANDOM,
    "refused": AfterRestart.REFUSED,
}


def families_of(kind: Kind) -> tuple[Family, ...]:
    """The family of each code of a description."""
    parts = _Parts(kind)
    return tuple(parts.family(code) for code in kind.codes)


class _Parts:
    """What the families of one description share."""

    def __init__(self, kind: Kind) -> None:
        self._kind = kind
        self._blocks = BlockTraffic(kind)
        self._map: RegisterMap = map_of(kind, self._blocks)
        self._ports: Ports | None = None
        if kind.ports is not None:
            self._ports = ports_of(kind.ports, self._blocks)
        self._memory = memory_of(kind.memory) if kind.memory is not None else None
        self._settings = self._all_settings()
        self._convert_all: ConvertAll | None = None
        if kind.convert_all is not None:
            self._convert_all = ConvertAll(kind.conversions[kind.convert_all][0])

    def family(self, code: int) -> Family:
        """The family of one of the codes."""
        kind = self._kind
        file = kind.source.name
        return Family(
            code=code,
            name=kind.title,
            device_class=kind.class_,
            typical_parts=kind.typical_parts,
            quantities=with_derived(kind.derived, self._quantities()),
            settings=self._settings,
            configure=self._configure if self._settings else None,
            convert_all=self._convert_all,
            convert_command=self._convert_command(),
            checks=by_name(*self._checks()),
            looks=self._looks(),
            commands=tuple(map(command_of, kind.commands)),
            restarts=self._restarts(),
            destructive=kind.destructive,
            facts="; ".join(
                filter(None, [kind.facts, f"described in {file}" if file else ""])
            ),
        )

    def _convert_command(self) -> ConvertCommand | None:
        name = self._kind.convert_all
        if name is None or self._convert_all is None:
            return None
        return ConvertCommand(
            code=self._convert_all.command,
            alone=partial(self._blocks.convert, conversion=name),
        )

    def _quantities(self) -> Mapping[str, Quantity]:
        rows = list(self._map.quantities)
        if self._ports is not None:
            rows += port_quantities(self._ports)
        if self._memory is not None:
            rows.append(first_bytes(self._memory))
        return by_name(*rows)

    def _all_settings(self) -> dict[str, Setting]:
        rows = list(self._map.settings)
        if any(row.divided_by for row in self._kind.registers):
            rows.append(SENSE)
        if self._ports is not None:
            rows += port_settings(self._ports)
        return by_name(*rows)

    def _configure(
        self, session: Session, settings: Mapping[str, Scalar], store: bool
    ) -> Answer:
        """Write settings; the device decides where they are kept."""
        del store
        if SENSE.name in settings:
            remember_sense(session, settings[SENSE.name])
        of_map = set(self._kind.setting_names)
        written = self._map.configure(
            session, settings, left_to_caller=set(settings) - of_map
        )
        evidence: dict[str, object] = {
            "written": {str(n): block.hex(" ").upper() for n, block in written.items()}
        }
        if self._ports is not None:
            evidence |= configure_outputs(session, self._ports, settings).evidence
        return Answer(value=", ".join(settings), evidence=evidence)

    def _checks(self) -> tuple[Check, ...]:
        rows: list[Check] = []
        if self._memory is not None:
            rows += memory_checks(self._memory)
        if self._ports is not None:
            rows += port_checks(self._ports)
        search = self._kind.conditional_search
        if search is not None:
            rows.append(
                search_of(search, self._blocks, self._settings, self._configure)
            )
        return tuple(rows)

    def _looks(self) -> tuple[SafeQuantity, ...]:
        kind = self._kind
        names = [row.quantity for row in self._map.looks]
        written_only = {row.name for row in kind.registers if row.access == "write"}
        names = [name for name in names if name not in written_only]
        names += [row.name for row in kind.derived if row.safe]
        if kind.ports is not None and kind.ports.safe:
            names.append("ports")
        return looks(*names)

    def _restarts(self) -> tuple[RestartSign, ...]:
        signs = tuple(map(_sign, self._kind.restarts))
        shape = self._kind.ports
        if shape is None or self._ports is None or shape.after_power_up is None:
            return signs
        after = 1 if shape.after_power_up == "off" else AfterRestart.RANDOM
        return (*signs, *output_signs(self._ports, after, shape.source))


def _sign(row: Restart) -> RestartSign:
    after: Scalar | AfterRestart = ""
    if row.after_is is not None:
        after = _AFTER[row.after_is]
    elif row.after is not None:
        after = row.after
    return RestartSign(
        shown_by=row.shown_by,
        trace=Trace(row.trace),
        after=after,
        governs=frozenset(row.governs),
        when=row.when,
        about=row.about,
        source=row.source,
    )
