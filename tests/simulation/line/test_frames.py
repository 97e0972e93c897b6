"""Echoes of raw characters against the arithmetic of an 8N1 character."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

if TYPE_CHECKING:
    from tests.simulation.conftest import MakeHost

EXACT = {
    "kind": "exact",
    "low_v": 0.0,
    "low_ohm": 1,
    "input_pf": 1,
    "grid_phase": 0.01,
}
SHORT_LINE = {"pull_up_ohm": 1000, "cable_m": 0}
"""Edges of a nanosecond: the tables are for an ideal line."""


def presence(wait_us: float, low_us: float) -> dict[str, object]:
    """A device with the presence pulse given."""
    return {
        "family": 0x01,
        "time_base": {"presence_wait_us": wait_us, "presence_low_us": low_us},
    }


@pytest.mark.parametrize(
    ("pulses", "echo"),
    [
        ([], 0xF0),
        ([(15, 60)], 0xE0),
        ([(30, 110)], 0xE0),
        ([(30, 120)], 0xE0),
        ([(30, 140)], 0xC0),
        ([(15, 240)], 0xC0),
        ([(60, 240)], 0x90),
        ([(60, 100)], 0xD0),
        ([(15, 240), (60, 240)], 0x80),
        ([(60, 60)], 0xF0),
        ([(60, 90)], 0xF0),
        ([(55, 60)], 0xF0),
        ([(30, 345)], 0x00),
    ],
)
def test_reset_f0_at_9600(
    make_host: MakeHost, pulses: list[tuple[float, float]], echo: int
) -> None:
    """Arithmetic of an 8N1 character: what presence pulses make of F0h at 9600 baud."""
    host = make_host(
        *(presence(*pulse) for pulse in pulses), adapter=EXACT, line=SHORT_LINE
    )
    assert host.exchange(b"\xf0", baud=9600) == bytes([echo])


@pytest.mark.parametrize(
    ("baud", "byte", "none", "low_us", "first_sample_us"),
    [
        (7200, 0xF8, 0xF8, 555.56, 69.44),
        (7500, 0xF8, 0xF8, 533.33, 66.67),
        (8000, 0xF0, 0xF0, 625.00, 62.50),
        (8000, 0xF8, 0xF8, 500.00, 62.50),
        (7200, 0xF0, 0xF0, 694.44, 69.44),
    ],
)
def test_safe_reset_frames(
    make_host: MakeHost,
    *,
    baud: int,
    byte: int,
    none: int,
    low_us: float,
    first_sample_us: float,
) -> None:
    """Arithmetic of an 8N1 character: low time, and a presence that ends at the first sample."""
    host = make_host(adapter=EXACT, line=SHORT_LINE)
    trace = host.bench.record_trace()
    assert host.exchange(bytes([byte]), baud=baud) == bytes([none])
    (low,) = trace.lows(1.5)
    assert low.length_us == pytest.approx(low_us, abs=0.05)
    bit_us = 1e6 / baud
    grid_us = 2 * bit_us / 16
    for margin_us, expected in ((-grid_us, none), (2 * grid_us, none & none << 1)):
        pulse = presence(15, first_sample_us + margin_us - 15)
        other = make_host(pulse, adapter=EXACT, line=SHORT_LINE)
        assert other.exchange(bytes([byte]), baud=baud)[0] == expected & 0xFF


@settings(
    max_examples=50,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(
    wait_us=st.floats(15, 60), low_us=st.floats(60, 240), seed=st.integers(0, 10_000)
)
def test_f8_at_7800_sees_every_legal_presence(
    make_host: MakeHost, wait_us: float, low_us: float, seed: int
) -> None:
    """Samples from 64 to 72 us after release lie in every legal pulse (1.1, 2.3)."""
    host = make_host(presence(wait_us, low_us), seed=seed)
    assert host.exchange(b"\xf8", baud=7800)[0] in {0xF0, 0xE0}


@pytest.mark.parametrize(("grid_phase", "echo"), [(0.01, 0xF0), (0.99, 0xF8)])
def test_receiver_grid_moves_the_sample(
    make_host: MakeHost, grid_phase: float, echo: int
) -> None:
    """At 7200 baud the grid may delay the +69 us sample past a pulse that ends at 75."""
    adapter = EXACT | {"grid_phase": grid_phase}
    host = make_host(presence(15, 60), adapter=adapter, line=SHORT_LINE)
    assert host.exchange(b"\xf8", baud=7200) == bytes([echo])


@pytest.mark.parametrize(
    ("low_us", "byte"), [(60, 0xFF), (100, 0xFF), (120, 0xFE), (240, 0xFC)]
)
def test_presence_as_a_second_character(
    make_host: MakeHost, low_us: float, byte: int
) -> None:
    """Application note SBOA542; arithmetic: after 00h at 14400 baud a presence starts its own character."""
    host = make_host(presence(50, low_us), adapter=EXACT, line=SHORT_LINE)
    host.port.baudrate = 14_400
    host.port.write(b"\x00")
    assert host.port.read(3) == bytes([0x00, byte])


@pytest.mark.parametrize(
    ("release_us", "echo"),
    [
        (16, 0xFE),
        (20, 0xFE),
        (24, 0xFC),
        (29, 0xFC),
        (37, 0xF8),
        (46, 0xF0),
        (55, 0xE0),
        (59, 0xC0),
    ],
)
def test_graded_echo_of_a_read_zero(
    make_host: MakeHost, release_us: float, echo: int
) -> None:
    """Arithmetic of an 8N1 character: how long a device holds its 0 shows in the echo at 115200."""
    device = {"family": 0x28, "time_base": {"read_0_us": release_us}, "serial": 1}
    host = make_host(device, adapter=EXACT, line=SHORT_LINE)
    host.ask(b"\x33")
    echoes = host.exchange(b"\xff" * 3, baud=115_200)
    assert echoes[:2] == bytes([echo, echo])  # family 28h begins with three zeros


@pytest.mark.parametrize(
    ("baud", "write_0", "low_0_us", "low_1_us", "slot_us"),
    [
        (100_000, 0xE0, 60.0, 10.0, 100.0),
        (115_200, 0x00, 78.12, 8.68, 86.81),
        (115_200, 0xC0, 60.76, 8.68, 86.81),
        (125_000, 0x80, 64.0, 8.0, 80.0),
        (142_857, 0x00, 63.0, 7.0, 70.0),
        (150_000, 0x00, 60.0, 6.67, 66.67),
    ],
)
def test_slots_on_the_voltage_trace(
    make_host: MakeHost,
    *,
    baud: int,
    write_0: int,
    low_0_us: float,
    low_1_us: float,
    slot_us: float,
) -> None:
    """Arithmetic of an 8N1 character: low times and slot length of write-0 and write-1."""
    host = make_host(adapter=EXACT, line=SHORT_LINE)
    trace = host.bench.record_trace()
    host.exchange(bytes([write_0, 0xFF, 0xFF]), baud=baud)
    zero, one, again = trace.lows(1.5)
    assert zero.length_us == pytest.approx(low_0_us, abs=0.01)
    assert one.length_us == pytest.approx(low_1_us, abs=0.01)
    assert again.start_us - one.start_us == pytest.approx(slot_us, abs=0.01)


def test_two_stop_bits_lengthen_recovery(make_host: MakeHost) -> None:
    """8N2 adds one bit of high to a slot (drivers/usb/serial of the Linux kernel)."""
    host = make_host(adapter=EXACT, line=SHORT_LINE)
    host.port.stopbits = 2
    trace = host.bench.record_trace()
    assert host.exchange(b"\xff\xff", baud=100_000) == b"\xff\xff"
    first, second = trace.lows(1.5)
    assert second.start_us - first.start_us == pytest.approx(110.0, abs=0.01)


FIELD_ADAPTER = EXACT | {"low_v": 0.2}
"""Base settings of the worked cases: V_ol 0.2 V, threshold 1.5 V."""


@pytest.mark.parametrize(
    ("pull_up_ohm", "echo", "crossing_us"), [(4700, 0xFE, 21.3), (1500, 0xFF, 12.7)]
)
def test_long_cable_turns_ones_into_zeros(
    make_host: MakeHost, pull_up_ohm: float, echo: int, crossing_us: float
) -> None:
    """Public reports, retold: 5 nF at 4.7 kohm echoes FE and crosses 2.2 V at 21.3 us."""
    line = {"pull_up_ohm": pull_up_ohm, "cable_m": 100, "cable_pf_per_m": 50}
    host = make_host(adapter=FIELD_ADAPTER, line=line)
    trace = host.bench.record_trace()
    assert host.exchange(b"\xff", baud=115_200) == bytes([echo])
    host.port.clock.sleep(0.01)
    host.bench.catch_up()
    (low,) = trace.lows(2.2)
    assert low.length_us == pytest.approx(crossing_us, abs=0.1)


def test_weak_pull_up_imitates_presence(make_host: MakeHost) -> None:
    """Public reports, retold: 47 kohm and 4 nF without any device: reset E0, slot 80."""
    line = {"pull_up_ohm": 47_000, "cable_m": 80, "cable_pf_per_m": 50}
    host = make_host(adapter=FIELD_ADAPTER, line=line)
    assert host.exchange(b"\xf0", baud=9600) == b"\xe0"
    host.port.clock.sleep(0.01)
    assert host.exchange(b"\xff", baud=115_200) == b"\x80"


def test_late_presence_is_seen_at_a_lower_rate(make_host: MakeHost) -> None:
    """Public reports, retold: presence 55/65 us: F0 at 9600 baud, E0 at 7200."""
    host = make_host(presence(55, 65), adapter=FIELD_ADAPTER, line=SHORT_LINE)
    assert host.exchange(b"\xf0", baud=9600) == b"\xf0"
    assert host.exchange(b"\xf0", baud=7200) == b"\xe0"


def test_two_falling_edges_are_two_slots(make_host: MakeHost) -> None:
    """A byte with a second falling edge costs the device a second slot (2.1)."""
    device = {
        "family": 0x28,
        "serial": 1,
        "time_base": {"sample_us": 20, "read_0_us": 16},
    }
    host = make_host(device, adapter=EXACT, line=SHORT_LINE)
    host.ask(b"\x33")
    host.exchange(b"\xef", baud=100_000)  # low 0..10 and 50..60 us
    assert host.bits(b"\xff" * 6) == [0, 1, 0, 1, 0, 0]  # 28h from its third bit on
