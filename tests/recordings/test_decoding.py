"""Lows to slots and transactions: both speeds, glitches, cuts, and who held the line."""

from __future__ import annotations

from pathlib import Path

import pytest

from harness.recordings.decoding import slots
from harness.recordings.decoding.transactions import RomUse
from harness.recordings.reading.opening import open_recording
from harness.recordings.record.quantity import LimitStanding
from harness.recordings.record.shown import TraceVerdict
from harness.recordings.trace import RecordingTracer
from harness.recordings.trace_record import TraceRecord
from harness.wire.crc import crc8
from harness.wire.romcode import RomCode
from tests.recordings.traces import DATA, LineMaker, quantity, traced, write_vcd

ROM = RomCode.build(0x2D, 0x0000A4B3C2D1)
THERMOMETER = RomCode.build(0x28, 0x0000A4B3C2D1)
BLOCK = bytes.fromhex("82014B467FFF0C10")


def _trace(tmp_path: Path, line: LineMaker, step_us: float = 0.1) -> TraceRecord:
    path = write_vcd(
        tmp_path / "line.vcd", line.lows, end_us=line.now + 500, step_us=step_us
    )
    return traced(path)


@pytest.mark.parametrize(
    ("command", "use"),
    [(0x33, RomUse.READ), (0x0F, RomUse.READ), (0x55, RomUse.MATCHED)],
)
def test_rom_code_read_or_matched(tmp_path: Path, command: int, use: RomUse) -> None:
    line = LineMaker()
    line.reset()
    line.send(command)
    line.send(*ROM.wire, held_us=30 if use is RomUse.READ else 0)
    line.send(0xF0, 0x12, 0x34)
    (found,) = _trace(tmp_path, line).transactions
    assert (found.rom, found.use, found.data) == (ROM, use, b"\xf0\x12\x34")


@pytest.mark.parametrize("fast", [False, True])
@pytest.mark.parametrize("bits", [55, 56, 60, 63])
def test_a_search_that_left_out_the_crc(tmp_path: Path, bits: int, fast: bool) -> None:
    """From 56 bits on the others determine the ROM code; which, and how well confirmed, is stated."""
    line = LineMaker()
    line.reset()
    if fast:
        line.send(0x3C)
        line.fast = True
        line.reset(fast=True)
    line.search(ROM.wire, held_us=4 if fast else 30, bits=bits)
    line.reset(fast=fast)
    trace = _trace(tmp_path, line)
    found = next(each for each in trace.transactions if each.command == 0xF0)
    assert f"the search ends after {bits} of 64 bits" in found.notes
    if bits < 56:
        assert found.rom is None
        assert trace.roms == ()
        return
    assert found.rom == ROM
    assert trace.roms == ((ROM, RomUse.COMPLETED),)
    read = "no CRC was read" if bits == 56 else f"{bits - 56} of its last 8 bits"
    assert read in found.notes[-1]
    assert found.wrong == ()


def test_a_crc_that_does_not_fit_completes_nothing(tmp_path: Path) -> None:
    """Four bits of another CRC: no ROM code is named."""
    line = LineMaker()
    line.reset()
    wire = ROM.wire[:7] + bytes([ROM.wire[7] ^ 0x04])
    line.search(wire, bits=60)
    line.reset()
    trace = _trace(tmp_path, line)
    assert trace.roms == ()
    assert "does not fit" in trace.transactions[0].notes[-1]


@pytest.mark.parametrize("command", [0x3C, 0x69])
def test_overdrive_until_a_standard_reset(tmp_path: Path, command: int) -> None:
    line = LineMaker()
    line.reset()
    line.send(command)
    line.fast = True
    if command == 0x69:
        line.send(*ROM.wire)
    line.send(0xF0, 0x00, 0x5A)
    line.reset(fast=True)
    line.send(0xA5, 0xF0)
    line.reset()
    line.send(0xCC, 0x44)
    trace = _trace(tmp_path, line)
    first, second, third = trace.transactions
    assert first.data == b"\xf0\x00\x5a"
    assert first.rom == (ROM if command == 0x69 else None)
    assert (second.overdrive_reset, second.use) == (True, RomUse.RESUMED)
    assert (third.overdrive_reset, third.data) == (False, b"\x44")
    assert quantity(trace, "reset low").count == 2
    assert quantity(trace, "reset low", overdrive=True).median == pytest.approx(60)
    assert quantity(trace, "presence low", overdrive=True).median == pytest.approx(10)
    assert trace.verdict is TraceVerdict.WITHIN


def test_an_overdrive_search_is_walked_back(tmp_path: Path) -> None:
    line = LineMaker()
    line.reset()
    line.send(0x3C)
    line.reset(fast=True)
    line.search(ROM.wire, held_us=4)
    trace = _trace(tmp_path, line)
    assert trace.transactions[1].rom == ROM
    assert quantity(trace, "zero hold", overdrive=True).median == pytest.approx(4)


def test_a_standard_command_of_that_value_behind_a_selection_is_no_overdrive(
    tmp_path: Path,
) -> None:
    line = LineMaker()
    line.reset()
    line.send(0xCC, 0x3C, 0x69, 0x00)
    (found,) = _trace(tmp_path, line).transactions
    assert found.data == b"\x3c\x69\x00"


def _thermometer(line: LineMaker, block: bytes = BLOCK) -> None:
    line.reset()
    line.send(0x55, *RomCode.build(0x28, 77).wire, 0xBE)
    line.send(*block, crc8(BLOCK), held_us=30)


def test_a_right_block_in_words_and_a_damaged_one(tmp_path: Path) -> None:
    line = LineMaker()
    _thermometer(line)
    _thermometer(line, BLOCK[:-1] + b"\x11")
    trace = _trace(tmp_path, line)
    good, bad = trace.transactions
    assert "24.125 degC" in good.function.lines[0]
    assert good.wrong == ()
    assert bad.wrong == ("read scratchpad: CRC-8 wrong",)
    assert trace.verdict is TraceVerdict.OUTSIDE


@pytest.mark.parametrize("ahead_us", [0.2, 3.0, 15.0])
def test_a_short_low_near_an_edge_is_a_glitch(tmp_path: Path, ahead_us: float) -> None:
    """No slot is so short that another edge follows within 30 us."""
    line = LineMaker()
    _thermometer(line)
    whole = _trace(tmp_path, line)
    lows = line.lows
    room = [n for n in range(2, 99) if lows[n][0] - lows[n - 1][1] > ahead_us + 20]
    for index in (room[30], room[9], 0):
        start = lows[index][0] - ahead_us
        lows.insert(index, (start - 0.1, start))
    trace = _trace(tmp_path, line)
    assert trace.glitches == 3
    assert trace.transactions[-1].data == whole.transactions[0].data


def test_a_glitch_just_ahead_of_a_reset(tmp_path: Path) -> None:
    line = LineMaker()
    _thermometer(line)
    line.wait(1000)
    line.low(0.1, 0.1)
    _thermometer(line)
    trace = _trace(tmp_path, line)
    assert (trace.glitches, trace.transaction_count) == (1, 2)
    assert trace.transactions[0].left_bits == 0


def test_a_spike_within_a_long_low_is_passed_over(tmp_path: Path) -> None:
    line = LineMaker()
    _thermometer(line)
    whole = _trace(tmp_path, line)
    start, end = line.lows[0]
    line.lows[:1] = [(start, start + 200), (start + 200.2, end)]
    trace = _trace(tmp_path, line)
    assert trace.spikes == 1
    assert trace.transactions[0].data == whole.transactions[0].data
    assert quantity(trace, "reset low").median == pytest.approx(500)


def test_lows_of_one_sample_can_be_slots(tmp_path: Path) -> None:
    """At 1 us per sample a read low of 1 us is one sample long."""
    line = LineMaker()
    _thermometer(line)
    line.lows = [
        (start, start + 1 if end - start < 10 else end) for start, end in line.lows
    ]
    trace = _trace(tmp_path, line, step_us=1)
    assert trace.glitches == 0
    assert trace.transactions[0].data == b"\xbe" + BLOCK + bytes([crc8(BLOCK)])
    assert trace.verdict is TraceVerdict.CANNOT_TELL


def test_a_low_between_slot_and_reset_shifts_no_byte(tmp_path: Path) -> None:
    line = LineMaker()
    line.reset()
    line.send(0xCC, 0x5A)
    line.wait(5000)
    line.low(140, 5000)
    line.send(0xAA)
    trace = _trace(tmp_path, line)
    assert trace.neithers == 1
    assert trace.transactions[0].data == b"\x5a\xaa"


def test_a_host_with_write_0_lows_that_are_all_too_long(tmp_path: Path) -> None:
    """130 us are outside, and slots all the same: the others are as long."""
    line = LineMaker()
    line.reset()
    line.send(0xCC, 0x44)
    line.lows = [(s, s + 130 if 60 < e - s < 65 else e) for s, e in line.lows]
    shift, moved = 0.0, []
    for start, end in line.lows:
        moved.append((start + shift, end + shift))
        shift += 70 if end - start == 130 else 0
    line.lows, line.now = moved, line.now + shift
    trace = _trace(tmp_path, line)
    assert trace.transactions[0].data == b"\x44"
    assert (
        quantity(trace, "write-0 low").outside == quantity(trace, "write-0 low").count
    )


def test_without_a_reset_nothing_can_be_told(tmp_path: Path) -> None:
    line = LineMaker()
    line.send(0xCC, 0x44)
    trace = _trace(tmp_path, line)
    assert trace.verdict is TraceVerdict.CANNOT_TELL
    assert "no reset" in trace.reasons[0]
    assert quantity(trace, "write-0 low or zero hold").count == 10


def test_cut_within_a_slot_and_within_a_byte(tmp_path: Path) -> None:
    line = LineMaker()
    line.reset()
    line.send(0xCC)
    line.bits((1, 0, 1))
    cut = traced(write_vcd(tmp_path / "byte.vcd", line.lows, end_us=line.now))
    assert "3 of the 8 slots" in cut.reasons[0]
    # an idle line behind it, for longer than any pause between two slots: it was the host
    assert not _trace(tmp_path, line).reasons
    line.lows[-1] = (line.lows[-1][0], line.lows[-1][0] + 5)
    path = write_vcd(tmp_path / "cut.vcd", line.lows)
    text = path.read_text().rstrip().rsplit("\n", 1)[0]
    path.write_text(text + "\n")
    assert "while the line is low" in traced(path).reasons[0]


@pytest.mark.parametrize(
    ("data", "within"),
    [
        ((0x55, *THERMOMETER.wire[:3]), "a ROM code, after 24 of 64 bits"),
        ((0xF0, 0x55, 0x55, 0x55), "a search, after 8 of 64 bits"),
        ((0x55, *THERMOMETER.wire, 0xBE, *BLOCK[:4]), "the command read scratchpad"),
        ((0x55, *THERMOMETER.wire, 0x44), ""),
        ((0x55, *THERMOMETER.wire), ""),
        ((0x55, *THERMOMETER.wire, 0xBE, *BLOCK, crc8(BLOCK)), ""),
    ],
)
@pytest.mark.parametrize("idle_us", [0, 600])
def test_cut_between_two_bytes(
    tmp_path: Path, data: tuple[int, ...], within: str, idle_us: float
) -> None:
    """A host that stops there lets the line idle for longer than between slots."""
    line = LineMaker()
    line.reset()
    line.send(*data)
    end_us = line.now + idle_us
    trace = traced(write_vcd(tmp_path / "line.vcd", line.lows, end_us=end_us))
    expected = f"the recording ends within {within}"
    assert trace.reasons == ((expected,) if within and not idle_us else ())


def test_sampled_too_slowly(tmp_path: Path) -> None:
    line = LineMaker()
    _thermometer(line)
    trace = _trace(tmp_path, line, step_us=10)
    assert trace.verdict is TraceVerdict.CANNOT_TELL
    assert {q.standing for q in trace.quantities} <= {
        LimitStanding.CANNOT_TELL, LimitStanding.NO_LIMIT,
    }  # fmt: skip
    assert "sampled every 10 us, too slowly" in " ".join(trace.reasons)
    assert (trace.transactions, trace.roms, trace.wrong) == ((), (), ())


@pytest.mark.parametrize("step_us", [0.1, 0.5, 1.0])
def test_overdrive_sampled_at_any_rate_tells_nothing_untrue(
    tmp_path: Path, step_us: float
) -> None:
    """Ones of 1.5 us and zeros held for 3.5 us are one or two, three or four, samples.

    Where only one sample lies between them, the byte stands if its CRC holds; else the
    slots cannot be determined, and nothing of them is called outside or wrong.
    """
    line = LineMaker()
    line.reset()
    line.send(0x3C)
    line.reset(fast=True)
    line.send(0x33)
    line.send(*ROM.wire, held_us=3.5)
    line.reset(fast=True)
    line.send(0xCC, 0x44)
    trace = _trace(tmp_path, line, step_us=step_us)
    assert trace.verdict is not TraceVerdict.OUTSIDE
    assert trace.wrong == ()
    if step_us < 1:
        assert trace.transactions[1].rom == ROM
        assert trace.verdict is TraceVerdict.WITHIN


def test_slots_that_may_be_either_cannot_be_told(tmp_path: Path) -> None:
    """Zeros of 3 us and ones of 2 us, a sample apart, in a frame that no CRC vouches for."""
    line = LineMaker()
    line.reset()
    line.send(0x3C)
    line.reset(fast=True)
    line.send(0xCC)
    for length in (1, 2, 3, 2, 3, 2, 1, 8):
        line.low(length, 10 - length)
    trace = _trace(tmp_path, line, step_us=1.0)
    assert "5 slots may be ones or zeros" in " ".join(trace.reasons)
    assert "5 of its slots may be ones or zeros" in trace.transactions[1].notes
    assert trace.verdict is TraceVerdict.CANNOT_TELL


def test_swapped_levels_are_suspected_and_nothing_is_judged(tmp_path: Path) -> None:
    line = LineMaker()
    _thermometer(line)
    path = write_vcd(tmp_path / "line.vcd", line.lows, end_us=line.now + 5_000)
    text = path.read_text().replace("0!", "2!").replace("1!", "0!").replace("2!", "1!")
    path.write_text(text)
    swapped = traced(path)
    assert swapped.verdict is TraceVerdict.CANNOT_TELL
    assert "--invert" in swapped.reasons[0]
    assert RecordingTracer(open_recording(path), inverted=True).run().roms


def test_a_gap_begins_anew(tmp_path: Path) -> None:
    """Slots behind a stretch that the recorder left out belong to no reset."""
    line = LineMaker()
    _thermometer(line)
    path = write_vcd(tmp_path / "gap.vcd", line.lows, end_us=line.now)
    at = round(line.now * 10) + 10_000
    more = "".join(
        f"#{at + 700 * n}\n0!\n#{at + 700 * n + 60}\n1!\n" for n in range(16)
    )
    path.write_text(
        path.read_text()
        + f"#{at - 5000}\n$dumpoff\nx!\n$end\n#{at - 1000}\n$dumpon\n1!\n$end\n{more}"
    )
    trace = traced(path)
    first, second = trace.transactions
    assert (first.slots, second.slots) == (8 * 19, 16)
    assert not second.has_reset
    assert "left out 1" in trace.notes[0]


@pytest.mark.parametrize("most", [100, 777])
def test_many_slots_without_a_reset_stay_in_bounded_memory(
    most: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Decoded in parts: nothing is lost, and it is said."""
    monkeypatch.setattr(slots, "MOST_CARRIED", most)
    monkeypatch.setattr("harness.recordings.reading.vcd.reader.BLOCK_BYTES", 500)
    trace = traced(DATA / "write_once_0Bh_whole_memory.vcd")
    assert trace.slots == 19_240
    assert any("in parts" in note for note in trace.notes)


def test_inverted_levels(tmp_path: Path) -> None:
    from harness.recordings.reading.opening import open_recording
    from harness.recordings.trace import RecordingTracer

    text = (DATA / "search_28h_and_42h.vcd").read_text()
    swapped = (
        text.replace("\n0!", "\n?!").replace("\n1!", "\n0!").replace("\n?!", "\n1!")
    )
    path = tmp_path / "inverted.vcd"
    path.write_text(swapped)
    trace = RecordingTracer(open_recording(path), inverted=True).run()
    assert len(trace.roms) == 2


def test_presence_of_many_devices_is_no_reset(tmp_path: Path) -> None:
    """The first begins after 15 us and the last one ends 275 us later: within all limits."""
    line = LineMaker()
    for _ in range(3):
        line.low(500, 15)
        line.low(275, 480)
        line.send(0xCC, 0x44)
    trace = _trace(tmp_path, line)
    assert (trace.resets, trace.answered, trace.transaction_count) == (3, 3, 3)
    assert {t.data for t in trace.transactions} == {b"\x44"}


def test_a_host_with_short_resets(tmp_path: Path) -> None:
    """Resets of 300 us are too short, and none of them is taken for presence."""
    line = LineMaker()
    for _ in range(3):
        line.low(300, 30)
        line.low(120, 480)
        line.send(0xCC, 0x44)
    trace = _trace(tmp_path, line)
    assert (trace.resets, trace.answered) == (3, 3)
    assert quantity(trace, "reset low").standing is LimitStanding.OUTSIDE


@pytest.mark.parametrize(
    ("end", "refused"), [(0x00, 0), (0xAA, 0), (0x55, 0), (0xFF, 1)]
)
def test_how_a_store_into_battery_backed_memory_is_confirmed(
    tmp_path: Path, end: int, refused: int
) -> None:
    """Copy scratchpad of an 06h: zeros say done too (data sheet, part DS1993)."""
    rom = RomCode.build(0x06, 0x123456)
    line = LineMaker()
    line.reset()
    line.send(0x55, *rom.wire, 0x55, 0x00, 0x00, 0x1F)
    line.send(end, held_us=30)
    assert len(_trace(tmp_path, line).refused) == refused


def test_slots_that_were_missed_make_nothing_wrong(tmp_path: Path) -> None:
    """A read slot of 1 us between two samples of 2 us: what is left is a slot short."""
    line = LineMaker()
    for missed in (False, True):
        line.reset()
        line.send(0x33)
        line.send(*ROM.wire, held_us=30)
        if missed:
            del line.lows[-3]
    line.lows = [
        (start, start + 2.0) if end - start < 15 else (start, end)
        for start, end in line.lows
    ]
    trace = _trace(tmp_path, line, step_us=2)
    assert "a shorter low may have been missed" in " ".join(trace.reasons)
    assert (trace.verdict, trace.wrong) == (TraceVerdict.CANNOT_TELL, ())
