"""A file that describes a kind of device: codes, wire, registers, memory, restarts."""

from __future__ import annotations

from collections.abc import Iterable, Set
from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from harness.families.family import ALARM_SEARCH, DEVICE_CLASSES
from harness.plans.loading.problems import nearest, one_of
from harness.plans.schema.base import Families, FromFile, Text, Word, complaint
from harness.plans.schema.kind.exchange import Exchanges, require_for_all
from harness.plans.schema.kind.rows import (
    BlockRow,
    Derived,
    RegisterRow,
    Restart,
    RowName,
)
from harness.plans.schema.kind.shapes import ConditionalSearch, MemoryShape, PortsShape
from harness.plans.schema.kind.wire import WireCommand

_IDENTITY = frozenset({"rom_code", "serial_number"})


class Kind(FromFile):
    """A kind of device, described from its data sheet."""

    title: Word = Field(alias="kind", description="what it is, in the trade's words")
    codes: Families = Field(description="its family code, or several")
    class_: Literal[DEVICE_CLASSES] = Field(  # type: ignore[valid-type]
        alias="class", description="class of the table of kinds"
    )
    replaces_built_in: bool = Field(
        default=False,
        description="true if one of the codes is built in and this shall stand for it",
    )
    typical_parts: str = Field(
        default="", max_length=200, description="part numbers for people"
    )
    facts: str = Field(default="", max_length=1000, description="what else to know")
    destructive: str = Field(
        default="", max_length=1000, description="what cannot be undone or can hurt"
    )
    sources: Annotated[tuple[Text, ...], Field(strict=False, min_length=1)] = Field(
        description="data sheet, revision and pages; from memory where that is true"
    )
    commands: Annotated[tuple[WireCommand, ...], Field(strict=False, max_length=64)] = (
        Field(default=(), description="what goes over the wire, command by command")
    )
    conversions: dict[RowName, Annotated[Exchanges, Field(min_length=1)]] = Field(
        default_factory=dict,
        description="exchanges that measure anew, with their longest time",
    )
    convert_all: RowName | None = Field(
        default=None,
        description="conversion that a convert step makes of all devices of the kind at "
        "once, where each other kind on the bus keeps nothing of its command",
    )
    blocks: dict[RowName, BlockRow] = Field(
        default_factory=dict, description="bytes that are read together"
    )
    registers: Annotated[
        tuple[RegisterRow, ...], Field(strict=False, max_length=256)
    ] = Field(default=(), description="values in the blocks")
    derived: Annotated[tuple[Derived, ...], Field(strict=False, max_length=64)] = Field(
        default=(), description="quantities worked out from those before them"
    )
    memory: MemoryShape | None = Field(default=None, description="user memory")
    ports: PortsShape | None = Field(default=None, description="open-drain outputs")
    conditional_search: ConditionalSearch | None = Field(
        default=None, description="check of the conditional search"
    )
    restarts: Annotated[tuple[Restart, ...], Field(strict=False, max_length=32)] = (
        Field(default=(), description="what shows that the device restarted")
    )

    @model_validator(mode="after")
    def _refers_to_what_is_there(self) -> Self:
        self._about_blocks()
        self._about_convert_all()
        names = self._about_registers()
        self._about_derived(names)
        self._about_shapes()
        self._about_names(names)
        return self

    def _about_blocks(self) -> None:
        for name, exchanges in self.conversions.items():
            for number, exchange in enumerate(exchanges):
                exchange.require_gaps({}, f"conversions.{name}.{number}")
        for name, block in self.blocks.items():
            block.require_gaps({}, f"blocks.{name}")
            for number, exchange in enumerate(block.before):
                exchange.require_gaps({}, f"blocks.{name}.before.{number}")
            if block.change is None:
                continue
            size = block.block_bytes
            at = f"blocks.{name}.change"
            keeps = len(bytes.fromhex(block.change.keeps.replace(":", "")))
            if keeps and keeps != size:
                raise complaint(
                    f"keeps has {keeps} bytes and the block {size}: read {block.read}"
                    f", and {block.read - size} of the crc at its end",
                    expected="as many",
                    at=f"{at}.keeps",
                )
            for number, exchange in enumerate(block.change.exchanges):
                sizes = {"data": size, "old": size}
                exchange.require_gaps(sizes, f"{at}.exchanges.{number}")

    def _about_convert_all(self) -> None:
        name, at = self.convert_all, "convert_all"
        if name is None:
            return
        _one_of(name, self.conversions, "conversion", at)
        require_for_all(self.conversions[name], f"conversions.{name}")
        shared = {row.block for row in self.registers if row.conversion == name}
        if not shared:
            raise complaint(
                f"no register is of conversion {name}",
                expected=f"conversion: {name} in a register",
                at=at,
            )
        for number, row in enumerate(self.registers):
            if row.block in shared and row.conversion not in (None, name):
                raise complaint(
                    f"block {row.block} would hold the result of {row.conversion}, and "
                    f"of {name}, which all make at once",
                    expected="a block for each",
                    at=f"registers.{number}.conversion",
                )

    def _about_registers(self) -> list[str]:
        for number, row in enumerate(self.registers):
            _one_of(row.block, self.blocks, "block", f"registers.{number}.block")
        for number, row in enumerate(self.registers):
            at = f"registers.{number}"
            if row.conversion is not None:
                _one_of(
                    row.conversion, self.conversions, "conversion", f"{at}.conversion"
                )
            _require_place(row, self.blocks[row.block], at)
            if row.needs is not None:
                beside = [r.name for r in self.registers if r.block == row.block]
                what = f"row of block {row.block}"
                _one_of(row.needs.register_, beside, what, f"{at}.needs.register")
        return [row.name for row in self.registers if row.access != "write"]

    def _about_derived(self, names: list[str]) -> None:
        numbers = {row.name for row in self.registers if row.is_number}
        numbers &= set(names)
        for number, row in enumerate(self.derived):
            for source in row.sources:
                _one_of(source, numbers, "number", f"derived.{number}")
            numbers.add(row.name)
            names.append(row.name)

    def _about_shapes(self) -> None:
        if self.ports is not None:
            _one_of(self.ports.block, self.blocks, "block", "ports.block")
            bits = 8 * self.blocks[self.ports.block].block_bytes
            for key in ("levels", "latches"):
                if max(getattr(self.ports, key)) >= bits:
                    raise complaint(
                        f"bit {max(getattr(self.ports, key))} of {bits}",
                        expected=f"below {bits}",
                        at=f"ports.{key}",
                    )
        search = self.conditional_search
        if search is None:
            return
        settings = self.setting_names
        for key in ("met", "unmet"):
            for name in getattr(search, key):
                _one_of(name, settings, "setting", f"conditional_search.{key}.{name}")
        if search.conversion is not None:
            at = "conditional_search.conversion"
            _one_of(search.conversion, self.conversions, "conversion", at)

    @property
    def setting_names(self) -> list[str]:
        """Names of its settings from registers."""
        return [row.key for row in self.registers if row.access != "read"]

    def _about_names(self, quantities: list[str]) -> None:
        places = [(r.name, f"registers.{n}.name") for n, r in enumerate(self.registers)]
        places += [(r.name, f"derived.{n}.name") for n, r in enumerate(self.derived)]
        taken = {*_IDENTITY, *self._names_of_shapes}
        for name, at in places:
            if name in taken:
                raise complaint(
                    f"the name {name!r} is taken", expected="each name once", at=at
                )
            taken.add(name)
        keys = [*self.setting_names, *self._settings_of_shapes]
        for number, row in enumerate(self.registers):
            if row.access != "read" and keys.count(row.key) > 1:
                raise complaint(
                    f"two settings with the name {row.key!r}",
                    expected="each name once",
                    at=f"registers.{number}",
                )
        known = {*taken, *keys, *self._checks, ALARM_SEARCH}
        self._about_governed(known, [*quantities, *self._names_of_shapes])

    def _about_governed(self, known: Set[str], quantities: list[str]) -> None:
        for number, row in enumerate(self.registers):
            for name in row.governs:
                _one_of(name, known, "quantity or check", f"registers.{number}.governs")
        for number, sign in enumerate(self.restarts):
            at = f"restarts.{number}"
            _one_of(sign.shown_by, quantities, "quantity", at)
            for name in sign.governs:
                _one_of(name, known, "quantity, setting or check", f"{at}.governs")

    @property
    def _names_of_shapes(self) -> list[str]:
        names = ["first_bytes"] if self.memory else []
        if self.ports:
            names.append("ports")
            for channel in self.ports.channels:
                names += [f"channel_{channel}_level", f"channel_{channel}_output_off"]
        return names

    @property
    def _settings_of_shapes(self) -> list[str]:
        channels = self.ports.channels if self.ports else ()
        return ["sense_mohm", *(f"channel_{channel}_output" for channel in channels)]

    @property
    def _checks(self) -> list[str]:
        names = (
            ["memory_verify", "memory_write", "memory_pattern"] if self.memory else []
        )
        if self.ports:
            names += ["output_walk", "loop_back"]
        return [*names, *(["conditional_search"] if self.conditional_search else [])]


def _require_place(row: RegisterRow, block: BlockRow, at: str) -> None:
    """A row lies inside its block, and the block can be written if the row is."""
    if row.end > block.block_bytes:
        raise complaint(
            f"{row.name} ends with byte {row.end - 1} of the {block.block_bytes} of "
            f"{row.block}",
            expected=f"at most byte {block.block_bytes - 1}",
            at=f"{at}.at",
        )
    if row.access != "read" and block.change is None:
        raise complaint(
            f"{row.name} is written, and block {row.block} cannot be",
            expected=f"change in block {row.block}",
            at=f"{at}.access",
        )


def _one_of(name: str, known: Iterable[str], what: str, at: str) -> None:
    names = sorted(known)
    if name not in names:
        raise complaint(
            f"there is no {what} {name!r} here",
            expected=one_of(names) if names else f"a {what} of that name",
            nearest=nearest(name, names),
            at=at,
        )
