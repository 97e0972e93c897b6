"""The device's pin: what it takes for a slot, a bit, a reset."""

from __future__ import annotations

from random import Random
from typing import TYPE_CHECKING, Any

import pytest

from harness.simulation.devices.time_bases import draw_time_base
from harness.simulation.settings.device import TimeBaseSettings

if TYPE_CHECKING:
    from tests.simulation.conftest import Host, MakeHost

IDEAL = {
    "kind": "exact",
    "low_v": 0.0,
    "low_ohm": 1,
    "input_pf": 1,
    "grid_phase": 0.01,
}
SHORT_LINE = {"pull_up_ohm": 1000, "cable_m": 0}
TIMES_US = {
    "sample_us": 30,
    "read_0_us": 30,
    "presence_wait_us": 30,
    "presence_low_us": 120,
    "reset_min_us": 300,
    "min_low_us": 0.5,
    "hold_off_us": 2.0,
}


def host_with(make_host: MakeHost, **times_us: float) -> Host:
    """A thermometer with known times on an ideal line."""
    device: dict[str, Any] = {"family": 0x28, "serial": 1}
    device["time_base"] = TIMES_US | times_us
    return make_host(device, adapter=IDEAL, line=SHORT_LINE)


def test_drawn_times_lie_in_the_data_sheet_limits() -> None:
    """Limits of data sheets DS18B20 p. 19, DS2431 p. 2-3, DS1996 p. 13-18, for 500 devices, and both halves are used."""
    drawn = [draw_time_base(TimeBaseSettings(), Random(seed)) for seed in range(500)]
    for name, low_us, high_us in (
        ("sample_us", 15, 60),
        ("read_0_us", 15, 60),
        ("presence_wait_us", 15, 60),
        ("presence_low_us", 60, 240),
        ("reset_min_us", 240, 480),
        ("hold_off_us", 0.5, 5),
    ):
        values = [getattr(times, name) for times in drawn]
        assert low_us <= min(values) <= max(values) <= high_us
    samples = [times.sample_us for times in drawn]
    assert min(samples) < 20
    assert max(samples) > 55


def test_given_times_are_kept_and_the_others_do_not_move() -> None:
    """A value in the fixture replaces the drawn one and disturbs no other draw."""
    free = draw_time_base(TimeBaseSettings(), Random(1))
    fixed = draw_time_base(TimeBaseSettings(sample_us=22), Random(1))
    assert fixed.sample_us == 22
    assert fixed.presence_low_us == free.presence_low_us


@pytest.mark.parametrize(("sample_us", "bit"), [(29.0, 0), (31.0, 1)])
def test_bit_is_the_line_at_the_own_instant(
    make_host: MakeHost, sample_us: float, bit: int
) -> None:
    """A low of 30 us is a zero to who samples before its end, else a one."""
    host = host_with(make_host, sample_us=sample_us)
    host.ask(b"\xcc\x4e")
    for _ in range(8):
        host.exchange(b"\xfc", baud=100_000)
    assert host.thermometer().scratchpad[2] == 0xFF * bit


@pytest.mark.parametrize(("min_low_us", "slots"), [(0.5, 1), (1.5, 0)])
def test_shortest_low_that_counts(
    make_host: MakeHost, min_low_us: float, slots: int
) -> None:
    """1 us low at 1 MBd is a slot to one device and nothing to another."""
    host = host_with(make_host, min_low_us=min_low_us)
    host.ask(b"\x33")
    host.exchange(b"\xff", baud=1_000_000)
    # 28h is 0 0 0 1 0 1 0 0 from its lowest bit on
    assert host.bits(b"\xff" * 3) == [0, 0, 0 if slots == 0 else 1]


@pytest.mark.parametrize(("hold_off_us", "byte"), [(2.0, 0x00), (10.0, 0xAA)])
def test_edges_soon_after_a_rise_are_seen_late(
    make_host: MakeHost, hold_off_us: float, byte: int
) -> None:
    """Inside the hold-off a fall counts only from its end, so the sample is late.

    After 7 us of recovery a device deaf for 10 us starts 3 us late; its sample then
    falls at 57 us, behind a low of 56 us.
    """
    host = host_with(make_host, hold_off_us=hold_off_us, sample_us=54, read_0_us=16)
    host.ask(b"\xcc\x4e")
    host.exchange(b"\x00\x80" * 4, baud=142_857)
    assert host.thermometer().scratchpad[2] == byte


@pytest.mark.parametrize(("reset_min_us", "answers"), [(490, True), (510, False)])
def test_reset_needs_its_least_length(
    make_host: MakeHost, reset_min_us: float, answers: bool
) -> None:
    """500 us low (F8h at 8000 baud) resets who asks for less."""
    host = host_with(make_host, reset_min_us=reset_min_us)
    echo = host.exchange(b"\xf8", baud=8000)
    assert (echo != b"\xf8") is answers


def test_presence_pulls_of_a_device_are_no_reset_to_itself(
    make_host: MakeHost,
) -> None:
    """Two staggered pulses, 15 to 300 us together, lead to one presence each."""
    times = TIMES_US | {"reset_min_us": 241}
    devices = [
        {"family": 0x01, "time_base": times | {"presence_wait_us": 15}},
        {
            "family": 0x01,
            "time_base": times | {"presence_wait_us": 60, "presence_low_us": 240},
        },
    ]
    host = make_host(*devices, adapter=IDEAL, line=SHORT_LINE)
    trace = host.bench.record_trace()
    host.reset()
    host.wait(0.01)
    reset, presence = trace.lows(1.5)
    assert reset.length_us == pytest.approx(4 * 128.2, abs=1)
    assert presence.length_us == pytest.approx(285, abs=0.5)


def test_thresholds_have_hysteresis(make_host: MakeHost) -> None:
    """A low of 26 us, over for one device at 26.9 us and for another at 30.2 us."""
    slow = {"pull_up_ohm": 2200, "cable_m": 30, "cable_pf_per_m": 50}
    read = {}
    for threshold_v in (1.0, 3.5):
        device = {
            "family": 0x28,
            "time_base": TIMES_US | {"sample_us": 28.5},
            "threshold_high_v": threshold_v,
        }
        host = make_host(device, adapter=IDEAL, line=slow)
        host.ask(b"\xcc\x4e")
        host.exchange(b"\xfc" * 8, baud=115_200)
        read[threshold_v] = host.thermometer().scratchpad[2]
    assert read == {1.0: 0xFF, 3.5: 0x00}


def test_idle_slots_leave_a_silent_device_alone(make_host: MakeHost) -> None:
    """Slots before any reset do nothing."""
    host = host_with(make_host)
    assert host.bits(b"\xff\x00" * 20) == [1, 0] * 20
    assert host.ask(b"\xcc\xbe", 1) == b"\x50"
