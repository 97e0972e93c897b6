"""Slots of a frame to a transaction: ROM command, ROM code, and what follows.

Which side decides the low of a slot follows from its place here: a command is written
by the host, a ROM code is read from the device or written by the host, a search takes
two slots of the device and one of the host for each bit.

Source: data sheet of a family-28h thermometer (part DS18B20), ROM commands; of a
memory button (part DS1996) for the commands at overdrive speed.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from harness.families.command import Place
from harness.families.registry import Kinds, built_in
from harness.recordings.decoding.functions import (
    FunctionPhase,
    has_command,
    has_rom_command,
    read_functions,
)
from harness.recordings.decoding.sides import SlotSide
from harness.wire.crc import crc8
from harness.wire.romcode import RomCode

ROM_BITS = 64
CODE_BITS = 56
"""Of a ROM code, ahead of its CRC."""


class RomUse(StrEnum):
    """How a ROM code came to be in a transaction."""

    READ = "read"
    SEARCHED = "found by a search"
    COMPLETED = "found by a search that left out the CRC"
    MATCHED = "matched"
    RESUMED = "resumed"
    SKIPPED = "skipped"
    NONE = "none"


@dataclass(frozen=True, slots=True)
class _RomCommand:
    name: str
    use: RomUse


SEARCH_ROM = 0xF0

ROM_COMMANDS = {
    0x33: _RomCommand("read ROM", RomUse.READ),
    0x0F: _RomCommand("read ROM (0Fh)", RomUse.READ),
    0x55: _RomCommand("match ROM", RomUse.MATCHED),
    0x69: _RomCommand("overdrive match ROM", RomUse.MATCHED),
    0xCC: _RomCommand("skip ROM", RomUse.SKIPPED),
    0x3C: _RomCommand("overdrive skip ROM", RomUse.SKIPPED),
    SEARCH_ROM: _RomCommand("search ROM", RomUse.SEARCHED),
    0xEC: _RomCommand("conditional search", RomUse.SEARCHED),
    0xA5: _RomCommand("resume", RomUse.RESUMED),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class BusTransaction:
    """A reset and what followed it until the next one.

    Attributes:
        start_s: time of its first low, on the recording's own clock.
        end_s: end of its last low.
        has_reset: False at the recording's start or behind a gap.
        presence: True if a presence pulse answered the reset.
        overdrive_reset: True if the reset was one at overdrive speed.
        slots: number of slots.
        command: the ROM command, None without a whole one.
        command_name: in the trade's words, empty if it is none.
        use: how the ROM code came here.
        rom: the ROM code, None where no whole one is known.
        data: whole bytes behind the ROM command and code.
        left_bits: slots behind the last whole byte.
        function: what the data mean, as far as known.
        notes: what a reader should know.
        wrong: what is wrong with it, such as a CRC.
        adds_up: False if slots are missing, too many, or one was read wrong: it ends
            within a byte or a step of a search, its search contradicts itself, or a CRC
            is wrong.
        unfinished: within what it ends, such as its ROM code; empty if it is complete as
            far as its commands are known.
    """

    start_s: float
    end_s: float
    has_reset: bool
    presence: bool
    overdrive_reset: bool
    slots: int
    command: int | None
    command_name: str
    use: RomUse
    rom: RomCode | None
    data: bytes
    left_bits: int
    function: FunctionPhase
    notes: tuple[str, ...]
    wrong: tuple[str, ...]
    adds_up: bool = True
    unfinished: str = ""


@dataclass(slots=True)
class _Phase:
    """Where the ROM part of a frame ends, and what it says.

    ``is_completed``: the CRC of the ROM code was worked out, not read; ``is_branched``:
    both answers of a bit are 0, so there are several devices; ``is_odd``: the
    slots of a ROM code or search contradict each other, or end within a byte or step.
    """

    rom: RomCode | None
    used: int
    notes: list[str]
    wrong: list[str]
    is_completed: bool = False
    is_branched: bool = False
    is_odd: bool = False
    unfinished: str = ""


class TransactionReader:
    """Frames to transactions; remembers which devices were seen.

    Args:
        families: family codes that are known to be on the bus, from a fixture.
        kinds: those that are known; those built in if None.

    Attributes:
        roms: ROM codes with how each was seen first.
        branched: True if a search found different devices at a bit.
        alone: True if one device answered a search of all, or a read ROM, whole.
    """

    def __init__(
        self, families: tuple[int, ...] = (), kinds: Kinds | None = None
    ) -> None:
        self._kinds = kinds or built_in()
        self._known = set(families)
        self._selected: RomCode | None = None
        self.roms: dict[RomCode, RomUse] = {}
        self.branched = False
        self.alone = False

    def read(
        self, bits: NDArray[np.uint8], sides: NDArray[np.uint8], **frame: object
    ) -> BusTransaction:
        """The transaction of a frame.

        Args:
            bits: its slots.
            sides: a ``SlotSide`` for each, filled in here.
            frame: fields of the transaction that the lows gave.
        """
        command = _command(bits) if frame["has_reset"] else None
        row = ROM_COMMANDS.get(command) if command is not None else None
        use = row.use if row else RomUse.NONE
        phase = _Phase(None, 8 if command is not None else 0, [], [])
        sides[: phase.used] = SlotSide.HOST
        self._read_rom(bits, sides, phase, use)
        if phase.rom is not None and phase.rom.is_possible:
            self.branched |= phase.is_branched
            # a conditional search is answered by those with an alarm only, one at
            # overdrive speed by those that know it
            of_all = use is RomUse.READ or command == SEARCH_ROM
            of_all &= not frame["overdrive_reset"]
            self.alone |= of_all and not phase.is_branched
        if command is not None and row is None:
            function = self._in_place_of_selection(bits, command, phase, sides)
        else:
            function = self._function(bits[phase.used :], phase, use, sides)
        rest = bits[phase.used :]
        data, left = rest[: len(rest) // 8 * 8], len(rest) % 8
        wrong = (*phase.wrong, *function.wrong)
        return BusTransaction(
            slots=len(bits),
            command=command,
            command_name=row.name if row else "",
            use=use,
            rom=phase.rom,
            data=np.packbits(data, bitorder="little").tobytes(),
            left_bits=left,
            function=function,
            notes=tuple(phase.notes),
            wrong=wrong,
            adds_up=not (left or phase.is_odd or wrong),
            unfinished=phase.unfinished or _unfinished(function),
            **frame,  # type: ignore[arg-type]
        )

    def _read_rom(
        self,
        bits: NDArray[np.uint8],
        sides: NDArray[np.uint8],
        phase: _Phase,
        use: RomUse,
    ) -> None:
        """The ROM code that the frame selects or shows; it is remembered."""
        if use in {RomUse.READ, RomUse.MATCHED}:
            self._plain(bits, sides, phase, use)
        elif use is RomUse.SEARCHED:
            _walk(bits, sides, phase)
        elif use is RomUse.RESUMED:
            phase.rom = self._selected
        self._remember(phase.rom, RomUse.COMPLETED if phase.is_completed else use)

    def _in_place_of_selection(
        self,
        bits: NDArray[np.uint8],
        command: int,
        phase: _Phase,
        sides: NDArray[np.uint8],
    ) -> FunctionPhase:
        """A command that a family on this bus takes in place of a ROM command."""
        for family in sorted(self._known):
            if has_rom_command(self._kinds, family, command):
                phase.used = 0
                function = read_functions(self._kinds, bits, family, Place.ROM)
                sides[: len(function.sides)] = np.frombuffer(function.sides, np.uint8)
                return function
        phase.notes.append(f"{command:02X}h is no ROM command that is known here")
        return read_functions(self._kinds, bits[8:], None)

    def _function(
        self,
        rest: NDArray[np.uint8],
        phase: _Phase,
        use: RomUse,
        sides: NDArray[np.uint8],
    ) -> FunctionPhase:
        family = self._family(phase.rom, use, rest)
        function = read_functions(self._kinds, rest, family)
        if use is not RomUse.NONE:
            part = sides[phase.used :]
            part[: len(function.sides)] = np.frombuffer(function.sides, np.uint8)
        ends_in_ones = len(rest) >= 16 and len(rest) % 8 == 0 and rest[-8:].all()
        if ends_in_ones and not function.commands and not function.checks:
            phase.notes.append(
                "FFh at the end: written by the host, answered by a device, or by none"
            )
        return function

    def _family(
        self, rom: RomCode | None, use: RomUse, rest: NDArray[np.uint8]
    ) -> int | None:
        """The family whose commands follow.

        Where all devices are addressed it is the only one on the bus, or the only one
        that has such a command.
        """
        if rom is not None:
            return rom.family if rom.is_possible else None
        if use not in {RomUse.SKIPPED, RomUse.RESUMED}:
            return None
        if len(self._known) == 1 or len(rest) < 8:
            return next(iter(self._known), None)
        having = [
            code for code in self._known if has_command(self._kinds, code, _byte(rest))
        ]
        return having[0] if len(having) == 1 else None

    def _plain(
        self,
        bits: NDArray[np.uint8],
        sides: NDArray[np.uint8],
        phase: _Phase,
        use: RomUse,
    ) -> None:
        """A ROM code of 64 slots, read or written."""
        side = SlotSide.DEVICE if use is RomUse.READ else SlotSide.HOST
        sides[8 : 8 + ROM_BITS] = side
        code = bits[8 : 8 + ROM_BITS]
        phase.used = 8 + len(code)
        phase.is_odd = len(code) % 8 > 0
        if len(code) < ROM_BITS:
            phase.unfinished = f"a ROM code, after {len(code)} of 64 bits"
            phase.notes.append(
                f"ends within the ROM code, after {len(code)} of 64 bits"
            )
            return
        phase.rom = RomCode(np.packbits(code, bitorder="little").tobytes())
        if use is RomUse.READ and code.all():
            phase.rom = None
            phase.notes.append("no device answers the read ROM: only ones")
        elif not phase.rom.crc_holds:
            phase.wrong.append(f"the ROM code {phase.rom} has a wrong CRC")
            if use is RomUse.READ:
                phase.notes.append("several devices may have answered at once")

    def _remember(self, rom: RomCode | None, use: RomUse) -> None:
        if rom is None or not rom.is_possible:
            return
        self._selected = rom
        self._known.add(rom.family)
        if use is not RomUse.RESUMED:
            self.roms.setdefault(rom, use)


def _command(bits: NDArray[np.uint8]) -> int | None:
    """The first byte of a frame, None without a whole one."""
    return _byte(bits) if len(bits) >= 8 else None


def _unfinished(function: FunctionPhase) -> str:
    last = function.commands[-1] if function.commands else None
    if last is None or last.command is None or not last.unfinished:
        return ""
    return f"the command {last.command.name}"


def _byte(bits: NDArray[np.uint8]) -> int:
    return int(np.packbits(bits[:8], bitorder="little")[0])


def _walk(bits: NDArray[np.uint8], sides: NDArray[np.uint8], phase: _Phase) -> None:
    """A search: bit, complement and direction, 64 times."""
    steps = bits[8 : 8 + 3 * ROM_BITS]
    whole = len(steps) // 3
    triplets = steps[: 3 * whole].reshape(-1, 3)
    pattern = np.array([SlotSide.DEVICE, SlotSide.DEVICE, SlotSide.HOST], np.uint8)
    sides[8 : 8 + len(steps)] = np.resize(pattern, len(steps))
    phase.used = 8 + len(steps)
    silent = np.flatnonzero(triplets[:, 0] & triplets[:, 1])
    against = (triplets[:, 0] != triplets[:, 1]) & (triplets[:, 2] != triplets[:, 0])
    phase.is_branched = bool((~triplets[:, :2].any(axis=1)).any())
    phase.is_odd = bool(against.any()) or len(steps) % 3 > 0
    if against.any():
        at = int(np.flatnonzero(against)[0]) + 1
        phase.notes.append(
            f"the host takes a direction that no device has at bit {at} of the search"
        )
    if len(silent):
        phase.notes.append(
            f"no device answers from bit {int(silent[0]) + 1} of the search on"
        )
    if whole < ROM_BITS:
        phase.notes.append(f"the search ends after {whole} of 64 bits")
        if not len(silent) and not against.any():
            _complete(triplets[:, 2], phase)
            if phase.rom is None:
                phase.unfinished = f"a search, after {whole} of 64 bits"
        return
    rom = RomCode(np.packbits(triplets[:, 2], bitorder="little").tobytes())
    if len(silent) or against.any():
        return
    phase.rom = rom
    if not rom.crc_holds:
        phase.wrong.append(f"the ROM code {rom} found by the search has a wrong CRC")


def _complete(path: NDArray[np.uint8], phase: _Phase) -> None:
    """The ROM code of a search that ended in its CRC, which the other bits determine.

    A host may stop there: two devices never differ in the CRC alone. What there is
    of the CRC has to agree.
    """
    if len(path) < CODE_BITS:
        return
    code = np.packbits(path[:CODE_BITS], bitorder="little").tobytes()
    rom = RomCode(code + bytes([crc8(code)]))
    rest = path[CODE_BITS:]
    if tuple(rest.tolist()) != rom.bits[CODE_BITS : CODE_BITS + len(rest)]:
        phase.notes.append("what there is of the CRC does not fit the bits before it")
        return
    phase.rom, phase.is_completed = rom, True
    phase.notes.append(
        f"the ROM code with the CRC that fits is {rom}; no CRC was read to confirm it"
        if not len(rest)
        else f"the ROM code with the CRC that fits is {rom}; {len(rest)} of its last 8 bits "
        "were read"
    )
