"""A bus of ROM codes as logic: who answers what, what it costs; for many searches a second.

It knows resets, READ ROM and the search only, shares nothing with the simulator, and keeps
time by four figures: a round trip, a change of the rate, a reset, a slot.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from types import SimpleNamespace
from typing import Any, cast

from harness.driver.bus import Bus, RomCommand
from harness.driver.guessing.account import CRC_FROM
from harness.driver.guessing.prediction import Forecast
from harness.driver.search import Enumeration, Search
from harness.errors import NobodyAnswers
from harness.wire.romcode import RomCode

SLOT_S, RESET_S = 70e-6, 0.001
COMMANDS = {RomCommand.READ: 64, RomCommand.SEARCH: 0, RomCommand.CONDITIONAL_SEARCH: 0}


class LogicBus:
    """Devices that take part in searches.

    Args:
        roms: their codes.
        trip_s: round trip of a burst, besides its slots.
        change_s: what a change of the rate takes: one before a reset, one after it.
        spoil: changes a level that is read; arguments are its number and the level.
        alarmed: who answers a conditional search.
    """

    def __init__(
        self,
        roms: Sequence[RomCode],
        *,
        trip_s: float = 0.0015,
        change_s: float = 0.002,
        spoil: Callable[[int, int], int] = lambda _n, level: level,
        alarmed: Sequence[RomCode] = (),
    ) -> None:
        self._codes = [rom.bits for rom in roms]
        self._alarmed = [rom.bits for rom in alarmed]
        self._spoil = spoil
        self.trip_s = trip_s
        self.reset_s = trip_s + change_s + RESET_S
        self.change_s = change_s
        self._is_changed = False
        self.now_s = 0.0
        self.trips = 0
        self._reads = 0
        self._alive: list[tuple[int, ...]] = []
        self._command: list[int] = []
        self._slot = 0
        self.slots = SimpleNamespace(
            slot_us=SLOT_S * 1e6,
            encode_bits=bytes,
            encode=lambda data: bytes(b >> n & 1 for b in data for n in range(8)),
            decode_bits=list,
            read=lambda count: b"\x01" * count,
        )
        self.clock = SimpleNamespace(now_s=lambda: self.now_s)
        self.adapter = SimpleNamespace(url="logic", round_trip_s=trip_s)

    def require_presence(self) -> None:
        """A reset."""
        self.trips += 1
        self.now_s += self.reset_s
        self._is_changed = True
        self._command, self._slot = [], 0
        if not self._codes:
            raise NobodyAnswers("nobody")

    def begin_check(self) -> bytes:
        """Nothing was heard meanwhile."""
        return b""

    def check_written(self, *_: object) -> None:
        """Everything written came back."""

    def send(self, frames: bytes) -> bytes:
        """A burst: each written bit, or what the devices make of a read slot."""
        self.trips += 1
        self.now_s += self.trip_s + len(frames) * SLOT_S
        self.now_s += self.change_s if self._is_changed else 0
        self._is_changed = False
        return bytes(map(self._level, frames))

    def _level(self, bit: int) -> int:
        if len(self._command) < 8:
            self._command.append(bit)
            command = sum(b << n for n, b in enumerate(self._command))
            alarm = command == RomCommand.CONDITIONAL_SEARCH
            self._alive = list(self._alarmed if alarm else self._codes)
            return bit
        place, step = divmod(self._slot, 3)
        self._slot += 1
        command = sum(b << n for n, b in enumerate(self._command))
        if command == RomCommand.READ:
            return self._heard(all(code[self._slot - 1] for code in self._alive))
        if step < 2:
            return self._heard(all(code[place] != step for code in self._alive))
        self._alive = [code for code in self._alive if code[place] == bit]
        return bit

    def _heard(self, level: bool) -> int:
        self._reads += 1
        return self._spoil(self._reads, int(level))


class PlainSearch(Search):
    """The search that guesses nothing but the CRC."""

    def __init__(self, bus: Bus, **more: Any) -> None:  # noqa: ANN401 - as its base
        super().__init__(bus, **more)
        self._asks_lone = False

    def _foreseen(
        self, begun: list[int], forecast: Forecast, *, foresee_crc: bool
    ) -> list[int]:
        if len(begun) < CRC_FROM:
            return []
        return super()._foreseen(begun, forecast, foresee_crc=foresee_crc)


def searched(
    bus: LogicBus,
    kind: type[Search] = Search,
    **more: Any,  # noqa: ANN401 - as the search takes it
) -> Enumeration:
    """One search of the bus."""
    return kind(cast("Bus", bus), **more).run()
