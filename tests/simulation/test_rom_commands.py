"""ROM layer of the device models, with raw frames."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from harness.simulation.devices.base import Device
from harness.simulation.devices.registry import device_kinds

if TYPE_CHECKING:
    from tests.simulation.conftest import MakeHost

SERIAL_NUMBER = {"family": 0x01, "serial": 0xA4B3C2D1}


@pytest.mark.parametrize("command", [0x33, 0x0F])
def test_serial_number_sends_its_code(make_host: MakeHost, command: int) -> None:
    """01h answers 33h and the legacy 0Fh (data sheet DS2401 p. 2, 4, worked example)."""
    host = make_host(SERIAL_NUMBER)
    assert host.ask(bytes([command]), 8).hex().upper() == "01D1C2B3A400001E"


def test_thermometer_ignores_the_legacy_code(make_host: MakeHost) -> None:
    """0Fh means something else on other kinds."""
    assert make_host({"family": 0x28}).ask(b"\x0f", 1) == b"\xff"


def test_published_search_example(make_host: MakeHost) -> None:
    """Four ROM codes of the 28h data sheet, p. 12, found in the published order."""
    first_bytes = [0b10101100, 0b01010101, 0b10101111, 0b10001000]
    codes = [f"{0:014X}{byte:02X}" for byte in first_bytes]
    devices = [{"family": 0x01, "rom_code": code} for code in codes]
    found = make_host(*devices).search()
    assert found == [codes[3], codes[0], codes[1], codes[2]]


def test_search_order_of_the_full_example(make_host: MakeHost) -> None:
    """Zero-first order of five whole codes (application note 187; worked by hand)."""
    wire = [
        "28AA5C01000000B6",
        "28AA5C020000003E",
        "10E63BC50008005A",
        "2D44332211000022",
        "010203040506070F",
    ]
    printed = [bytes.fromhex(code)[::-1].hex().upper() for code in wire]
    devices = [{"family": 0x01, "rom_code": code} for code in printed]
    order = [printed[place] for place in (2, 1, 0, 4, 3)]
    assert make_host(*devices).search() == order


@pytest.mark.slow
@settings(
    max_examples=15,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(
    serials=st.sets(st.integers(0, (1 << 48) - 1), min_size=1, max_size=6),
    seed=st.integers(0, 1000),
)
def test_search_finds_exactly_the_population(
    make_host: MakeHost, serials: set[int], seed: int
) -> None:
    """Whatever serial numbers and time bases: every device once, no other."""
    devices = [{"family": 0x28, "serial": serial} for serial in sorted(serials)]
    host = make_host(*devices, seed=seed)
    assert sorted(host.search()) == sorted(
        str(station.device.rom) for station in host.bench.stations
    )


def test_match_selects_one(make_host: MakeHost) -> None:
    """Only the device whose code was sent answers."""
    host = make_host({"family": 0x28, "serial": 1}, {"family": 0x28, "serial": 2})
    for station in host.bench.stations:
        host.thermometer(station.index).scratchpad[0] = station.device.rom.wire[1]
    for station in host.bench.stations:
        answer = host.ask(b"\x55" + station.device.rom.wire + b"\xbe", 1)
        assert answer == station.device.rom.wire[1:2]


def test_read_rom_with_two_devices_is_their_and(make_host: MakeHost) -> None:
    """Open drain: zeros win (public reports, retold)."""
    host = make_host({"family": 0x28, "serial": 5}, {"family": 0x28, "serial": 6})
    first, second = (station.device.rom.wire for station in host.bench.stations)
    both = bytes(a & b for a, b in zip(first, second, strict=True))
    assert host.ask(b"\x33", 8) == both


def test_search_without_devices_in_alarm_reads_ones(make_host: MakeHost) -> None:
    """No taker of a conditional search: pair 11 at the first bit."""
    host = make_host({"family": 0x28}, SERIAL_NUMBER)
    host.ask(b"\xec")
    assert host.bits(b"\xff\xff") == [1, 1]


def test_reset_ends_a_session(make_host: MakeHost) -> None:
    """A device in the middle of an answer starts anew after a reset."""
    host = make_host(SERIAL_NUMBER)
    host.ask(b"\x33", 3)
    assert host.ask(b"\x33", 8).hex().upper() == "01D1C2B3A400001E"


def test_drawn_codes_are_different_and_right(make_host: MakeHost) -> None:
    """Serial numbers not given come from the seed; same seed, same codes."""
    devices = [{"family": 0x28}] * 50
    codes = [s.device.rom for s in make_host(*devices, seed=4).bench.stations]
    again = [s.device.rom for s in make_host(*devices, seed=4).bench.stations]
    assert codes == again
    assert len(set(codes)) == 50
    assert all(code.is_possible for code in codes)


def test_every_kind_of_the_registry_can_be_built() -> None:
    """Rows are complete and sorted by family code."""
    kinds = device_kinds()
    assert list(kinds) == sorted(kinds)
    assert {0x01, 0x10, 0x22, 0x28} <= set(kinds)
    for family, kind in kinds.items():
        assert kind.family == family
        # one code whose variants differ is made by a function
        assert (
            issubclass(kind.model, Device)
            if isinstance(kind.model, type)
            else family == 0x3B
        )
        assert kind.title
