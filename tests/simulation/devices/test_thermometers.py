"""Thermometer models against published tables and dumps."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest

from harness.wire.crc import crc8

if TYPE_CHECKING:
    from tests.simulation.conftest import MakeHost

DEFAULTS = {"alarm_high_degc": 75, "alarm_low_degc": 70}


def thermometer(family: int = 0x28, **more: object) -> dict[str, Any]:
    """A thermometer with the usual stored alarms."""
    return {"family": family, "serial": 0xA4B3C2D1, **DEFAULTS, **more}


def test_power_on_scratchpad_of_28h(make_host: MakeHost) -> None:
    """+85 degC, byte 6 = 0Ch (data sheet DS18B20 p. 4, worked example)."""
    host = make_host(thermometer())
    assert host.ask(b"\xcc\xbe", 9).hex() == "50054b467fff0c101c"


def test_power_on_scratchpad_of_10h(make_host: MakeHost) -> None:
    """00AAh, remain 0Ch, per degree 10h (data sheet DS18S20 p. 3-4)."""
    host = make_host(thermometer(0x10))
    assert host.ask(b"\xcc\xbe", 9).hex() == "aa004b46ffff0c1087"


@pytest.mark.parametrize(
    ("temperature_degc", "raw"),
    [
        (125, 0x07D0),
        (85, 0x0550),
        (25.0625, 0x0191),
        (10.125, 0x00A2),
        (0.5, 0x0008),
        (0, 0x0000),
        (-0.5, 0xFFF8),
        (-10.125, 0xFF5E),
        (-25.0625, 0xFE6F),
        (-55, 0xFC90),
    ],
)
@pytest.mark.parametrize("family", [0x28, 0x22])
def test_published_table_of_28h(
    make_host: MakeHost, family: int, temperature_degc: float, raw: int
) -> None:
    """Check table of the family-28h data sheet (part DS18B20), table 1."""
    host = make_host(thermometer(family, temperature_degc=temperature_degc))
    pad = host.convert()
    assert int.from_bytes(pad[:2], "little") == raw
    assert pad[6] == 0x10 - (pad[0] & 0x0F)
    assert crc8(pad) == 0


@pytest.mark.parametrize(
    ("temperature_degc", "dump"),
    [
        (25.0625, "91014b467fff0f1025"),
        (-10.125, "5eff4b467fff0210b6"),
        (125, "d0074b467fff101055"),
        (-55, "90fc4b467fff1010ee"),
        (85, "50054b467fff1010bd"),
        (25.5, "98014b467fff081022"),
        (15.25, "f4004b467fff0c10fa"),
    ],
)
def test_whole_scratchpads_of_28h(
    make_host: MakeHost, temperature_degc: float, dump: str
) -> None:
    """Worked examples of data sheet DS18B20 p. 4, and dumps of users."""
    assert make_host(thermometer(temperature_degc=temperature_degc)).convert() == (
        bytes.fromhex(dump)
    )


@pytest.mark.parametrize(
    ("temperature_degc", "dump"),
    [
        (25.375, "33004b46ffff0610cf"),
        (-0.5, "ffff4b46ffff0410bc"),
        (-25.0, "ceff4b46ffff0c1075"),
        (85.0, "aa004b46ffff0c1087"),
    ],
)
def test_whole_scratchpads_of_10h(
    make_host: MakeHost, temperature_degc: float, dump: str
) -> None:
    """Worked examples of data sheet DS18S20 p. 3-4."""
    host = make_host(thermometer(0x10, temperature_degc=temperature_degc))
    assert host.convert() == bytes.fromhex(dump)


@pytest.mark.parametrize(
    ("raw", "temperature_degc"),
    [(0x0032, 25.0), (0x0001, 0.5), (0x0000, 0.0), (0xFFFF, -0.5), (0xFF92, -55.0)],
)
def test_published_table_of_10h(
    make_host: MakeHost, raw: int, temperature_degc: float
) -> None:
    """Half degrees of the family-10h data sheet (part DS18S20), table 1."""
    host = make_host(thermometer(0x10, temperature_degc=temperature_degc))
    assert int.from_bytes(host.convert()[:2], "little") == raw


def test_configuration_keeps_its_fixed_bits(make_host: MakeHost) -> None:
    """Only R1 and R0 can be written; worked example with 10 bit (2.2)."""
    host = make_host(thermometer())
    host.ask(b"\xcc\x4e\x1e\xf6\xa0")
    assert host.ask(b"\xcc\xbe", 9).hex() == "50051ef63fff0c1076"


@pytest.mark.parametrize(
    ("bits", "dropped", "most_ms"), [(9, 3, 93.75), (10, 2, 187.5), (11, 1, 375)]
)
def test_resolution_shortens_conversion_and_blurs_low_bits(
    make_host: MakeHost, bits: int, dropped: int, most_ms: float
) -> None:
    """Half the time a bit less; the low bits are undefined (2.2)."""
    configuration = (bits - 9) << 5 | 0x1F
    low_bits = set()
    for seed in range(6):
        host = make_host(thermometer(temperature_degc=25.5), seed=seed)
        host.ask(bytes([0xCC, 0x4E, 75, 70, configuration]))
        host.ask(b"\xcc\x44")
        host.wait(most_ms / 1000 * 0.7)
        assert host.bits(b"\xff") == [0]
        host.wait(most_ms / 1000 * 0.3)
        assert host.bits(b"\xff") == [1]
        raw = int.from_bytes(host.ask(b"\xcc\xbe", 2), "little")
        assert raw >> dropped == 0x198 >> dropped
        low_bits.add(raw & (1 << dropped) - 1)
    assert len(low_bits) > 1


def test_own_conversion_time_lies_in_its_band(make_host: MakeHost) -> None:
    """580 to 620 ms at 12 bit, from the seed (public survey of clone thermometers, 2020 and 2024)."""
    times_ms = [
        make_host(thermometer(), seed=seed).thermometer().conversion_us() / 1000
        for seed in range(20)
    ]
    assert 580 <= min(times_ms) < max(times_ms) <= 620


def test_conversion_time_can_be_given(make_host: MakeHost) -> None:
    """A device told to take 30 ms is done then."""
    host = make_host(thermometer(conversion_ms=30, temperature_degc=1))
    assert host.convert(wait_s=0.031)[:2] == b"\x10\x00"


def test_reading_too_early_gives_the_old_value(make_host: MakeHost) -> None:
    """Until the conversion ends the scratchpad holds what it held."""
    host = make_host(thermometer(temperature_degc=25))
    assert host.convert(wait_s=0.1)[:2] == b"\x50\x05"


def test_copy_and_recall(make_host: MakeHost) -> None:
    """48h stores bytes 2 to 4, B8h brings them back, power-up too (2.1)."""
    host = make_host(thermometer(), power={"supply_on": "rts"})
    host.ask(b"\xcc\x4e\x10\x05\x3f")
    host.ask(b"\xcc\x48")
    host.wait(0.01)
    host.ask(b"\xcc\x4e\x7f\x7e\x7f")
    host.ask(b"\xcc\xb8")
    host.wait(0.001)
    assert host.bits(b"\xff") == [1]
    assert host.ask(b"\xcc\xbe", 5)[2:] == b"\x10\x05\x3f"
    host.ask(b"\xcc\x4e\x7f\x7e\x7f")
    host.port.rts = False
    host.wait(0.01)
    host.port.rts = True
    host.wait(0.01)
    assert host.ask(b"\xcc\xbe", 5) == b"\x50\x05\x10\x05\x3f"


def test_recall_reports_busy(make_host: MakeHost) -> None:
    """0 while recalling, then 1 (0.4)."""
    host = make_host(thermometer())
    host.ask(b"\xcc\xb8")
    bits = host.bits(b"\xff" * 60)
    assert bits == sorted(bits)
    host.ask(b"\xcc")
    frames = bytes(0xFF if 0xB8 >> place & 1 else 0x00 for place in range(8))
    assert host.bits(frames + b"\xff")[-1] == 0


def test_short_write_leaves_the_rest_undefined(make_host: MakeHost) -> None:
    """Two bytes of three: what was not written differs from seed to seed (2.1)."""
    rests = set()
    for seed in range(6):
        host = make_host(thermometer(), seed=seed)
        host.ask(b"\xcc\x4e\x11\x22")
        pad = host.ask(b"\xcc\xbe", 9)
        assert pad[2:4] == b"\x11\x22"
        assert pad[4] & 0x9F == 0x1F
        rests.add(pad[4])
    assert len(rests) > 1


def test_surplus_bytes_are_ignored(make_host: MakeHost) -> None:
    """A fourth byte changes nothing."""
    host = make_host(thermometer())
    host.ask(b"\xcc\x4e\x11\x22\x3f\x99")
    assert host.ask(b"\xcc\xbe", 9)[2:8] == b"\x11\x22\x3f\xff\x0c\x10"


def test_ones_follow_the_scratchpad(make_host: MakeHost) -> None:
    """After the ninth byte the device leaves the line (0.4)."""
    host = make_host(thermometer())
    assert host.ask(b"\xcc\xbe", 12)[9:] == b"\xff\xff\xff"


def test_supply_query(make_host: MakeHost) -> None:
    """Parasite devices answer 0; a broadcast is the AND of all (2.1)."""
    external, parasite = thermometer(), thermometer(supply="parasite") | {"serial": 5}
    assert make_host(external).ask(b"\xcc\xb4", 1) == b"\xff"
    assert make_host(parasite).ask(b"\xcc\xb4", 1) == b"\xfe"
    assert make_host(external, parasite).ask(b"\xcc\xb4", 1) == b"\xfe"


@pytest.mark.parametrize(
    ("family", "temperature_degc", "found"),
    [
        (0x28, 75.0, True),
        (0x28, 74.9375, False),
        (0x28, 70.9375, True),
        (0x28, 71.0, False),
        (0x10, 75.0, False),
        (0x10, 76.0, True),
        (0x10, 70.5, True),
    ],
)
def test_alarm_search(
    make_host: MakeHost, family: int, temperature_degc: float, found: bool
) -> None:
    """28h: T <= TL or T >= TH; 10h: T <= TL or T > TH, whole degrees (2.2, 2.4)."""
    host = make_host(thermometer(family, temperature_degc=temperature_degc))
    assert host.search(0xEC) == []
    host.convert()
    codes = [str(station.device.rom) for station in host.bench.stations]
    assert host.search(0xEC) == (codes if found else [])


def test_alarm_flag_changes_only_with_a_conversion(make_host: MakeHost) -> None:
    """Public reports, retold: a lowered TH counts from the next conversion on."""
    host = make_host(
        thermometer(temperature_degc=35, alarm_high_degc=40) | {"alarm_low_degc": -10}
    )
    host.convert()
    host.ask(b"\xcc\x4e\x1e\xf6\x7f")
    assert host.search(0xEC) == []
    host.convert()
    assert len(host.search(0xEC)) == 1


def test_drift_and_noise(make_host: MakeHost) -> None:
    """Temperature is a function of bench time, noise comes from the seed."""
    host = make_host(thermometer(temperature_degc=20, drift_degc_per_h=10))
    host.wait(3600)
    assert int.from_bytes(host.convert()[:2], "little") == pytest.approx(480, abs=1)
    noisy = make_host(thermometer(temperature_degc=20, noise_degc=1))
    readings = {noisy.convert()[:2] for _ in range(5)}
    assert len(readings) > 1


def test_unknown_command_is_ignored(make_host: MakeHost) -> None:
    """Silence until the next reset."""
    host = make_host(thermometer())
    assert host.ask(b"\xcc\x01", 2) == b"\xff\xff"
    assert host.ask(b"\xcc\xbe", 1) == b"\x50"
