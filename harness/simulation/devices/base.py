"""What every device does: sessions of time slots, and the ROM commands.

A device is a generator of slots. It yields what to do with the next slot and gets
the bit its pin sampled:

    bit = yield LISTEN          leave the line, read what the host writes
    yield PULL                  send a 0
    yield self._busy            asked when the slot begins: 0 or 1
    bits = yield RECEIVE_BYTE   several slots that are fixed beforehand, see ``slot_block``

so command code reads like the data sheet: ``command = yield from
self.receive_byte()``. A generator that returns is silent until the next reset.
"""

from __future__ import annotations

from collections.abc import Callable, Generator
from functools import lru_cache
from random import Random
from typing import Any, Generic, Protocol, TypeVar

from harness.simulation.devices.slot_block import (
    BYTE,
    RECEIVE_BYTE,
    SEARCH_STEP,
    SINGLE,
    SlotBlock,
    match_of,
)
from harness.simulation.devices.supply import Supply
from harness.simulation.settings.device import DeviceSettings
from harness.wire.romcode import RomCode

PULL = 0
LISTEN = 1

Level = int | Callable[[], int]
Want = Level | SlotBlock
Slots = Generator[Want, int, None]
Bits = Generator[Want, int, int]

READ_ROM = 0x33
OLD_READ_ROM = 0x0F
MATCH_ROM = 0x55
SKIP_ROM = 0xCC
SEARCH_ROM = 0xF0
CONDITIONAL_SEARCH = 0xEC
RESUME = 0xA5
OVERDRIVE_SKIP_ROM = 0x3C
OVERDRIVE_MATCH_ROM = 0x69

_OVERDRIVE_COMMANDS = frozenset({OVERDRIVE_SKIP_ROM, OVERDRIVE_MATCH_ROM})


@lru_cache(maxsize=4096)
def _bits(rom: RomCode) -> tuple[int, ...]:
    return rom.bits


def _nobody_listens() -> None:
    """Stands for the bench before the device is on it."""


def _nobody(bit: int) -> Want:
    """Stands for a session before the first reset."""
    raise RuntimeError(f"bit {bit} for a device that is not listening")


class DeviceSurroundings(Protocol):
    """What a device needs of its bench."""

    def now_us(self) -> float:
        """Bench time."""
        ...

    def after(self, delay_us: float, action: Callable[[], None]) -> None:
        """Have ``action`` done after a time."""
        ...

    def ambient_k(self) -> float:
        """How much warmer it is around the devices now than at power-up."""
        ...

    def device_in(self, socket: str) -> Device[Any]:
        """Another device, for a wire beside the bus.

        Raises:
            ValueError: there is none.
        """
        ...


SettingsT = TypeVar("SettingsT", bound=DeviceSettings)


class Device(Generic[SettingsT]):
    """A device on the line, without a function of its own.

    Args:
        settings: from the fixture.
        rom: its ROM code.
        random: its own source of everything that is drawn.
        surroundings: the bench.

    Attributes:
        rom: the ROM code it answers with; faults put another one here.
        true_rom: its own ROM code.
        want: what to do with the next slot; None while it is silent.
        block: the fixed slots that it is in; None if it decides when a slot begins.
        done: how many of those are over.
        fast: True while it runs in overdrive.
        on_speed: called when that changes.
        send: hands the sampled bit to the session and returns the next wish.
        restarts_in_work: a fault; the chip restarts instead of finishing its work.
        wrong_bytes: a fault; register number to what is read there.
    """

    knows_resume = False
    knows_conditional_search = False
    knows_overdrive = False
    stands_programming = False

    def __init__(
        self,
        *,
        settings: SettingsT,
        rom: RomCode,
        random: Random,
        surroundings: DeviceSurroundings,
    ) -> None:
        self.settings = settings
        self.rom = rom
        self.true_rom = rom
        self.random = random
        self.surroundings = surroundings
        self.supply: Supply
        self.restarts_in_work = False
        self.wrong_bytes: dict[int, int] = {}
        self.fast = settings.wakes_in_overdrive and self.can_overdrive
        self.on_speed: Callable[[], None] = _nobody_listens
        self.want: Level | None = None
        self.block: SlotBlock | None = None
        self.done = 0
        self.send: Callable[[int], Want] = _nobody
        self._sampled = 0
        self._slots: Slots | None = None
        self._resumable = False

    # the pin's side

    def level(self) -> int:
        """What to do with the slot that begins now: 0 pulls, 1 leaves the line."""
        want = self.want
        if want is None:
            return LISTEN
        return want if isinstance(want, int) else want()

    def take(self, bit: int) -> None:
        """The bit sampled in this slot."""
        if self.want is None:
            return
        if self.block is None:
            self._go_on(bit)
        else:
            self.take_block(bit, 1)

    def take_block(self, bits: int, count: int) -> None:
        """The bits sampled in the next ``count`` slots of the block it is in.

        A device that waits for other bits leaves the session by the end of them.
        """
        block = self.block
        assert block is not None
        bits, count = self._sampled | bits << self.done, self.done + count
        if count == block.length or block.differs(bits, count):
            self._go_on(bits)
        else:
            self._sampled, self.done = bits, count
            self.want = block.levels >> count & 1

    def _go_on(self, bits: int) -> None:
        """Hand the session what was sampled, and ask it for the next slots."""
        try:
            self._wish(self.send(bits))
        except StopIteration:
            self.fall_silent()

    def _wish(self, want: Want) -> None:
        if isinstance(want, int):
            self.want, self.block = want, SINGLE[want]
        elif isinstance(want, SlotBlock):
            self.want, self.block = want.levels & 1, want
        else:
            self.want, self.block = want, None
        self.done = self._sampled = 0

    @property
    def can_overdrive(self) -> bool:
        """True if this one has the second speed."""
        own = self.settings.overdrive
        return self.knows_overdrive if own is None else own

    @property
    def is_mute(self) -> bool:
        """True if it takes no part until the next reset."""
        return self.want is None

    def _run(self, *, fast: bool) -> None:
        if fast != self.fast:
            self.fast = fast
            self.on_speed()

    def slip_into_overdrive(self) -> None:
        """A glitch does what only a command should."""
        if self.can_overdrive:
            self._run(fast=True)

    def go_mute(self, *, leave_overdrive: bool) -> None:
        """A low that is no promised reset: no presence, and deaf until a reset."""
        self.fall_silent()
        if leave_overdrive:
            self._run(fast=False)

    def restart(self, *, leave_overdrive: bool = True) -> None:
        """A reset was seen: drop what was going on and listen for a ROM command."""
        self.fall_silent()
        if leave_overdrive:
            self._run(fast=False)
        self._slots = self._session()
        self.send = self._slots.send
        self._wish(next(self._slots))

    def fall_silent(self) -> None:
        """Take no part until the next reset."""
        slots, self._slots, self.want, self.block = self._slots, None, None, None
        if slots is not None:
            slots.close()

    # the supply's side

    def power_on(self) -> None:
        """Power came (back): volatile state has its power-on values."""
        self._resumable = False
        self._run(fast=self.settings.wakes_in_overdrive and self.can_overdrive)
        self.load_power_on_values()

    def power_off(self) -> None:
        """Power went, in the middle of whatever was going on."""
        self.fall_silent()
        self.abandon_work()

    # for the kinds to fill in

    def lift(self, lifted: bool) -> None:
        """The line goes to a programming voltage, or comes back from it."""

    def load_power_on_values(self) -> None:
        """Set volatile state as after power-up."""

    def abandon_work(self) -> None:
        """Power failed: what was being worked on is lost."""

    def meets_condition(self) -> bool:
        """True if the device takes part in a conditional search."""
        return False

    def function(self, command: int) -> Slots:
        """Carry out a function command; unknown ones are ignored in silence."""
        yield from ()

    # building stones for commands

    def receive_byte(self) -> Bits:
        """Eight slots written by the host."""
        return (yield RECEIVE_BYTE)

    def send_byte(self, value: int) -> Slots:
        """Eight slots read by the host."""
        yield BYTE[value & 0xFF]

    def send_bytes(self, values: bytes) -> Slots:
        """As many bytes, least significant bit first."""
        for value in values:
            yield BYTE[value]

    # ROM layer

    def _session(self) -> Slots:
        command = yield from self.receive_byte()
        selected = yield from self._rom_command(command)
        if selected:
            function = yield from self.receive_byte()
            yield from self.function(function)

    def _rom_command(self, command: int) -> Generator[Want, int, bool]:
        """True if the device is selected by it, and takes a function command next."""
        if command == MATCH_ROM:
            return (yield from self._match())
        if command == SEARCH_ROM:
            return (yield from self._search())
        if self.reads_rom_on(command):
            yield from self.send_bytes(self.rom.wire)
            return True
        if command == SKIP_ROM:
            return True
        return (yield from self._optional_rom_command(command))

    def _optional_rom_command(self, command: int) -> Generator[Want, int, bool]:
        """Commands that only some kinds of device know."""
        if command == CONDITIONAL_SEARCH and self.knows_conditional_search:
            return self.meets_condition() and (yield from self._search())
        if command == RESUME and self.knows_resume:
            return self._resumable
        if command in _OVERDRIVE_COMMANDS and self.can_overdrive:
            return (yield from self._go_fast(command))
        return False

    def reads_rom_on(self, command: int) -> bool:
        """True for the command that makes the device send its ROM code."""
        return command == READ_ROM

    def _go_fast(self, command: int) -> Generator[Want, int, bool]:
        """Overdrive from the next slot on; who is not meant goes back, and is out."""
        before = self.fast
        self._run(fast=True)
        if command == OVERDRIVE_SKIP_ROM:
            return True
        self._resumable = False
        for bit in _bits(self.rom):  # slot by slot: it must not be fast any longer
            if (yield LISTEN) != bit:
                self._run(fast=before)
                return False
        self._resumable = True
        return True

    def _match(self) -> Generator[Want, int, bool]:
        self._resumable = False
        meant = match_of(self.rom)
        self._resumable = (yield meant) == meant.expected
        return self._resumable

    def _search(self) -> Generator[Want, int, bool]:
        self._resumable = False
        for bit in _bits(self.rom):
            if (yield SEARCH_STEP[bit]) >> 2 != bit:
                return False
        self._resumable = True
        return True
