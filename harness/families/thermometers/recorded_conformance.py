"""Data-sheet conformance of a thermometer, from what a recording shows of it.

The signs are those of ``data_sheet_conformance``, as far as the transactions of another host
show them. None is an accusation; each says what was seen and what was expected.

Sources: data sheet family 28h (part DS18B20) p. 3-8; for byte 6 and the serial number a
public survey text on clone 28h thermometers (C. Petrich, 2024; common practice).
"""

from __future__ import annotations

from collections.abc import Iterator

from harness.families.kind_facts import NOT_AS_SHEET
from harness.families.transactions import SeenCommand

_POWER_ON = b"\x50\x05"
_BLOCK = 8
_SETTABLE, _FIXED = 0x60, 0x1F
"""Of the configuration byte: the resolution; bit 7 reads as 0 and the low five as 1
whatever is written (data sheet family 28h, part DS18B20, p. 9)."""

_FINEST = 0x60
"""Resolution bits at 12 bit: at a coarser one the last bits of a reading are undefined."""


class RecordedThermometer:
    """One thermometer of family 28h, transaction by transaction.

    Args:
        wire: its ROM code in the order of the wire.
    """

    def __init__(self, wire: bytes) -> None:
        self._wire = wire
        self._written: int | None = None
        self._converted = False
        self._last = b""
        self._not_taken: tuple[int, int] | None = None
        self._byte_6: tuple[int, int] | None = None
        self._repeats = 0

    def feed(self, seen: SeenCommand) -> None:
        """Takes one command, of this device or of all at once."""
        name = seen.command.name if seen.command else ""
        if name == "write scratchpad" and len(settings := seen.data("settings")) == 3:
            self._written = settings[2]
        elif name == "recall":
            self._written = None  # what is stored may be another
        elif name == "convert":
            self._converted = True
        elif name == "read scratchpad" and seen.crcs_right:
            block = seen.data("block")
            if len(block) == _BLOCK:
                self._read(block)

    def _read(self, block: bytes) -> None:
        if block[:2] == _POWER_ON:
            self._written = None  # it may have lost its supply since
        if self._written is not None and block[4] != self._written & _SETTABLE | _FIXED:
            self._not_taken = (self._written, block[4])
        expected = 0x10 - (block[0] & 0x0F)
        is_finest = block[4] & _SETTABLE == _FINEST
        if block[:2] != _POWER_ON and is_finest and block[6] != expected:
            self._byte_6 = (block[6], expected)
        if self._converted and block == self._last:
            self._repeats += 1
        self._converted, self._last = False, block

    def notes(self) -> Iterator[str]:
        """What does not agree with the data sheet or with genuine parts."""
        signs = []
        if self._not_taken is not None:
            written, read = self._not_taken
            signs.append(
                f"configuration {written:02X}h was written and {read:02X}h is read back "
                "(stated in the data sheet)"
            )
        if self._byte_6 is not None:
            signs.append(
                f"byte 6 is {self._byte_6[0]:02X}h where genuine parts show "
                f"{self._byte_6[1]:02X}h, 10h less the last four bits (strong)"
            )
        upper = self._wire[5:7]
        if signs and upper != b"\x00\x00":
            signs.append(
                f"the serial number does not end in zeros ({upper.hex(' ').upper()}; weak)"
            )
        if signs:
            yield f"{NOT_AS_SHEET}: {'; '.join(signs)}"
        if self._repeats:
            yield (
                "a block repeats byte for byte after a conversion: whether it is a new "
                "reading cannot be determined"
            )
