"""Damaged journals: reports that are valid, or file and line of what is wrong."""

from __future__ import annotations

import collections
import random
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import xmlschema

from harness.errors import UsageError
from harness.lots.readings import read_lot
from harness.results.ledger.entry import read_test
from harness.results.plots import run as plots
from harness.results.reports.rebuild import read_record, rebuild
from harness.results.reports.watch import LiveReport
from tests.results.journal_damage import damage

Make = Callable[..., Any]
SCHEMA = Path(__file__).parents[3].parent / "shared" / "data" / "junit-10.xsd"
STEPS = """
- reset: {times: 3}
- enumerate: {}
- convert: {}
- read: {quantity: temperature, low: -10, high: 60, unit: degC}
- soak: {cycles: 12, every_s: 30, margins_every_s: 120}
- diagnose: {}
"""


@pytest.fixture(scope="module")
def schema() -> xmlschema.XMLSchema | None:
    """The schema that stands beside the project, if it does."""
    return xmlschema.XMLSchema(str(SCHEMA)) if SCHEMA.exists() else None


def require_line(fault: UsageError, path: Path) -> None:
    """Insist that a message names the line of a file."""
    place, _, line = fault.where.rpartition(":")
    assert (place, line.isdigit()) == (str(path), True), str(fault)


def judge(path: Path, schema: xmlschema.XMLSchema | None) -> str:
    """What became of a damaged journal; anything unforeseen is raised."""
    into = path.parent
    (into / "junit.xml").unlink(missing_ok=True)
    try:
        record = rebuild(path, into)
    except UsageError as fault:
        outcome = "told"
        require_line(fault, path)
    else:
        outcome = "lines lost" if record.damage else "reported"
        if schema is not None:
            assert not [e.reason for e in schema.iter_errors(str(into / "junit.xml"))]
    for reader in (
        lambda: LiveReport(path).page(),
        lambda: read_test(path),
        lambda: read_lot([path], quantity="temperature", name="lot"),
    ):
        try:
            reader()
        except UsageError:
            continue
    return outcome


@pytest.fixture
def journal(run_plan: Make, bench_data: Make, new_device: Make) -> bytes:
    """A journal with most kinds of event in it."""
    data = bench_data([new_device(0x28, 5), new_device(0x28, 6)])
    ran = run_plan(STEPS, data)
    return Path(ran.folder / "journal.jsonl").read_bytes()


@pytest.fixture
def without_pictures(monkeypatch: pytest.MonkeyPatch) -> None:
    """Pictures take a second each; the benchmark draws them."""
    monkeypatch.setattr(plots, "figures", lambda _record: iter(()))


@pytest.mark.slow
@pytest.mark.usefixtures("without_pictures")
def test_damage_is_reported_or_named(
    journal: bytes, tmp_path: Path, schema: xmlschema.XMLSchema | None
) -> None:
    """Every seeded damage ends in a valid report or in a message with file and line."""
    path = tmp_path / "journal.jsonl"
    found: collections.Counter[str] = collections.Counter()
    for seed in range(120):
        path.write_bytes(damage(journal, random.Random(seed)))
        found[judge(path, schema)] += 1
    assert min(found[way] for way in ("told", "lines lost", "reported")) > 10


@pytest.mark.benchmark
def test_many_damages(
    journal: bytes, tmp_path: Path, schema: xmlschema.XMLSchema | None
) -> None:
    """The same with pictures, over many seeds; prints how they ended."""
    path = tmp_path / "journal.jsonl"
    found: collections.Counter[str] = collections.Counter()
    for seed in range(1_000, 1_300):
        path.write_bytes(damage(journal, random.Random(seed)))
        found[judge(path, schema)] += 1
    print(f"300 damaged journals: {dict(found)}, no traceback")  # noqa: T201


START = b'{"event":"run_started","at":"2026-01-01T00:00:00Z","t_s":0,"format":1,"run_id":"r","steps":[{"step":"1","kind":"reset","title":"reset"}]}\n'
BEGUN = b'{"event":"step_started","at":"2026-01-01T00:00:01Z","t_s":1,"step":"1","kind":"reset","title":"reset","expected_s":0}\n'
DONE = b'{"event":"step_done","at":"2026-01-01T00:00:02Z","t_s":2,"step":"1","outcome":"passed","duration_s":1}\n'


@pytest.mark.parametrize(
    ("lines", "line", "says"),
    [
        ([START, BEGUN, BEGUN], 3, "stands twice"),
        ([START, DONE, BEGUN], 3, "time runs backwards"),
        ([START, BEGUN.replace(b'"t_s":1', b'"t_s":"x"')], 2, "t_s is no number"),
        ([START, BEGUN.replace(b'"t_s":1', b'"t_s":1e20')], 2, "no time of a run"),
        ([START, BEGUN.replace(b"2026-01-01T", b"tomorrow")], 2, "no date and time"),
        ([START, BEGUN, DONE.replace(b"passed", b"perhaps")], 3, "perhaps"),
        ([START, BEGUN, DONE.replace(b'"duration_s":1', b'"duration_s":-1')], 3, "no duration"),
        ([START, BEGUN.replace(b'"step":"1",', b"")], 2, "step"),
    ],
)  # fmt: skip
def test_line_and_reason(
    tmp_path: Path, lines: list[bytes], line: int, says: str
) -> None:
    """What no run writes is named with its line."""
    path = tmp_path / "journal.jsonl"
    path.write_bytes(b"".join(lines))
    with pytest.raises(UsageError, match=says) as caught:
        read_record(path)
    assert caught.value.where == f"{path}:{line}"
    with pytest.raises(UsageError, match=says):
        LiveReport(path)


@pytest.mark.parametrize(
    ("bad", "damage"),
    [
        (b'{"event":"note","x":NaN}\n', [2]),
        (b'{"event":"note","x":1e999}\n', [2]),
        (b'{"event":"note","x":' + b"9" * 400 + b"}\n", [2]),
        (b'{"event":"note","x":' + b"[" * 100 + b"]" * 100 + b"}\n", [2]),
        (b"\x00" * 300 + b"\n", [2]),
        (b"\xff\xfe\n", [2]),
    ],
)
def test_a_line_that_cannot_be_read_is_damage(
    tmp_path: Path, bad: bytes, damage: list[int]
) -> None:
    """In the middle it is named; as a cut last line it is what a crash leaves."""
    path = tmp_path / "journal.jsonl"
    path.write_bytes(START + bad + BEGUN)
    record = read_record(path)
    assert record.damage == tuple(f"{path}:{line}" for line in damage)
    path.write_bytes(START + BEGUN + bad.rstrip(b"\n")[:-1])
    record = read_record(path)
    assert (record.lines_lost, record.damage) == (1, ())


def test_half_a_character_is_no_name_of_a_unit(tmp_path: Path) -> None:
    """No database takes a lone surrogate: such a test is not booked, and its file named."""
    path = tmp_path / "journal.jsonl"
    unit = START.replace(b'"run_id"', rb'"unit":{"serial":"a\ud800"},"run_id"')
    path.write_bytes(unit + BEGUN + DONE)
    with pytest.raises(UsageError, match="half a character") as caught:
        read_test(path)
    assert caught.value.where == str(path)
    assert rebuild(path, tmp_path).outcome
