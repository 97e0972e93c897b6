"""A shift as its folder records it: the journals of its tests, and what was refused."""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from harness.errors import UsageError
from harness.records import Outcome
from harness.results.journal.writer import FILE_NAME
from harness.results.ledger.entry import UnitTest, test_of
from harness.results.record.facts import run_facts
from harness.results.record.run import RunRecord
from harness.results.reports.rebuild import read_record
from harness.station.refusals import Refusal, read_refusals
from harness.station.shift.tally import Counts, ShiftTally

_FACTS = ("plan.", "fixture.", "version.", "adapter.kind")


@dataclass(frozen=True, slots=True, kw_only=True)
class TestedUnit:
    """One unit with its tests, in order of time.

    Attributes:
        key: its serial number, or without one its ROM codes.
        tests: at least one.
        outcome: of the last test that came to a verdict; error if none did.
    """

    key: str
    tests: tuple[UnitTest, ...]

    @property
    def outcome(self) -> Outcome:
        """Of the last judged test; error if there is none."""
        judged = [t.outcome for t in self.tests if t.outcome is not Outcome.ERROR]
        return judged[-1] if judged else Outcome.ERROR

    @property
    def last(self) -> UnitTest:
        """The test that the verdict rests on."""
        judged = [t for t in self.tests if t.outcome is self.outcome]
        return judged[-1]


@dataclass(frozen=True, slots=True, kw_only=True)
class ShiftRecord:
    """A shift so far.

    Attributes:
        folder: name of its folder.
        tests: every test, in order of time.
        refusals: units that were not tested, in order of time.
        facts: what was used: name and each different value, in order of first use.
        unreadable: journals that could not be read, with the reason.
        utc_offset_s: zone of the host at its first test, or None if no journal has it.
        scripted: simulated devices that followed a script, by fixture and socket.
    """

    folder: str
    tests: tuple[UnitTest, ...]
    refusals: tuple[Refusal, ...]
    facts: tuple[tuple[str, tuple[str, ...]], ...]
    unreadable: tuple[tuple[str, str], ...]
    utc_offset_s: int | None = None
    scripted: tuple[str, ...] = ()

    @property
    def units(self) -> tuple[TestedUnit, ...]:
        """Every unit that was tested, in the order of its first test."""
        found: dict[str, list[UnitTest]] = {}
        for test in self.tests:
            found.setdefault(test.key, []).append(test)
        return tuple(
            TestedUnit(key=key, tests=tuple(tests)) for key, tests in found.items()
        )

    @property
    def counts(self) -> Counts:
        """As the screen and the summary have them."""
        tally = ShiftTally()
        for test in self.tests:
            tally.add(test)
        return tally.counts()


def is_shift(folder: Path) -> bool:
    """True if a folder holds the journals of a shift."""
    return any(folder.glob(f"*/{FILE_NAME}"))


def read_shift(folder: Path) -> ShiftRecord:
    """Read a shift's folder; the same journals give the same record.

    A journal that cannot be read, such as one that was cut before its run began, tells
    of no unit: it is named and passed over.
    """
    tests, unreadable = [], []
    zones: list[int] = []
    facts: dict[str, dict[str, None]] = {}
    scripted: dict[str, None] = {}
    for path in sorted(folder.glob(f"*/{FILE_NAME}")):
        try:
            record = read_record(path)
            tests.append(test_of(record, path))
        except UsageError as fault:
            where = fault.where.removeprefix(f"{path.parent}{os.sep}")
            unreadable.append((path.parent.name, f"{where}: {fault.what}"))
            continue
        if record.utc_offset_s is not None:
            zones.append(record.utc_offset_s)
        for device in record.fixture.details.get("scripted") or ():
            scripted[f"{record.fixture.title}: {device}"] = None
        for name, value in _facts(record):
            facts.setdefault(name, {})[value] = None
    return ShiftRecord(
        folder=folder.resolve().name,
        tests=tuple(sorted(tests, key=lambda t: (t.started_at, t.journal))),
        refusals=tuple(read_refusals(folder)),
        facts=tuple((name, tuple(values)) for name, values in facts.items()),
        unreadable=tuple(unreadable),
        utc_offset_s=zones[0] if zones else None,
        scripted=tuple(scripted),
    )


def _facts(record: RunRecord) -> Iterator[tuple[str, str]]:
    """What the tests of a shift have in common."""
    yield "host", record.host
    for name, value in run_facts(record):
        if name.startswith(_FACTS):
            yield name, value
