"""Value Change Dumps of any kind, and two independent readers and writers of them."""

from __future__ import annotations

import io
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from vcd.reader import TokenKind, tokenize
from vcd.writer import VCDWriter
from vcdvcd import VCDVCD

from harness.recordings.problems import RecordingUnreadable
from harness.recordings.reading.chunks import HIGH, LOW, UNKNOWN
from harness.recordings.reading.opening import open_recording
from harness.recordings.reading.vcd import reader
from tests.recordings.traces import DATA, traced

HEAD = (
    "$date today $end\n$timescale 1 us $end\n$scope module b $end\n"
    "$var wire 1 ! data $end\n$upscope $end\n$enddefinitions $end\n"
)
LEVEL = {"0": LOW, "1": HIGH, "z": HIGH, "x": UNKNOWN}


def _edges(path: Path, channel: str = "") -> list[tuple[int, int]]:
    source = open_recording(path, channel=channel)
    found: list[tuple[int, int]] = []
    for chunk in source.chunks():
        found += zip(chunk.times.tolist(), chunk.levels.tolist(), strict=True)
    return found


def _file(path: Path, text: str) -> Path:
    made = path / "made.vcd"
    made.write_text(text)
    return made


@pytest.mark.parametrize("path", sorted(DATA.glob("*.vcd")), ids=lambda p: p.stem)
def test_two_independent_readers_agree(path: Path) -> None:
    """Pyvcd (a tokenizer) and vcdvcd (a parser) see the same changes."""
    ours = _edges(path)
    theirs, now = [], 0
    with path.open("rb") as file:
        for token in tokenize(file):
            if token.kind is TokenKind.CHANGE_TIME:
                now = token.time_change
            elif token.kind is TokenKind.CHANGE_SCALAR:
                theirs.append((now, LEVEL[token.scalar_change.value]))
    assert ours == theirs
    parsed = VCDVCD(str(path))["bench.data"].tv
    assert ours == [(at, LEVEL[value]) for at, value in parsed]


@given(
    st.lists(st.tuples(st.integers(1, 10**6), st.sampled_from("01xz")), min_size=1),
    st.sampled_from(["1 ns", "10 us", "100 fs", "1 s"]),
    st.booleans(),
)
def test_what_an_independent_writer_writes(
    tmp_path_factory: pytest.TempPathFactory,
    changes: list[tuple[int, str]],
    scale: str,
    as_vector: bool,
) -> None:
    """Pyvcd writes a bus, a real and a scalar; each change of ours comes back."""
    text = io.StringIO()
    now, wanted, level = 0, [], "1"
    with VCDWriter(text, timescale=scale, date="today", check_values=False) as writer:
        volts = writer.register_var("a", "volts", "real", init=5.0)
        line = writer.register_var("a", "line", "wire", size=1, init="1")
        bus = writer.register_var("a", "bus", "reg", size=4, init="0001")
        for step, value in changes:
            now += step
            writer.change(volts, now, now / 7)
            if value != level:
                writer.change(line, now, value)
                writer.change(bus, now, f"010{value}")
                wanted.append((now, LEVEL[value]))
            level = value
    path = tmp_path_factory.mktemp("vcd") / "w.vcd"
    path.write_text(text.getvalue())
    found = _edges(path, "a.bus[0]" if as_vector else "line")
    assert found[0][1] == HIGH
    assert [edge for edge in found[1:] if edge not in wanted] == []
    assert set(wanted) <= set(found)


def test_what_a_second_independent_writer_writes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A hardware simulator's own dump of a line that it drives, edge by edge."""
    import myhdl

    monkeypatch.chdir(tmp_path)
    lasts = [500, 30, 120, 400, 6, 64, 62, 8, 1, 70]

    @myhdl.block  # type: ignore[untyped-decorator]
    def bench() -> object:
        line = myhdl.Signal(bool(1))

        @myhdl.instance  # type: ignore[untyped-decorator]
        def drive() -> Iterator[object]:
            for last in lasts:
                line.next = not line
                yield myhdl.delay(last)

        return drive

    simulated = bench()
    simulated.config_sim(trace=True)
    simulated.run_sim(quiet=1)
    (path,) = tmp_path.glob("*.vcd")
    times = [sum(lasts[:n]) for n in range(len(lasts))]
    # its dump has the value ahead of time 0, then what changes at time 0
    assert _edges(path, "line") == [
        (0, HIGH),
        *((at, HIGH if n % 2 else LOW) for n, at in enumerate(times)),
    ]


@pytest.mark.parametrize("block", [64, 1000, 4 << 20])
def test_blocks_of_any_size_give_the_same(
    block: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = DATA / "search_28h_and_42h.vcd"
    whole = _edges(path)
    monkeypatch.setattr(reader, "BLOCK_BYTES", block)
    assert _edges(path) == whole


@pytest.mark.parametrize(
    ("body", "edges"),
    [
        ("#0 1! #5 0! #9 1!", [(0, 1), (5, 0), (9, 1)]),
        ("$dumpvars 1! $end\n#5\n0!\n", [(0, 1), (5, 0)]),
        ("#0\n1!\n$comment a 0! b $end\n#5\n0!\n", [(0, 1), (5, 0)]),
        (
            "#0\n1!\n#3\n$dumpoff\nx!\n$end\n#9\n$dumpon\n0!\n$end\n",
            [(0, 1), (3, 2), (9, 0)],
        ),
        ("#0\nb1 !\n#5\nb0 !\n#6\nbz !\n", [(0, 1), (5, 0), (6, 1)]),
    ],
)
def test_forms_of_value_changes(
    tmp_path: Path, body: str, edges: list[tuple[int, int]]
) -> None:
    assert _edges(_file(tmp_path, HEAD + body)) == edges


def test_codes_that_look_like_values(tmp_path: Path) -> None:
    """A code may be any printable character: b, r, # and $ too (18.2.3.7)."""
    head = (
        "$timescale 10ns $end $var wire 2 b bus [1:0] $end "
        "$var wire 1 # a $end $var real 64 r v $end $var wire 1 $ c $end "
        "$enddefinitions $end\n"
    )
    body = "#0\nb01 b\nr1.5 r\n1#\n0$\n#7\nb10 b\nr2.5 r\n0#\n1$\n"
    path = _file(tmp_path, head + body)
    assert _edges(path, "bus[0]") == [(0, 1), (7, 0)]
    assert _edges(path, "bus[1]") == [(0, 0), (7, 1)]
    assert _edges(path, "a") == [(0, 1), (7, 0)]
    assert _edges(path, "c") == [(0, 0), (7, 1)]


def test_a_short_vector_is_extended(tmp_path: Path) -> None:
    """Left of what is written are zeros, behind x and z the same again (18.2.1)."""
    head = "$timescale 1 us $end $var wire 4 ! b [3:0] $end $enddefinitions $end\n"
    path = _file(tmp_path, head + "#0\nb1 !\n#1\nbx !\n#2\nb1111 !\n")
    assert _edges(path, "b[3]") == [(0, LOW), (1, UNKNOWN), (2, HIGH)]


def test_the_busiest_channel_is_read_and_the_others_are_named(tmp_path: Path) -> None:
    head = HEAD.replace("$upscope", "$var wire 1 % clock $end\n$upscope")
    path = _file(tmp_path, head + "#0\n1!\n1%\n#2\n0%\n#3\n1%\n#4\n0!\n")
    source = open_recording(path)
    assert source.channel == "b.clock"
    assert source.others == ("b.data",)
    assert "b.data" in source.notes[0]
    assert open_recording(path, channel="data").notes == []


def test_neither_events_nor_strings_nor_still_bits_are_busy(tmp_path: Path) -> None:
    """Of a vector that is written often one bit may change, and a string has no level."""
    head = HEAD.replace(
        "$upscope",
        "$var wire 3 # bus [2:0] $end\n$var event 1 ( e $end\n"
        "$var string 1 ) s $end\n$var real 64 % v $end\n$upscope",
    )
    body = "#0\n1!\nr5 %\n"
    for n in range(1, 40):
        body += f"#{n}\nb{n % 2}1{n // 8 % 2} #\n1(\nshello )\nr{5 + n / 1000} %\n"
    source = open_recording(_file(tmp_path, head + body))
    assert source.channel == "b.bus[2]"
    assert "b.e" not in source.others
    assert "b.s" not in source.others
    assert "b.v" in source.others


def test_a_voltage_is_read_where_the_levels_are_still(tmp_path: Path) -> None:
    head = HEAD.replace("$upscope", "$var real 64 % v $end\n$upscope")
    body = "#0\n1!\n" + "".join(f"#{n}\nr{5 * (n // 3 % 2)} %\n" for n in range(99))
    assert open_recording(_file(tmp_path, head + body)).channel == "b.v"


def test_a_real_variable_is_read_as_volts(tmp_path: Path) -> None:
    head = HEAD.replace("wire 1 !", "real 64 !")
    body = "".join(f"#{10 * n}\nr{5.0 if n % 3 else 0.1:g} !\n" for n in range(100))
    edges = _edges(_file(tmp_path, head + body))
    assert edges[:3] == [(0, LOW), (10, HIGH), (30, LOW)]


BAD = {
    "empty": ("", "made.vcd: the file is empty"),
    "no scale": (
        HEAD.replace("$timescale 1 us $end", ""),
        "1:1: there is no $timescale",
    ),
    "odd scale": (HEAD.replace("1 us", "3 us"), "2:1: $timescale is '3 us'"),
    "backwards": (HEAD + "#9\n1!\n#5\n0!\n", "9:1: time goes backwards: 5 after 9"),
    "too large": (HEAD + f"#{2**63}\n1!\n", "7:1: the time is beyond"),
    "no number": (HEAD + "#1x\n1!\n", "7:1: expected a whole number"),
    "no change": (HEAD + "#1\n  q!\n", "8:3: expected a time such as"),
    "no keyword": (HEAD + "#1\n$foo\n", "8:1: expected a value change"),
    "no end": (HEAD[:-30], "the declarations do not end"),
    "no variable": (
        HEAD.replace("$var wire 1 ! data $end\n", ""),
        "1:1: no variable with a level is declared",
    ),
    "bad variable": (HEAD.replace("wire 1", "wire one"), "4:1: $var"),
    "binary": ("$date\n\x01\x02", "2:1: the file is binary (byte 01h)"),
}


@pytest.mark.parametrize("name", BAD)
def test_damaged_files(tmp_path: Path, name: str) -> None:
    text, said = BAD[name]
    with pytest.raises(RecordingUnreadable) as error:
        traced(_file(tmp_path, text))
    assert said in str(error.value)


def test_no_such_channel() -> None:
    with pytest.raises(RecordingUnreadable, match="no channel 'clock'") as error:
        open_recording(DATA / "search_28h_and_42h.vcd", channel="clock")
    assert "bench.data" in error.value.hint


def test_a_missing_file(tmp_path: Path) -> None:
    with pytest.raises(RecordingUnreadable, match="No such file"):
        open_recording(tmp_path / "none.vcd")


def test_a_file_cut_within_a_time(tmp_path: Path) -> None:
    """Half a number is no time that goes backwards."""
    assert _edges(_file(tmp_path, HEAD + "#100\n1!\n#200\n0!\n#3")) == [
        (100, HIGH),
        (200, LOW),
    ]


def test_large_times_are_exact(tmp_path: Path) -> None:
    last = 2**63 - 1
    edges = _edges(_file(tmp_path, HEAD + f"#{last - 1}\n1!\n#{last}\n0!\n"))
    assert edges == [(last - 1, HIGH), (last, LOW)]
    assert np.iinfo(np.int64).max == last
