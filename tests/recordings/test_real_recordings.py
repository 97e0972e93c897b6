"""What is on the recordings of real devices, byte by byte and time by time.

The values were decoded from the files by a script apart from this project; see
data/PROVENANCE.md.
"""

from __future__ import annotations

import hashlib
from functools import cache

import pytest

from harness.families.security.challenge import PAGE_LAYOUT
from harness.families.security.mac import mac_of
from harness.recordings.decoding.transactions import RomUse
from harness.recordings.record.quantity import LimitStanding
from harness.recordings.record.shown import TraceVerdict
from harness.recordings.trace_record import TraceRecord
from harness.wire.romcode import RomCode
from tests.recordings.traces import DATA, quantity, traced


@cache
def _traced(name: str) -> TraceRecord:
    return traced(DATA / name)


ROMS = {
    "two_thermometers_28h.vcd": ["8D011627F794EE28", "330216255487EE28"],
    "authenticator_33h.vcd": ["2C00000274A44A33"],
    "write_once_0Bh_whole_memory.vcd": ["05000000586CE20B"],
    "search_28h_and_42h.vcd": ["3F000000C8CF9B28", "6700000003A6A842"],
}


@pytest.mark.parametrize("name", ROMS)
def test_rom_codes(name: str) -> None:
    assert [str(rom) for rom, _ in _traced(name).roms] == ROMS[name]


# file: quantity -> smallest and largest value in us
TIMES: dict[str, dict[str, tuple[float, float]]] = {
    "two_thermometers_28h.vcd": {
        "reset low": (492, 493),
        "presence wait": (27, 28),
        "joint presence low": (119, 121),
        "write-0 low": (61, 66),
        "zero hold": (26, 30),
    },
    "authenticator_33h.vcd": {
        "reset low": (491, 492),
        "presence wait": (27, 28),
        "presence low": (116, 116),
        "write-0 low": (52, 53),
        "zero hold": (30, 31),
    },
    "octal_switch_29h_read.vcd": {
        "reset low": (602, 602),
        "presence wait": (36, 36),
        "presence low": (116, 116),
        "write-0 low": (62, 64),
    },
    "octal_switch_29h_write.vcd": {
        "reset low": (602, 602),
        "presence wait": (34, 34),
        "presence low": (116, 116),
        "write-0 low": (62, 64),
        "zero hold": (30, 32),
    },
    "write_once_0Bh_whole_memory.vcd": {
        "reset low": (514.125, 514.125),
        "presence wait": (29.25, 29.375),
        "presence low": (130.125, 130.25),
        "write-0 low": (55.5, 56.625),
        "zero hold": (33.75, 35.125),
    },
    "search_28h_and_42h.vcd": {
        "reset low": (509, 509),
        "presence wait": (28, 28),
        "joint presence low": (111, 112),
        "write-0 low": (56, 57),
        "zero hold": (27, 29),
    },
}


@pytest.mark.parametrize("name", TIMES)
def test_times(name: str) -> None:
    trace = _traced(name)
    for what, limits in TIMES[name].items():
        judged = quantity(trace, what)
        assert (judged.minimum, judged.maximum) == pytest.approx(limits), what


@pytest.mark.parametrize(
    ("name", "interval_us"),
    [
        ("two_thermometers_28h.vcd", 1),
        ("octal_switch_29h_read.vcd", 2),
        ("octal_switch_29h_write.csv", 2),
        ("write_once_0Bh_whole_memory.vcd", 0.125),
    ],
)
def test_the_sampling_interval_is_found(name: str, interval_us: float) -> None:
    assert _traced(name).interval_us == pytest.approx(interval_us)


@pytest.mark.parametrize(
    ("name", "is_short"),
    [
        ("two_thermometers_28h.vcd", False),
        ("authenticator_33h.vcd", True),
        ("octal_switch_29h_write.vcd", False),
        ("write_once_0Bh_whole_memory.vcd", True),
        ("search_28h_and_42h.vcd", True),
    ],
)
def test_three_hosts_undercut_the_write_0_low(name: str, is_short: bool) -> None:
    judged = quantity(_traced(name), "write-0 low")
    assert (judged.standing is LimitStanding.OUTSIDE) is is_short
    assert (judged.outside == judged.count) is is_short
    assert (_traced(name).verdict is TraceVerdict.OUTSIDE) is is_short


def _data(name: str) -> list[bytes]:
    return [found.data for found in _traced(name).transactions]


def test_thermometers() -> None:
    trace = _traced("two_thermometers_28h.vcd")
    assert (trace.slots, trace.resets, trace.answered) == (1520, 10, 10)
    blocks = [
        bytes.fromhex("82014B467FFF0C10E1"),
        bytes.fromhex("81014B467FFF0C1024"),
    ]
    written = bytes.fromhex("4E4B461F48")
    data = _data("two_thermometers_28h.vcd")
    assert data[3:6:2] == [b"\xbe" + block + written for block in blocks]
    assert data[7:9] == [b"\xbe" + block for block in blocks]
    assert data[6] == data[9] == b"\x44"
    assert trace.wrong == ()


def test_thermometers_in_words() -> None:
    found = _traced("two_thermometers_28h.vcd").transactions
    read = found[3].function
    assert [c.command.name for c in read.commands if c.command] == [
        "read scratchpad",
        "write scratchpad",
        "copy scratchpad",
    ]
    assert "24.125 degC" in read.lines[0]
    assert "24.0625 degC" in found[5].function.lines[0]


def test_two_lows_that_are_no_slots_shift_no_byte() -> None:
    trace = _traced("authenticator_33h.vcd")
    assert [odd.value for odd in trace.odd_lows] == [142, 143]
    assert (trace.neithers, trace.glitches) == (2, 0)
    data = _data("authenticator_33h.vcd")
    assert data[3] == bytes.fromhex("5A80005FAA")
    assert data[8] == bytes.fromhex("330000AA")


def test_authenticator() -> None:
    data = _data("authenticator_33h.vcd")
    assert _traced("authenticator_33h.vcd").transactions[0].use is RomUse.READ
    assert data[1] == bytes.fromhex("0F8000") + bytes(8) + bytes.fromhex("C803")
    assert data[2] == bytes.fromhex("AA80005F") + bytes(8) + bytes.fromhex("7017")
    assert data[6] == bytes.fromhex("F00000") + bytes(8)
    assert data[9] == bytes.fromhex("AA00005F") + b"\xaa" * 8 + bytes.fromhex("A6ED")
    page = bytes.fromhex("A50000") + bytes(32) + bytes.fromhex("FF6D0D")
    mac = bytes.fromhex("675156169D7B1B8935641FD5D41A2083DA43E5F3")
    assert data[7][: len(page)] == page
    assert data[7][len(page) : len(page) + 22] == mac + bytes.fromhex("5BA1")


def test_a_real_chip_agrees_with_our_mac() -> None:
    """Secret, page and scratchpad are zeros; the MAC on the wire is the chip's own."""
    rom = _traced("authenticator_33h.vcd").roms[0][0].wire
    sources = {
        "SS": bytes(8), "PP": bytes(32), "SP": bytes(8), "RC": rom, "S": rom[1:7],
        "FC": rom[:1], "MP": bytes([0x40]),
    }  # fmt: skip
    sent = _data("authenticator_33h.vcd")[7][38:58]
    assert mac_of(PAGE_LAYOUT.fill(sources)) == sent


def test_authenticator_in_words() -> None:
    found = _traced("authenticator_33h.vcd").transactions
    names = [t.function.commands[0].command for t in found[1:]]
    assert [row.name for row in names if row] == [
        "write scratchpad",
        "read scratchpad",
        "load first secret",
        "read scratchpad",
        "copy scratchpad",
        "read memory",
        "read authenticated page",
        "compute next secret",
        "read scratchpad",
    ]
    mac = "67 51 56 16 9D 7B 1B 89 35 64 1F D5 D4 1A 20 83 DA 43 E5 F3"
    assert mac in found[7].function.lines[0]
    # what may be a secret is not shown
    assert "not shown" in found[1].function.lines[0]


def test_octal_switch() -> None:
    for kind in ("vcd", "csv"):
        written = _traced(f"octal_switch_29h_write.{kind}")
        assert [t.data for t in written.transactions] == [bytes.fromhex("5AFF00AA")]
        read = _traced(f"octal_switch_29h_read.{kind}")
        assert [t.data for t in read.transactions] == [bytes.fromhex("F08900FF")]
        assert read.transactions[0].use is RomUse.RESUMED


@pytest.mark.parametrize("name", ["octal_switch_29h_read", "octal_switch_29h_write"])
def test_volts_and_levels_of_one_recording_agree(name: str) -> None:
    """The CSV was thresholded apart from this project to give the VCD."""
    volts, levels = _traced(f"{name}.csv"), _traced(f"{name}.vcd")
    assert volts.slots == levels.slots
    for judged in levels.quantities:
        if judged.row.name in {"reset low", "presence low", "slot length"}:
            same = quantity(volts, judged.row.name)
            assert abs(same.median - judged.median) <= volts.interval_us
    assert volts.analog is not None
    assert volts.analog.high_v == pytest.approx(5.0, abs=0.05)
    assert volts.analog.low_v == pytest.approx(0.0, abs=0.1)
    assert quantity(volts, "rise time").maximum < 2


def test_whole_memory_with_its_check_values() -> None:
    trace = _traced("write_once_0Bh_whole_memory.vcd")
    assert (trace.glitches, trace.wrong_count) == (2, 0)
    assert [odd.value for odd in trace.odd_lows] == pytest.approx([0.125, 0.125])
    data = _data("write_once_0Bh_whole_memory.vcd")[-1]
    # A5h, address, then for each page: redirection byte, CRC, 32 bytes, CRC
    assert data[:6] == bytes.fromhex("A50000FF9D73")
    assert trace.checks == 128
    assert len(data) == 3 + 64 * (1 + 2 + 32 + 2)
    pages = [data[3 + 37 * n : 3 + 37 * (n + 1)] for n in range(64)]
    assert {page[0] for page in pages} == {0xFF}


def test_the_files_are_the_ones_that_were_decoded() -> None:
    """A changed file would change the meaning of every value above."""
    text = (DATA / "two_thermometers_28h.vcd").read_bytes()
    assert hashlib.sha256(text).hexdigest() == SHA256
    assert RomCode.parse("8D011627F794EE28").crc_holds


SHA256 = "016f43af3179c1dc60658e57ed4168cc3cff88efe220023e242b4f170f74518b"
