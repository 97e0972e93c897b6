"""Devices are tied to sockets by being new, by being warm, or in order; never by a guess."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from typing import Any, cast

import pytest

from harness.driver.bus import Bus
from harness.errors import RomCodeInvalid, UsageError
from harness.plans.enrolment.sockets import (
    free_names,
    in_order,
    plugged_in,
    present,
    warmed,
)
from harness.wire.romcode import RomCode
from tests.logic_bus import LogicBus

ROMS = [RomCode.build(0x28, 0xA4B30000 + 977 * n) for n in range(4)]


def asked(answers: list[bool], texts: list[str], then: Callable[[], Any] = lambda: None) -> Callable[[str, str], bool]:  # fmt: skip
    """An operator who answers from a list; ``then`` happens at each yes."""
    left = iter(answers)

    def ask(_socket: str, text: str) -> bool:
        texts.append(text)
        answer = next(left)
        if answer:
            then()
        return answer

    return ask


def names() -> Iterator[str]:
    """A1 and on, but for A2."""
    return free_names({"A2"})


def test_in_order() -> None:
    """Sockets are numbered past names that are taken."""
    found = in_order(ROMS[:2], names())
    assert [(s.name, s.rom) for s in found] == [("A1", ROMS[0]), ("A3", ROMS[1])]


def test_nobody_is_an_answer() -> None:
    """An empty bus is empty; a code that cannot be is told."""
    assert present(cast("Bus", LogicBus([]))) == []
    with pytest.raises(RomCodeInvalid):
        present(cast("Bus", LogicBus([RomCode(ROMS[0].wire[:7] + b"\x00")])))


def test_plugged_one_by_one() -> None:
    """Each new device is the socket's; none and two at once are asked again."""
    steps = iter([[0], [0], [0, 1, 2], [0, 1]])
    bus = LogicBus([])

    def plug() -> None:
        bus._codes = [ROMS[n].bits for n in next(steps)]

    texts: list[str] = []
    ask = asked([True, True, True, True, False], texts, plug)
    found = plugged_in(cast("Bus", bus), names(), ask)
    assert [(s.name, s.rom) for s in found] == [("A1", ROMS[0]), ("A3", ROMS[1])]
    assert "no new device" in texts[2]
    assert "2 devices are new" in texts[3]


def test_warmed_one_by_one() -> None:
    """The one that rose is the socket's; where it is not clear the operator is asked again."""
    rows: list[list[float]] = [
        [20, 20, 20], [20, 25, 20.1],   # clear: 1
        [23, 20, 22.9],                 # two rose alike
        [23, 20, 28],                   # clear: 2
    ]  # fmt: skip
    readings = iter(rows)
    texts: list[str] = []

    def read(roms: Iterable[RomCode]) -> dict[RomCode, float]:
        row = next(readings)
        return {rom: row[ROMS.index(rom)] for rom in roms}

    found = warmed(ROMS[:3], names(), asked([True] * 3, texts), read)
    assert [s.rom for s in found] == [ROMS[1], ROMS[2], ROMS[0]]
    assert "not clear" in texts[2]


def test_nothing_to_warm() -> None:
    """Without a thermometer the way is refused in words."""
    with pytest.raises(UsageError, match="no thermometer"):
        warmed([], names(), asked([], []), lambda _roms: {})


def test_the_operator_ends() -> None:
    """What was told by then stays."""
    read = iter(
        [dict.fromkeys(ROMS, 20.0), {r: 20.0 + 5 * (r == ROMS[3]) for r in ROMS}]
    )
    found = warmed(ROMS, names(), asked([True, False], []), lambda _roms: next(read))
    assert [s.rom for s in found] == [ROMS[3]]
