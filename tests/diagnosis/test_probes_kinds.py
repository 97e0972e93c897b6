"""What an examination asks of each kind, and what it makes of answers that fail."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from harness.diagnosis.probes.kinds import TRIES, look_again, look_at
from harness.driver.search import enumerate_devices
from harness.driver.session import DeviceSession
from harness.errors import AdapterUnplugged
from harness.families.registry import (
    built_in,
    family_of,
    known_families,
    looks_of,
    quantities,
)
from harness.plans.execution.seating import seat
from tests.diagnosis.kinds import every_kind

Make = Callable[..., Any]
"""A fixture that makes something; conftest has the signatures."""

COUNTS_OR_MOVES = {
    0x19: {"i2c_addresses"},
    0x20: {f"channel_{name}_voltage" for name in "abcd"},
    0x21: {"temperature"},
    0x41: {"temperature", "humidity"},
}
"""Quantities whose asking sends to other parts, or measures with a sealed cell."""

CLINIC = {0x10, 0x22, 0x28}
"""Thermometers have probes of their own."""


@pytest.fixture
def alone(open_bus: Make, bench_data: Make, new_device: Make) -> Make:
    """A session with the only device of a bench."""

    def make(family: int, **settings: Any) -> DeviceSession:  # noqa: ANN401
        bus = open_bus(bench_data([new_device(family, 0x51AB, **settings)]))
        return DeviceSession(bus, enumerate_devices(bus).found[0])

    return make


@pytest.mark.parametrize("code", known_families(), ids=lambda code: f"{code:02X}h")
def test_each_kind_says_what_may_be_asked(code: int) -> None:
    """Whoever has quantities has looks; no look counts, clears, starts or switches."""
    family = family_of(code)
    names = [look.quantity for look, _ in looks_of(code)]
    assert set(names) <= set(family.quantities)
    assert not set(names) & COUNTS_OR_MOVES.get(code, set())
    if family.quantities and code not in CLINIC:
        assert names
    if "power_supply" in family.quantities and code not in CLINIC:
        assert "power_supply" in names


def test_only_the_toggling_switch_is_changed_by_a_match() -> None:
    """And what is changed is watched."""
    changed = {code for code in known_families() if family_of(code).changed_by_match}
    assert changed == {0x05}
    watched = {look.quantity for look, _ in looks_of(0x05) if look.watched}
    assert family_of(0x05).changed_by_match in watched


@pytest.mark.parametrize(
    "device", every_kind(), ids=lambda device: f"{device['family']:02X}h"
)
def test_every_look_comes_back_on_a_sound_bench(
    alone: Make, device: dict[str, Any]
) -> None:
    """Value and unit of each, at the first try, and evidence in plain types."""
    settings = {k: v for k, v in device.items() if k not in {"family", "serial"}}
    session = alone(device["family"], **settings)
    found = look_at(session, means=2, kinds=built_in())
    assert [r.quantity for r in found] == [
        look.quantity for look, _ in looks_of(device["family"])
    ]
    for reading in found:
        assert reading.values
        assert not reading.troubles
        assert reading.unit == quantities(device["family"])[reading.quantity].unit


def test_a_current_is_read_many_times(alone: Make) -> None:
    """32 for a mean where new values come every 27.5 ms, two where it takes seconds."""
    (counts,) = [
        r
        for r in look_at(alone(0x26), means=32, kinds=built_in())
        if "counts" in r.quantity
    ]
    assert len(counts.values) == counts.tries == 32
    (slow,) = [
        r
        for r in look_at(alone(0x36), means=32, kinds=built_in())
        if "counts" in r.quantity
    ]
    assert len(slow.values) == 2


def test_only_what_is_watched_is_asked_again(alone: Make) -> None:
    """By searches, so that nothing toggles."""
    session = alone(0x05)
    assert [r.quantity for r in look_again(session, kinds=built_in())] == [
        "channel_a_output_off"
    ]
    assert session._bus.adapter.port.bench.stations[0].device.toggles == 0
    assert not look_again(alone(0x29), kinds=built_in())


def test_an_answer_that_never_comes_is_given_up(alone: Make) -> None:
    """Three tries, the kind of the trouble, and what the last one said."""
    session = alone(0x3A)
    session._bus.adapter.port.bench.stations[0].device.function = lambda _: iter(())
    (ports,) = look_at(session, means=2, kinds=built_in())
    assert not ports.values
    assert ports.troubles == {"device-absent": TRIES}
    assert "FFh" in ports.said


def test_a_lost_adapter_goes_through(
    alone: Make, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It is no news about the device."""

    def lost(*_: object) -> bytes:
        raise AdapterUnplugged("gone")

    monkeypatch.setattr(DeviceSession, "transact", lost)
    with pytest.raises(AdapterUnplugged):
        look_at(alone(0x3A), means=2, kinds=built_in())


def test_the_fixture_knows_the_resistor(
    write_fixture: Make, open_bus: Make, bench_data: Make, new_device: Make
) -> None:
    """expect.sense_mohm is in every session with that device, also after a power cut."""
    data = bench_data([new_device(0x26, 0x51AB, current_a=1.0)])
    data["sockets"][0]["expect"]["sense_mohm"] = 25
    bus, fixture = open_bus(data), write_fixture(data)
    rom = enumerate_devices(bus).found[0]
    session = DeviceSession(bus, rom, seat(fixture, [str(rom)]).about(str(rom)))
    answer = quantities(0x26)["current"].read(session)
    assert answer.value == pytest.approx(1.0, abs=0.01)
    (counts,) = [
        r for r in look_at(session, means=2, kinds=built_in()) if "counts" in r.quantity
    ]
    assert counts.facts.sense_mohm == 25
