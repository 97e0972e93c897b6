"""Cells that take time to write, and what a failing supply leaves of them."""

from __future__ import annotations

from collections.abc import Callable
from random import Random
from typing import Protocol

from harness.simulation.devices.base import DeviceSurroundings
from harness.simulation.devices.supply import Supply

FULL_CURRENT_AFTER_US = 75.0
"""From the edge of a command's last slot to the working current: the slot, and 10 us
in which a strong pull-up may come on."""


class Worker(Protocol):
    """The device whose cells they are."""

    surroundings: DeviceSurroundings
    supply: Supply
    random: Random


class CellWriter:
    """One write at a time, of a row of bytes.

    Attributes:
        is_busy: True while cells are written.
    """

    def __init__(self, owner: Worker, cells: bytearray) -> None:
        self.is_busy = False
        self._owner = owner
        self._cells = cells
        self._job = 0
        self._finish: Callable[[bool], None] | None = None

    def start(
        self,
        address: int,
        values: bytes,
        *,
        length_ms: float,
        active_ma: float,
        least_v: float,
        stands_low_us: float = 0.0,
        done: Callable[[bool], None],
    ) -> None:
        """Write ``values``; ``done(well)`` comes at the end, or when power fails."""
        owner = self._owner
        self._job += 1
        job = self._job
        self.is_busy = True
        well = True

        def sag() -> None:
            nonlocal well
            well = False

        def finish(supplied: bool) -> None:
            self.is_busy = False
            self._finish = None
            for place, value in enumerate(values):
                # without supply some cells took the new value, some did not
                if supplied or owner.random.random() < 0.5:
                    self._cells[address + place] = value
            done(supplied)

        def begin() -> None:
            if job == self._job and self.is_busy:
                owner.supply.work(
                    active_ma / 1000,
                    least_v=least_v,
                    on_sag=sag,
                    stands_low_us=stands_low_us,
                )

        def end() -> None:
            if job == self._job and self.is_busy:
                owner.supply.rest()
                finish(well)

        self._finish = finish
        if owner.supply.takes_time:
            owner.surroundings.after(FULL_CURRENT_AFTER_US, begin)
        else:
            begin()
        owner.surroundings.after(1000 * length_ms, end)

    def lose_power(self) -> None:
        """The supply is gone in the middle of whatever was written."""
        if self._finish is not None:
            self._finish(False)


def initial(size: int, content: str, fill: int) -> bytearray:
    """Cells as a fixture has them."""
    given = bytes.fromhex(content)
    return bytearray(given + bytes([fill]) * (size - len(given)))
