"""Shapes that a described kind may have: memory, ports, a conditional search."""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from harness.plans.schema.base import Scalar, Strict, Text, Word, complaint
from harness.plans.schema.kind.exchange import Exchanges
from harness.plans.schema.kind.rows import Hazards, RowName
from harness.plans.schema.transact import HexBytes, bytes_of


class ScratchpadShape(Strict):
    """Write scratchpad (0Fh), read it back (AAh), copy it (55h): the common way."""

    pad_bytes: Literal[8, 16, 32, 64] = Field(description="length of the scratchpad")
    copy_ms: float = Field(gt=0, le=1000, description="longest time of a copy")
    done: HexBytes = Field(description="bytes that the device shows after a copy")
    write_crc: bool = Field(
        default=True, description="a full write is answered by a CRC-16"
    )
    read_crc: bool = Field(
        default=True, description="a full reading is followed by a CRC-16"
    )
    whole_rows: bool = Field(
        default=False, description="only a full, aligned scratchpad is copied"
    )
    copy_command: int = Field(
        default=0x55, ge=0, le=0xFF, description="code of the copy"
    )


class MemoryShape(Strict):
    """A row of bytes that can be read and perhaps written."""

    size: int = Field(ge=1, le=1 << 16, description="bytes of the data area")
    hazards: Hazards = Field(description="of writing it; [] if it can bear anything")
    row_bytes: int = Field(
        default=0, ge=0, le=256, description="bytes that go together; all if left out"
    )
    first_row: int = Field(
        default=0, ge=0, le=255, description="what {row} is for the first of them"
    )
    first_address: int = Field(
        default=0, ge=0, le=0xFFFF, description="what {address} is for the first byte"
    )
    address_bytes: Literal[1, 2] = Field(
        default=2, description="bytes of {address}, low byte first"
    )
    read: Exchanges = Field(
        default=(),
        description="exchanges that read one row, the last one answers with it; gaps: "
        "{row}, {address}",
    )
    write: Exchanges = Field(
        default=(),
        description="exchanges that write one row; gaps: {row}, {address}, {data}",
    )
    scratchpad: ScratchpadShape | None = Field(
        default=None, description="instead of read and write: the common way"
    )

    @model_validator(mode="after")
    def _one_way(self) -> Self:
        if bool(self.read) == (self.scratchpad is not None):
            raise complaint("how memory is read", expected="one of read and scratchpad")
        if self.scratchpad is None:
            self._about_rows()
            self._about_exchanges()
            return self
        if self.write:
            raise complaint(
                "write beside scratchpad", expected="one of them", at="write"
            )
        if self.size % self.scratchpad.pad_bytes:
            raise complaint(
                f"{self.size} bytes in scratchpads of {self.scratchpad.pad_bytes}",
                expected="a size that they divide",
                at="size",
            )
        if not bytes_of(self.scratchpad.done):
            raise complaint("no bytes", expected="AA 55", at="scratchpad.done")
        return self

    def _about_rows(self) -> None:
        if self.size % self.row:
            raise complaint(
                f"{self.size} bytes in rows of {self.row}",
                expected="a size that they divide",
                at="row_bytes" if self.row_bytes else "size",
            )
        if self.first_row + self.rows > 256:
            raise complaint("more than 256 rows", expected="longer rows", at="size")
        last = self.first_address + self.size - 1
        if last >= 1 << 8 * self.address_bytes:
            raise complaint(
                f"addresses up to {last:X}h in {self.address_bytes} byte",
                expected="address_bytes: 2",
                at="size",
            )

    def _about_exchanges(self) -> None:
        answered = self.read[-1].block_bytes
        if answered != self.row:
            raise complaint(
                f"the last exchange of read answers with {answered} bytes of data",
                expected=self._row_in_words
                + ("" if answered else "; what writes a row stands under write"),
                at=f"read.{len(self.read) - 1}.read",
            )
        sizes = {"row": 1, "address": self.address_bytes}
        for number, exchange in enumerate(self.read):
            exchange.require_gaps(sizes, f"read.{number}")
        for number, exchange in enumerate(self.write):
            exchange.require_gaps({**sizes, "data": self.row}, f"write.{number}")

    @property
    def _row_in_words(self) -> str:
        whence = "row_bytes" if self.row_bytes else "size, as there is no row_bytes"
        return f"{self.row} ({whence}) and what its crc takes"

    @property
    def row(self) -> int:
        """Bytes that go together."""
        return self.row_bytes or self.size

    @property
    def rows(self) -> int:
        """How many of them."""
        return self.size // self.row


BitNumbers = Annotated[
    tuple[Annotated[int, Field(ge=0, le=511)], ...],
    Field(strict=False, min_length=1, max_length=8),
]


class PortsShape(Strict):
    """Open-drain outputs that read their own pins."""

    channels: Annotated[
        tuple[Annotated[str, Field(pattern="^[a-z0-9]{1,8}$")], ...],
        Field(strict=False, min_length=1, max_length=8),
    ] = Field(description="their names, in small letters")
    block: RowName = Field(description="block in which their bits are read")
    levels: BitNumbers = Field(
        description="bit of each pin's level, counted from bit 0 of byte 0; 1 is high"
    )
    latches: BitNumbers = Field(description="bit of each latch; 1 is transistor off")
    drive: Annotated[Exchanges, Field(min_length=1)] = Field(
        description="exchanges that write all latches; gaps: {latches}, a byte with a "
        "bit for each channel from bit 0 on and ones above, and {inverse}"
    )
    hazards: Annotated[Hazards, Field(min_length=1)] = Field(
        description="of switching an output"
    )
    after_power_up: Literal["off", "random"] | None = Field(
        default=None, description="what a restart leaves in the latches"
    )
    safe: bool = Field(default=False, description="an examination may ask for them")
    source: Text = Field(description="data sheet and page, or from memory")

    @model_validator(mode="after")
    def _a_bit_for_each(self) -> Self:
        count = len(self.channels)
        if len(set(self.channels)) != count:
            raise complaint("a channel twice", expected="each once", at="channels")
        for key, bits in (("levels", self.levels), ("latches", self.latches)):
            if len(bits) != count:
                raise complaint(
                    f"{len(bits)} bits for {count} channels",
                    expected="one for each",
                    at=key,
                )
        for number, exchange in enumerate(self.drive):
            exchange.require_gaps({"latches": 1, "inverse": 1}, f"drive.{number}")
        return self


class ConditionalSearch(Strict):
    """Settings with which the device answers a conditional search, and with which not."""

    condition: Word = Field(description="when it answers, in words")
    met: Annotated[dict[str, Scalar], Field(min_length=1)] = Field(
        description="settings that make the condition hold"
    )
    unmet: Annotated[dict[str, Scalar], Field(min_length=1)] = Field(
        description="settings that make it fail"
    )
    conversion: RowName | None = Field(
        default=None, description="conversion made behind each of them"
    )
