"""Whether a unit is in, on a bench whose reference answers every reset."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from harness.station.presence_poll import PresencePoll, feel
from harness.wire.romcode import RomCode

REFERENCE = frozenset({str(RomCode.build(0x28, 5))})


@pytest.mark.parametrize(
    ("serials", "seen"),
    [
        ([5], PresencePoll.NOBODY),
        ([5, 6], PresencePoll.UNIT),
        ([6], PresencePoll.UNIT),
        ([], PresencePoll.NOBODY),
    ],
)
def test_a_search_shows_the_unit(
    open_bus: Callable[..., Any],
    bench_data: Callable[..., Any],
    new_device: Callable[..., Any],
    serials: list[int],
    seen: PresencePoll,
) -> None:
    """The reference alone is an empty place."""
    data = bench_data([new_device(0x28, n) for n in (5, 6)])
    data["simulation"]["devices"] = [
        each for each in data["simulation"]["devices"] if each["serial"] in serials
    ]
    bus = open_bus(data)
    bus.prove()
    assert feel(bus, REFERENCE) is seen
