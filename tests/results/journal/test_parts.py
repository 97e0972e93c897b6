"""A journal in several files reads as one."""

from __future__ import annotations

from pathlib import Path

import pytest

from harness.clock import Clock
from harness.errors import UsageError
from harness.results.journal.writer import Journal, Tail, read_events


def written(folder: Path, clock: Clock, count: int = 100) -> Path:
    """A journal of so many notes, in parts of about 1 kB."""
    with Journal.create(folder, clock, part_bytes=1000) as journal:
        journal.record("run_started", format=1, run_id="r1")
        for number in range(count):
            journal.record("note", text=f"note {number}")
    return journal.path


def texts(events: list[dict[str, object]]) -> list[object]:
    return [event["text"] for event in events if event["event"] == "note"]


def test_parts_are_bounded_and_read_as_one(tmp_path: Path, clock: Clock) -> None:
    """No part is much larger than asked; the events are all there, in order."""
    path = written(tmp_path, clock)
    parts = sorted(tmp_path.glob("journal*.jsonl"))
    assert len(parts) > 5
    assert all(part.stat().st_size < 1200 for part in parts)
    events = list(read_events(path))
    assert texts(events) == [f"note {n}" for n in range(100)]
    assert [e["part"] for e in events if e["event"] == "part_started"] == list(
        range(2, len(parts) + 1)
    )


def test_tail_follows_from_part_to_part(tmp_path: Path, clock: Clock) -> None:
    """Following line by line gives the same events, each once."""
    with Journal.create(tmp_path, clock, part_bytes=500) as journal:
        journal.record("run_started", format=1, run_id="r1")
        tail, seen = Tail(journal.path), []
        for number in range(50):
            journal.record("note", text=f"note {number}")
            if number % 7 == 0:
                seen += tail.new_events()
        seen += tail.new_events()
    assert seen == list(read_events(journal.path))


def test_a_part_torn_at_its_first_line(tmp_path: Path, clock: Clock) -> None:
    """A cut just as a part began leaves a lost line and nothing worse."""
    path = written(tmp_path, clock, count=5)
    (tmp_path / "journal.2.jsonl").write_bytes(b'{"event":"part_st')
    events = list(read_events(path))
    assert events[-1]["event"] == "line_lost"
    with Journal.take_up(path, clock, after_s=5.0, run_id="r1") as journal:
        journal.record("note", text="after")
    assert (tmp_path / "journal.3.jsonl").exists()
    assert texts(list(read_events(path)))[-1] == "after"


def test_a_foreign_part_is_refused(tmp_path: Path, clock: Clock) -> None:
    """A part of another run in the same folder is no part of this journal."""
    path = written(tmp_path, clock, count=5)
    with Journal.take_up(path, clock, after_s=5.0, run_id="r2"):
        pass
    with pytest.raises(UsageError, match="no part of the journal"):
        list(read_events(path))


def test_two_cannot_take_up_the_same(tmp_path: Path, clock: Clock) -> None:
    """Each taking up begins a part of its own, so no line is ever written over."""
    path = written(tmp_path, clock, count=5)
    with (
        Journal.take_up(path, clock, after_s=5.0, run_id="r1") as one,
        Journal.take_up(path, clock, after_s=6.0, run_id="r1") as two,
    ):
        one.record("note", text="one")
        two.record("note", text="two")
    assert texts(list(read_events(path)))[-2:] == ["one", "two"]
