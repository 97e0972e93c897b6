"""Walks of a search slot by slot: what is written and checked, and how walks end."""

from __future__ import annotations

from collections.abc import Sequence
from typing import cast

import pytest

from harness.driver.bus import Bus, RomCommand
from harness.driver.search import DeadEnd, Search, verify
from harness.errors import LineShorted, SlotDisturbed
from harness.wire.romcode import RomCode
from tests.logic_bus import LogicBus, searched

ROMS = [
    RomCode.build(0x28, serial) for serial in (0x1, 0x2, 0x3, 0xA4B30000, 0xA4B30001)
]


class WatchedBus(LogicBus):
    """Knows which slots of a burst were written, and holds every check against them."""

    def __init__(self, roms: Sequence[RomCode], disturbed: Sequence[int] = ()) -> None:
        super().__init__(roms)
        self.bursts: list[bytes] = []
        self._written: list[int] = []
        self._disturbed = list(disturbed)
        self.checks = 0

    def send(self, frames: bytes) -> bytes:
        """As its base; a slot is written unless it is one of a pair."""
        self.bursts.append(frames)
        self.trips += 1
        echoes, self._written = [], []
        for place, bit in enumerate(frames):
            is_command = len(self._command) < 8
            if is_command or self._slot % 3 == 2:
                self._written.append(place)
            echoes.append(self._level(bit))
        return bytes(echoes)

    def check_written(self, *details: object) -> None:
        """The places that the search insists on are those that it wrote."""
        frames, echoes, places = details
        assert isinstance(frames, bytes)
        assert len(frames) == len(cast("bytes", echoes))
        assert list(cast("Sequence[int]", places)) == self._written
        self.checks += 1
        if self.checks in self._disturbed:
            raise SlotDisturbed("a slot came back changed", where="logic")


@pytest.mark.parametrize("count", [1, 2, 5])
@pytest.mark.parametrize("expects", [False, True])
def test_every_written_slot_is_checked(count: int, expects: bool) -> None:
    """Command bits and the third slot of each position, whatever a burst begins with."""
    bus = WatchedBus(ROMS[:count])
    result = searched(bus, expected=ROMS[:count] if expects else ())
    assert set(result.found) == set(ROMS[:count])
    searches = [
        burst for burst in bus.bursts if burst[:8] != bytes([1, 1, 0, 0, 1, 1, 0, 0])
    ]
    assert bus.checks == len(searches)
    # F0h low bit first; every other slot of a pair is a one
    begun = [burst for burst in searches if len(burst) >= 8 and burst[:8] == bytes([0, 0, 0, 0, 1, 1, 1, 1])]  # fmt: skip
    assert len(begun) == result.passes + result.wrong_guesses


def test_one_directed_search() -> None:
    """The command and 64 positions: 200 slots; one bit off is somebody else."""
    bus = WatchedBus(ROMS)
    for rom in ROMS:
        assert verify(cast("Bus", bus), rom)
        assert len(bus.bursts[-1]) == 8 + 3 * 64
        for place in (0, 7, 8, 33, 55):
            other = RomCode.from_bits(
                [b ^ (n == place) for n, b in enumerate(rom.bits)]
            )
            assert verify(cast("Bus", bus), other) is (other in ROMS)


def test_a_wrong_expectation_is_one_way_down_again() -> None:
    """Whoever is expected and is not there costs one reset; the search goes on from there."""
    absent = RomCode.build(0x28, 0x1 ^ 1 << 20)
    result = searched(LogicBus(ROMS[:1], trip_s=0.017), expected=[absent])
    assert result.found == ROMS[:1]
    assert (result.wrong_guesses, result.passes) == (1, 1)
    right = searched(LogicBus(ROMS[:1], trip_s=0.017), expected=ROMS[:1])
    assert (right.wrong_guesses, right.passes) == (0, 1)


def test_an_alarm_that_nobody_has() -> None:
    """The first pair is dead: an answer after one pass, with its place."""
    bus = LogicBus(ROMS, alarmed=())
    result = searched(bus, command=RomCommand.CONDITIONAL_SEARCH)
    assert (result.found, result.passes) == ([], 1)
    assert result.dead_ends == [DeadEnd(position=1, path="")]


@pytest.mark.parametrize(("tries", "passes"), [(None, 3), (1, 1), (5, 5)])
def test_a_branch_that_leads_nowhere(tries: int | None, passes: int) -> None:
    """Walked three times unless told otherwise; each end is kept with position and path.

    Both values are heard at the first serial bit each time, though nobody has a 0 there.
    """
    rom = ROMS[0]
    bus = LogicBus([rom])
    level = bus._level

    def both_at_8(bit: int) -> int:
        searching = len(bus._command) == 8 and bus._command[0] == 0
        at_pair = searching and bus._slot // 3 == 8 and bus._slot % 3 < 2
        heard = level(bit)
        return 0 if at_pair else heard

    bus._level = both_at_8  # type: ignore[method-assign]
    more = {} if tries is None else {"tries": tries}
    search = Search(cast("Bus", bus), expected=[rom], **more)  # type: ignore[arg-type]
    result = search.run()
    assert result.found == [rom]
    dead = [end for end in result.dead_ends if end.position == 10]
    assert len(dead) == passes
    assert {end.path for end in dead} == {"".join(map(str, [*rom.bits[:8], 0]))}
    assert result.passes == 1 + passes


def test_disturbed_passes_are_walked_again() -> None:
    """Up to three times; then the disturbance is the result."""
    once = searched(WatchedBus(ROMS[:1], disturbed=[1]))
    assert (once.disturbed_passes, once.passes) == (1, 2)
    assert once.found == ROMS[:1]
    twice = searched(WatchedBus(ROMS[:1], disturbed=[1, 2]))
    assert (twice.disturbed_passes, twice.passes) == (2, 3)
    with pytest.raises(SlotDisturbed):
        searched(WatchedBus(ROMS[:1], disturbed=[1, 2, 3]))


def test_a_line_that_is_low_at_every_position() -> None:
    """64 branches cannot be; 63 can, and are then looked at."""
    bus = LogicBus(ROMS[:1], spoil=lambda _n, _level: 0)
    with pytest.raises(LineShorted, match="all 64 positions"):
        searched(bus, expected=ROMS[:1])


def test_a_search_that_never_ends_is_given_up() -> None:
    """After so many passes as it may take."""
    assert searched(LogicBus(ROMS), most=2).passes == 2
    assert searched(LogicBus(ROMS)).passes == len(ROMS)
