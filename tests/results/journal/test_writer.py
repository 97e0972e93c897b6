"""The journal: what is written can be read, whatever the end of the writer was."""

from __future__ import annotations

import json
import math
import random
import signal
import subprocess
import sys
from datetime import datetime, timedelta, timezone
from pathlib import Path

import pytest

from harness.clock import Clock
from harness.errors import AdapterError, UsageError
from harness.results.journal.lines import parsed
from harness.results.journal.writer import Journal, read_events


def _start(journal: Journal) -> None:
    journal.record("run_started", format=1, run_id="r", steps=[])


def test_events_come_back_in_order(tmp_path: Path, clock: Clock) -> None:
    """What was recorded is read back in order, stamped by the port's clock."""
    with Journal.create(tmp_path / "run" / "one", clock) as journal:
        _start(journal)
        clock.sleep(1.2345678)
        journal.record("note", text="relay on")
    events = list(read_events(journal.path))
    assert [event["event"] for event in events] == ["run_started", "note"]
    assert events[0]["at"] == "2026-11-24T22:58:19.804Z"
    assert events[0]["t_s"] == 0.0
    assert events[1] == {
        "event": "note",
        "at": "2026-11-24T22:58:21.038Z",
        "t_s": 1.234568,
        "text": "relay on",
    }


def test_calendar_is_written_in_utc(tmp_path: Path, clock: Clock) -> None:
    """A clock in another time zone changes nothing about the instant written."""

    class Elsewhere:
        now_s = staticmethod(clock.now_s)
        sleep = staticmethod(clock.sleep)

        def calendar(self) -> datetime:
            return datetime(2026, 11, 25, 0, 0, tzinfo=timezone(timedelta(hours=2)))

    with Journal.create(tmp_path, Elsewhere()) as journal:
        _start(journal)
    assert next(read_events(journal.path))["at"] == "2026-11-24T22:00:00.000Z"


def test_values_that_json_lacks_are_made_plain(tmp_path: Path, clock: Clock) -> None:
    """Bytes become hex, numbers without end null with a note, the rest text."""
    with Journal.create(tmp_path, clock) as journal:
        _start(journal)
        journal.record(
            "note",
            raw=b"\x00\xff",
            values=[1.5, math.nan, {"deep": -math.inf}],
            place=Path("a"),
            pair=(1, True, None),
            odd={3: "x"},
            text="\ud800\x00\n]]>",
        )
    event = list(read_events(journal.path))[1]
    assert event["raw"] == "00ff"
    assert event["values"] == [1.5, None, {"deep": None}]
    assert event["not_finite"] == ["values.1 = nan", "values.2.deep = -inf"]
    assert event["place"] == "a"
    assert event["pair"] == [1, True, None]
    assert event["odd"] == {"3": "x"}
    assert event["text"] == "\ud800\x00\n]]>"


def test_a_line_is_one_json_object(tmp_path: Path, clock: Clock) -> None:
    """Line feeds inside a text never make a second line."""
    with Journal.create(tmp_path, clock) as journal:
        _start(journal)
        journal.record("note", text="one\ntwo\u2028three\x85four")
    lines = journal.path.read_bytes().splitlines()
    assert len(lines) == 2
    assert all(isinstance(json.loads(line), dict) for line in lines)


def test_each_line_is_in_the_file_at_once(tmp_path: Path, clock: Clock) -> None:
    """An event can be read from the file before the journal is closed."""
    with Journal.create(tmp_path, clock, sync=True) as journal:
        _start(journal)
        for count in range(1, 4):
            journal.record("note", text=str(count))
            assert len(list(read_events(journal.path))) == count + 1


def test_a_journal_is_never_overwritten(tmp_path: Path, clock: Clock) -> None:
    """A second journal in the same folder is refused and the first one stays."""
    with Journal.create(tmp_path, clock) as journal:
        _start(journal)
    before = journal.path.read_bytes()
    with pytest.raises(UsageError, match="exists already"):
        Journal.create(tmp_path, clock)
    assert journal.path.read_bytes() == before


def test_a_folder_that_cannot_be_is_refused(tmp_path: Path, clock: Clock) -> None:
    """A results folder below a plain file is the caller's mistake."""
    (tmp_path / "file").write_text("x")
    with pytest.raises(UsageError, match="cannot be used"):
        Journal.create(tmp_path / "file" / "run", clock)


def test_closed_means_closed(tmp_path: Path, clock: Clock) -> None:
    """Recording after the end is a mistake in the program, closing twice is none."""
    journal = Journal.create(tmp_path, clock)
    journal.close()
    journal.close()
    with pytest.raises(ValueError, match="closed"):
        journal.record("note")


def test_stamps_cannot_be_forged(tmp_path: Path, clock: Clock) -> None:
    """A field may not take the name of one the journal writes itself."""
    with (
        Journal.create(tmp_path, clock) as journal,
        pytest.raises(ValueError, match="t_s"),
    ):
        journal.record("note", t_s=3)


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs /dev/full")
def test_a_full_disk_is_no_device_fault(
    tmp_path: Path, clock: Clock, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A line that the disk refuses is an adapter-side error that names the file."""
    import os

    opened = os.open
    monkeypatch.setattr(
        "harness.results.journal.writer.os.open",
        lambda _path, _flags, _mode: opened("/dev/full", os.O_WRONLY),
    )
    with Journal.create(tmp_path, clock) as journal:
        with pytest.raises(AdapterError, match="No space left") as caught:
            journal.record("note")
        assert caught.value.where == str(journal.path)


def test_a_line_half_taken_does_not_spoil_the_next(
    tmp_path: Path, clock: Clock, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A disk that takes half a line costs that line; later ones stand by themselves."""
    import os

    write = os.write
    with Journal.create(tmp_path, clock) as journal:
        _start(journal)
        with monkeypatch.context() as patch:
            patch.setattr(
                "harness.results.journal.writer.os.write",
                lambda handle, data: write(handle, data[: len(data) // 2]),
            )
            with pytest.raises(AdapterError, match="only a part"):
                journal.record("note", text="lost")
        journal.record("note", text="kept")
        journal.record("note", text="kept too")
    events = list(read_events(journal.path))
    assert [event["event"] for event in events[1:]] == ["line_lost", "note", "note"]
    assert [event["text"] for event in events[2:]] == ["kept", "kept too"]


@pytest.mark.parametrize(
    ("sync", "forced"),
    [(False, ["step_done", "run_done"]), (True, ["note", "step_done", "run_done"])],
)
def test_the_ends_are_forced_to_the_disk(
    tmp_path: Path,
    clock: Clock,
    monkeypatch: pytest.MonkeyPatch,
    sync: bool,
    forced: list[str],
) -> None:
    """Ends of steps and of the run reach the disk itself, on request every line."""
    seen: list[str] = []
    with Journal.create(tmp_path, clock, sync=sync) as journal:
        _start(journal)
        monkeypatch.setattr(
            "harness.results.journal.writer.os.fsync",
            lambda _handle: seen.append(list(read_events(journal.path))[-1]["event"]),
        )
        for event in ("note", "step_done", "run_done"):
            journal.record(event)
    assert seen == forced


def test_a_disk_that_cannot_force_is_no_device_fault(
    tmp_path: Path, clock: Clock, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A disk that fails at the end of a step is an adapter-side error as well."""

    def fail(_handle: int) -> None:
        raise OSError(5, "Input/output error")

    monkeypatch.setattr("harness.results.journal.writer.os.fsync", fail)
    with (
        Journal.create(tmp_path, clock) as journal,
        pytest.raises(AdapterError, match="Input/output error"),
    ):
        journal.record("step_done")


def test_reading_goes_on_after_a_torn_line(tmp_path: Path, clock: Clock) -> None:
    """A torn line in the middle is reported by number and the rest is read."""
    with Journal.create(tmp_path, clock) as journal:
        _start(journal)
    with journal.path.open("ab") as stream:
        stream.write(b'{"event":"no\n\xff\xfe\n[1]\n{"event":"note"}\n{"event":"run_d')
    events = list(read_events(journal.path))
    assert [event["event"] for event in events[1:]] == [
        "line_lost",
        "line_lost",
        "line_lost",
        "note",
        "line_lost",
    ]
    assert events[1] == {"event": "line_lost", "line": 2, "bytes": 13}
    assert events[-1]["line"] == 6


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b'{"event":"run_sta',
        b"plan: incoming\n",
        b"\x89PNG\r\n\x1a\n\x00\x00",
        b'{"event":"note"}\n',
        b"[" * 100_000,
        b'"run_started"\n',
    ],
    ids=["empty", "cut", "yaml", "binary", "headless", "deep", "text"],
)
def test_what_is_no_journal_is_refused(tmp_path: Path, content: bytes) -> None:
    """A file that does not begin as a journal is refused with file and line."""
    path = tmp_path / "journal.jsonl"
    path.write_bytes(content)
    with pytest.raises(UsageError, match="no journal") as caught:
        next(read_events(path))
    assert caught.value.where == f"{path}:1"
    assert caught.value.hint


@pytest.mark.parametrize(
    ("inside", "is_kept"),
    [
        ("[" * 63 + "]" * 63, True),
        ("[" * 64 + "]" * 64, False),
        ('{"a":' * 64 + "1" + "}" * 64, False),
        ("[" * 100_000 + "]" * 100_000, False),
        ('"' + "[" * 100_000 + '"', True),
        (r'"\"' + "{" * 100_000 + '"', True),
        (r'"\\","x":' + "[" * 90 + "]" * 90, False),
        ("[" + "[]," * 1000 + "[]]", True),
    ],
)
def test_lines_that_nest_deeper_than_any_event(inside: str, is_kept: bool) -> None:
    """64 levels are read, one more is not; brackets in a text are none."""
    line = f'{{"event":"note","inside":{inside}}}\n'.encode()
    event = parsed(line)
    assert (event is not None) is is_kept
    if event is not None:
        assert event["inside"] == json.loads(inside)


def test_a_later_format_is_refused(tmp_path: Path) -> None:
    """A journal of a format not known is refused, naming both formats."""
    path = tmp_path / "journal.jsonl"
    path.write_text('{"event":"run_started","format":2}\n')
    with pytest.raises(UsageError, match=r"format 2.*format 1"):
        next(read_events(path))


def test_no_file_no_journal(tmp_path: Path) -> None:
    """A missing file and a folder are each the caller's mistake."""
    for path in (tmp_path / "absent.jsonl", tmp_path):
        with pytest.raises(UsageError, match="cannot be read"):
            next(read_events(path))


def test_an_endless_line_is_not_taken_into_memory(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of a line longer than any of ours only the beginning is read."""
    monkeypatch.setattr("harness.results.journal.reader._LONGEST_LINE", 64)
    path = tmp_path / "journal.jsonl"
    path.write_bytes(
        b'{"event":"run_started","format":1}\n' + b"x" * 1000 + b'\n{"event":"note"}\n'
    )
    events = list(read_events(path))
    assert events[1:] == [
        {"event": "line_lost", "line": 2, "bytes": 64},
        {"event": "note"},
    ]


_WRITER = """
import sys
from pathlib import Path
from harness.clock import SystemClock
from harness.results.journal.writer import Journal
with Journal.create(Path(sys.argv[1]), SystemClock()) as journal:
    journal.record("run_started", format=1, run_id="r", steps=[])
    print("ready", flush=True)
    count = 0
    while True:
        journal.record("note", count=count, text="x" * (count % 997))
        count += 1
        print(count, flush=True)
"""


@pytest.mark.slow
@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="needs kill -9")
@pytest.mark.parametrize("seed", range(10))
def test_kill_9_loses_nothing_that_was_recorded(tmp_path: Path, seed: int) -> None:
    """Every event whose ``record`` came back is in the file after ``kill -9``."""
    after = random.Random(seed).randrange(1, 400)
    with subprocess.Popen(
        [sys.executable, "-c", _WRITER, str(tmp_path)], stdout=subprocess.PIPE
    ) as writer:
        assert writer.stdout is not None
        assert writer.stdout.readline() == b"ready\n"
        for _ in range(after):
            writer.stdout.readline()
        writer.kill()
        rest = writer.stdout.read().split(b"\n")
    acknowledged = max([after, *(int(n) for n in rest[:-1] if n)])
    events = list(read_events(tmp_path / "journal.jsonl"))
    counts = [event["count"] for event in events[1:] if event["event"] == "note"]
    assert counts == list(range(len(counts)))
    assert len(counts) >= acknowledged
    assert sum(event["event"] == "line_lost" for event in events) <= 1
