"""Slots of a chosen low time, judged by what one device made of them.

What is written or read with the stressed slots is checked with safe ones. A device
with a register that may be written is asked through that, and the register is
restored; any other is asked while it alone takes part in a search.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace
from itertools import cycle
from types import TracebackType
from typing import Self

from harness.driver.bus import Bus
from harness.errors import DeviceError, LineError, LineShorted
from harness.families.family import Register
from harness.plans.steps.second_look import fault_not_again
from harness.plans.steps.slots.points import Point, Slot
from harness.timing.isolation import Isolated
from harness.wire.romcode import RomCode
from harness.wire.slots.synthesis import Made


def _no_place(rom: RomCode, slot: Slot) -> str:
    return (
        f"{rom} has no bit in its ROM code by which {slot} slots could be tried where it "
        "takes part alone, and no register that may be written"
    )


class SlotProbe:
    """Tries slots on one device; as a context it leaves the device as it was.

    Args:
        bus: the bus.
        rom: the device.
        others: every device on the bus.
        register: a register of it that may be written, or None.
        slot: kind of slot.
    """

    def __init__(
        self,
        bus: Bus,
        rom: RomCode,
        others: Iterable[RomCode],
        *,
        register: Register | None,
        slot: Slot,
    ) -> None:
        self._bus, self._rom, self._register = bus, rom, register
        self._value = 0x00 if slot == "write-0" else 0xFF
        self._alone = Isolated(bus, rom, others)
        places = self._alone.positions(int(slot != "write-0"))
        self.cannot = "" if places or register is not None else _no_place(rom, slot)
        """Why nothing can be tried on this device; empty if it can."""
        self._places = cycle(places)
        self._kept = b""
        self._try: Callable[[Made], tuple[int, int]]
        if register is None:
            self._try = self._search_read if slot == "read" else self._search_write
        else:
            self._try = self._block_read if slot == "read" else self._block_write

    def __enter__(self) -> Self:
        if self._register is not None:
            self._kept = self._read_register(self._register)
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self._register is not None:
            self._bus.transact(self._rom, self._register.write + self._kept)

    def sweep(self, points: Iterable[Point], slots: int) -> None:
        """Try ``slots`` slots at each point; a point that fails early is cut short.

        One that failed is tried once more, since one spoilt answer makes a slot wrong.
        """
        for point in points:
            self._fill(point, slots)
            if point.wrong:
                again = replace(point, tried=0, wrong=0)
                self._fill(again, slots)
                point.only_once = not again.wrong

    def _twice(self, made: Made) -> tuple[int, int]:
        """One try; a fault in it counts if it comes again in the next.

        A step is hundreds of tries: to repeat all of it would give whatever spoils an
        answer now and then as many chances again.
        """
        try:
            return self._try(made)
        except LineShorted:
            raise  # made sure of where it is found
        except (LineError, DeviceError) as fault:
            self._bus.adapter.settle()
            self._try(made)
            raise fault_not_again(fault) from fault

    def _fill(self, point: Point, slots: int) -> None:
        while point.tried < slots:
            tried, wrong = self._twice(point.made)
            point.tried += tried
            point.wrong += wrong
            if point.wrong and point.tried >= slots // 10:
                break  # failed for sure; more slots would show nothing new

    def _send(self, made: Made, slots: int) -> bytes:
        """Stressed slots, in one burst or, where they would be too short, one by one."""
        frame = bytes([made.frame.byte])
        if not made.single:
            return self._bus.exchange(frame * slots, made.request_baud)
        return b"".join(
            self._bus.exchange(frame, made.request_baud) for _ in range(slots)
        )

    # -- through a register --------------------------------------------------------

    def _read_register(self, register: Register) -> bytes:
        block = self._bus.transact(self._rom, register.read, register.block)
        register.prove(block)
        return block[register.offset : register.offset + register.size]

    def _block_write(self, made: Made) -> tuple[int, int]:
        """All ones or zeros, written with stressed slots over their opposite."""
        bus, register, value = self._bus, self._register, self._value
        assert register is not None
        bus.transact(self._rom, register.write + bytes([value ^ 0xFF]) * register.size)
        bus.require_presence()
        bus.write(bus.selection(self._rom) + register.write)
        self._send(made, 8 * register.size)
        got = self._read_register(register)
        wrong = sum(
            ((have ^ value) & mask).bit_count()
            for have, mask in zip(got, register.mask, strict=True)
        )
        return sum(mask.bit_count() for mask in register.mask), wrong

    def _block_read(self, made: Made) -> tuple[int, int]:
        """The block, once with safe slots and once with stressed ones."""
        bus, register = self._bus, self._register
        assert register is not None
        safe = bus.transact(self._rom, register.read, register.block)
        register.prove(safe)
        bus.require_presence()
        bus.write(bus.selection(self._rom) + register.read)
        stressed = bus.slots.decode(self._send(made, 8 * register.block))
        wrong = sum((a ^ b).bit_count() for a, b in zip(safe, stressed, strict=True))
        return 8 * register.block, wrong

    # -- while alone in a search ---------------------------------------------------

    def _search_write(self, made: Made) -> tuple[int, int]:
        """Its own bit, written with a stressed slot: does it still take part?"""
        place = next(self._places)
        self._alone.enter(place)
        self._alone.pair()
        self._send(made, 1)
        return 1, int(self._alone.pair() != self._alone.own_pair(place + 1))

    def _search_read(self, made: Made) -> tuple[int, int]:
        """Its pair, read with stressed slots."""
        place = next(self._places)
        self._alone.enter(place)
        pair = self._bus.slots.decode_bits(self._send(made, 2))
        wrong = sum(
            a != b for a, b in zip(pair, self._alone.own_pair(place), strict=True)
        )
        return 2, wrong
