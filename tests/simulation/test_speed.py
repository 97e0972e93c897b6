"""How much faster than real time the bench runs, by CPU time; a table, no verdict."""

from __future__ import annotations

from time import process_time
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from tests.simulation.conftest import Host, MakeHost

ROUNDS = 200


def _read_one(host: Host, index: int) -> None:
    code = host.bench.stations[index % 8].device.rom.wire
    host.ask(b"\x55" + code + b"\xbe", 9)


def _read_all_at_once(host: Host, _: int) -> None:
    host.ask(b"\xcc\xbe", 9)


def _idle_slots(host: Host, _: int) -> None:
    host.bits(b"\xff" * 1000)


@pytest.mark.benchmark
def test_table_of_speeds(make_host: MakeHost) -> None:
    """Eight devices at 70 us a slot; 40 times real time are wanted of match and read."""
    print(f"\n{'traffic':<34}{'supply':<10}{'x real time':>12}")  # noqa: T201
    for supply in ("external", "parasite"):
        devices = [
            {"family": 0x28, "serial": 1000 * place, "supply": supply}
            for place in range(8)
        ]
        host = make_host(*devices, line={"pull_up_ohm": 2200})
        for name, work in (
            ("match and read, one by one", _read_one),
            ("all eight send at once", _read_all_at_once),
            ("nobody selected", _idle_slots),
        ):
            for warm_up in range(8):
                work(host, warm_up)
            virtual_s, real_s = host.port.clock.now_s(), process_time()
            for count in range(ROUNDS):
                work(host, count)
            virtual_s = host.port.clock.now_s() - virtual_s
            real_s = process_time() - real_s
            print(f"{name:<34}{supply:<10}{virtual_s / real_s:>12.1f}")  # noqa: T201
