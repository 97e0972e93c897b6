"""What the host says, told from its characters; and faults that wait for it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest
from pydantic import TypeAdapter, ValidationError

from harness.simulation.adapter.uart import Framing
from harness.simulation.faults.base import Layer
from harness.simulation.faults.settings import FaultSettings
from harness.simulation.line.traffic import HostTraffic

if TYPE_CHECKING:
    from tests.simulation.conftest import Host, MakeHost

RESET = Framing(bit_us=1e6 / 9600)
SLOT = Framing(bit_us=1e6 / 115_200)
THERMOMETER = {"family": 0x28, "serial": 1, "socket": "A1"}


def say(traffic: HostTraffic, data: bytes) -> list[tuple[int, Layer]]:
    """Write bytes; the commands that were completed on the way."""
    done = []
    for byte in data:
        for place in range(8):
            slot = traffic.note(0xFF if byte >> place & 1 else 0x00, SLOT)
            if slot is not None and slot.place == 7 and slot.layer is not None:
                done.append((slot.value, slot.layer))
    return done


@pytest.mark.parametrize(
    ("said", "commands"),
    [
        (b"\xcc\x44", [(0xCC, Layer.ROM), (0x44, Layer.FUNCTION)]),
        (b"\x55" + bytes(8) + b"\xbe", [(0x55, Layer.ROM), (0xBE, Layer.FUNCTION)]),
        (b"\xf0" + bytes(24) + b"\x44", [(0xF0, Layer.ROM), (0x44, Layer.FUNCTION)]),
        (b"\x33" + bytes(7), [(0x33, Layer.ROM)]),
        (b"\x12\x44", [(0x12, Layer.ROM)]),  # nobody knows what follows
    ],
)
def test_commands_are_found(said: bytes, commands: list[tuple[int, Layer]]) -> None:
    """ROM commands say how many slots come before the function command."""
    traffic = HostTraffic()
    traffic.note(0xF0, RESET)
    assert say(traffic, said) == commands


def test_nothing_counts_before_a_reset() -> None:
    """Slots before the first reset belong to no session."""
    traffic = HostTraffic()
    assert traffic.note(0xFF, SLOT) is None
    assert traffic.note(0xF0, RESET) is not None


def test_a_reset_starts_anew() -> None:
    """Whatever was going on."""
    traffic = HostTraffic()
    traffic.note(0xF0, RESET)
    say(traffic, b"\x55\x00")
    traffic.note(0xF0, RESET)
    assert say(traffic, b"\xcc")[0] == (0xCC, Layer.ROM)


def strikes(host: Host, rounds: int) -> int:
    """Reads that were spoiled."""
    return sum(host.ask(b"\xcc\xbe", 2) != b"\x50\x05" for _ in range(rounds))


@pytest.mark.parametrize(
    ("more", "low", "high"),
    [({}, 20, 20), ({"times": 3}, 3, 3), ({"chance": 0.3}, 2, 12)],
)
def test_how_often_it_strikes(
    make_host: MakeHost, more: dict[str, Any], low: int, high: int
) -> None:
    """At each opportunity, a number of times, or by chance."""
    when = {"command": "0xBE", "wait_ms": 0.085, **more}
    wet = {"kind": "extra-capacitance", "extra_nf": 15, "for_s": 0.002, "when": when}
    host = make_host(THERMOMETER, faults=[wet])
    assert low <= strikes(host, 20) <= high


def test_watching_starts_at_its_time(make_host: MakeHost) -> None:
    """Before ``at_s`` it lets everything pass."""
    when = {"command": 0xBE, "wait_ms": 0.085}
    wet = {"kind": "extra-capacitance", "extra_nf": 15, "for_s": 0.002, "at_s": 1}
    host = make_host(THERMOMETER, faults=[wet | {"when": when}])
    assert strikes(host, 3) == 0
    host.wait(1.0)
    assert strikes(host, 3) == 3


def test_slots_counted_from_a_reset(make_host: MakeHost) -> None:
    """Without a command the count starts with the reset: slot 17 is the first read."""
    wet = {"kind": "extra-capacitance", "extra_nf": 15, "for_s": 0.002}
    host = make_host(THERMOMETER, faults=[wet | {"when": {"slot": 17}}])
    assert host.ask(b"\xcc\xbe", 2) == b"\x00\x00"


def test_layer_tells_match_from_copy(make_host: MakeHost) -> None:
    """55h as a ROM command is no 55h as a function."""
    away = {"kind": "device-absent", "for_s": 0.001}
    when = {"command": 0x55, "layer": "function", "slot": 65}
    host = make_host(THERMOMETER, faults=[away | {"when": when}])
    rom = host.bench.stations[0].device.rom
    assert host.ask(b"\x55" + rom.wire + b"\xbe", 2) == b"\x50\x05"


@pytest.mark.parametrize(
    ("fault", "message"),
    [
        ({"kind": "line-shorted", "when": {"slott": 1}}, "nearest known one is 'slot'"),
        (
            {"kind": "line-shorted", "for_s": 1, "every_s": 2, "when": {}},
            "either every_s or when",
        ),
        ({"kind": "wrong-baud"}, "give error_percent or above_baud"),
        ({"kind": "supply-dip", "too_v": 1}, "nearest known one is 'to_v'"),
        ({"kind": "adapter-unplugged", "back_as": "a b"}, "pattern"),
    ],
)
def test_mistakes_are_named(fault: dict[str, Any], message: str) -> None:
    """Unknown keys get the nearest one; contradictions are refused."""
    with pytest.raises(ValidationError, match=message):
        TypeAdapter(FaultSettings).validate_python(fault)


def test_every_key_of_a_fault_is_described() -> None:
    """The JSON Schema says of each key what it is."""
    schema = TypeAdapter(FaultSettings).json_schema()
    bare = [
        f"{name}.{key}"
        for name, model in schema["$defs"].items()
        for key, told in model.get("properties", {}).items()
        if key != "kind" and "description" not in told
    ]
    assert bare == []
