"""Models of battery parts against worked transactions.

The transactions are computed from the command rules of data sheets DS2438 p. 6-10, DS2760
p. 7 and 11, DS2770 p. 11-15 and DS2740 p. 6, byte for byte.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest

from tests.outside_crc import crc_8

if TYPE_CHECKING:
    from tests.simulation.conftest import MakeHost


def part(family: int, **more: object) -> dict[str, Any]:
    """A battery part on the line."""
    return {"family": family, "serial": 0xC0DE, **more}


def hexed(text: str) -> bytes:
    """Bytes of a worked transaction."""
    return bytes.fromhex(text)


def test_26h_worked_page_0(make_host: MakeHost) -> None:
    """25.125 degC, 2.86 V, +1.25 A at 25 mohm: 0F 20 19 1E 01 80 00 00, CRC EB."""
    host = make_host(part(0x26, temperature_degc=25.125, supply_v=2.86, current_a=1.25))
    host.ask(hexed("CC 44"))
    assert 0 in host.bits(b"\xff" * 8)
    host.wait(0.010)
    assert host.bits(b"\xff" * 8) == [1] * 8
    host.ask(hexed("CC B4"))
    host.wait(0.004)
    host.ask(hexed("CC B8 00"))
    assert host.ask(hexed("CC BE 00"), 9) == hexed("0F 20 19 1E 01 80 00 00 EB")


def test_26h_worked_page_1_and_7(make_host: MakeHost) -> None:
    """10000 s and 0.625 Ah; 40 Ah in, 20 Ah out."""
    host = make_host(part(0x26))
    device: Any = host.bench.stations[0].device
    device.elapsed_s = 10_000.0
    device.charge_uvh, device.in_uvh, device.out_uvh = 15_700.0, 1.0e6, 0.5e6
    device.cells[13:15] = hexed("F8 FF")
    host.ask(hexed("CC B8 01"))
    assert host.ask(hexed("CC BE 01"), 9) == hexed("10 27 00 00 20 F8 FF FF 64")
    host.ask(hexed("CC B8 07"))
    assert host.ask(hexed("CC BE 07"), 9) == hexed("00 00 00 00 40 00 20 00 21")


def test_26h_user_page(make_host: MakeHost) -> None:
    """Write, verify with CRC 83h, copy; zeros while busy; kept in the cells."""
    host = make_host(part(0x26))
    host.ask(hexed("CC 4E 03 01 02 03 04 05 06 07 08"))
    assert host.ask(hexed("CC BE 03"), 9) == hexed("01 02 03 04 05 06 07 08 83")
    host.ask(hexed("CC 48 03"))
    assert host.bits(b"\xff" * 4) == [0] * 4
    host.wait(0.010)
    host.bench.stations[0].device.load_power_on_values()
    host.ask(hexed("CC B8 03"))
    assert host.ask(hexed("CC BE 03"), 9) == hexed("01 02 03 04 05 06 07 08 83")


def test_26h_configuration_without_a_copy_is_lost(make_host: MakeHost) -> None:
    """A user's bench report: it comes back as 0Fh at the next recall."""
    host = make_host(part(0x26))
    host.ask(hexed("CC 4E 00 01"))
    host.ask(hexed("CC B8 00"))
    assert host.ask(hexed("CC BE 00"), 1) == hexed("0F")


def test_26h_offset_is_added(make_host: MakeHost) -> None:
    """With +3 counts of its own and E8 FF in the register the current reads 0."""
    host = make_host(part(0x26, offset_counts=3))
    host.ask(hexed("CC B8 00"))
    assert host.ask(hexed("CC BE 00"), 7)[5:] == hexed("03 00")
    device: Any = host.bench.stations[0].device
    device.cells[13:15] = hexed("E8 FF")
    host.ask(hexed("CC B8 00"))
    page = host.ask(hexed("CC BE 00"), 9)
    assert page[5:7] == hexed("00 00")
    assert page[8] == crc_8(page[:8])


def test_30h_worked_registers(make_host: MakeHost) -> None:
    """3.699 V, -0.500 A, 1000 mAh in one burst; +25.5 degC and -10 degC."""
    host = make_host(part(0x30, cell_v=3.699, temperature_degc=25.5))
    device: Any = host.bench.stations[0].device
    device.account_uvh = 25_000.0
    device.current_a = -0.5
    assert host.ask(hexed("CC 69 0C"), 6) == hexed("5E C0 E7 00 0F 9F")
    device.current_a = 0.0
    device.account_uvh = 25_000.0
    assert host.ask(hexed("CC 69 10"), 2) == hexed("0F A0")
    assert host.ask(hexed("CC 69 18"), 2) == hexed("19 80")
    device.temperature_degc = -10.0
    assert host.ask(hexed("CC 69 18"), 2) == hexed("F6 00")


def test_2eh_and_36h_worked_currents(make_host: MakeHost) -> None:
    """-0.500 A is E0 C0 at 25 mohm; 125 mA at 20 mohm is 06 40."""
    host = make_host(part(0x2E, current_a=-0.5))
    assert host.ask(hexed("CC 69 0E"), 2) == hexed("E0 C0")
    host = make_host(part(0x36, current_a=0.125, sense_mohm=20))
    assert host.ask(hexed("CC 69 0E"), 2) == hexed("06 40")


def test_incomplete_byte_is_ignored(make_host: MakeHost) -> None:
    """Six bits and a reset: the register keeps its value."""
    host = make_host(part(0x30))
    host.ask(hexed("CC 6C 20"))
    host.bits(b"\xff" * 6)
    assert host.ask(hexed("CC 69 20"), 1) == hexed("00")


def test_block_copy_and_recall(make_host: MakeHost) -> None:
    """The shadow is lost by a recall unless it was copied; 07h shows the copy."""
    host = make_host(part(0x30))
    host.ask(hexed("CC 6C 20 11"))
    host.ask(hexed("CC B8 20"))
    assert host.ask(hexed("CC 69 20"), 1) == hexed("00")
    host.ask(hexed("CC 6C 20 22"))
    host.ask(hexed("CC 48 20"))
    assert host.ask(hexed("CC 69 07"), 1)[0] & 0x80 in {0, 0x80}
    host.wait(0.010)
    host.ask(hexed("CC B8 20"))
    assert host.ask(hexed("CC 69 20"), 1) == hexed("22")


@pytest.mark.parametrize(
    ("between", "locked"), [("", 0x01), ("69 07", 0x00), ("48 20", 0x00)]
)
def test_lock_only_straight_after_its_permission(
    make_host: MakeHost, between: str, locked: int
) -> None:
    """Any other command between 6C 07 40 and 6A 20 calls it off."""
    host = make_host(part(0x30))
    host.ask(hexed("CC 6C 07 40"))
    if between:
        host.ask(hexed(f"CC {between}"), 1)
    host.wait(0.010)
    host.ask(hexed("CC 6A 20"))
    assert host.ask(hexed("CC 69 07"), 1)[0] & 0x03 == locked
    host.ask(hexed("CC 6C 20 33"))
    assert host.ask(hexed("CC 69 20"), 1) == hexed("00" if locked else "33")


def test_30h_recall_of_the_second_block_loads_the_enables(make_host: MakeHost) -> None:
    """CE and DE come from EEPROM 30h (data sheet DS2761)."""
    host = make_host(part(0x30))
    host.ask(hexed("CC 6C 00 00"))
    assert host.ask(hexed("CC 69 00"), 1)[0] & 0x03 == 0
    host.ask(hexed("CC B8 30"))
    assert host.ask(hexed("CC 69 00"), 1)[0] & 0x03 == 3


@pytest.mark.parametrize(
    ("settings", "flag"),
    [
        ({"cell_v": 4.4}, 0x80),
        ({"cell_v": 2.5}, 0x40),
        ({"current_a": 2.0}, 0x20),
        ({"current_a": -2.0}, 0x10),
    ],
)
def test_30h_latches_each_fault(
    make_host: MakeHost, settings: dict[str, float], flag: int
) -> None:
    """Voltage thresholds, and 47.5 mV across the resistor in either direction."""
    host = make_host(part(0x30, **settings))
    assert host.ask(hexed("CC 69 00"), 1)[0] & 0xF0 == flag
