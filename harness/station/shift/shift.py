"""A shift: the positions side by side, from the first unit to the summary.

The shift's folder holds one folder a test with its journal. A file ``shift`` in it is
locked while a station uses the folder, so a later station can tell a shift that goes
on from one that was cut, and books what the cut one left.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from pathlib import Path
from threading import Event, Thread

from harness import ending
from harness.errors import SlotproofError, UsageError
from harness.lazy import fcntl
from harness.results.reports.page import write_page
from harness.station.display_states import DisplayState, View
from harness.station.ledger_sync import LedgerSync, unbooked_journals
from harness.station.shift.board import Board
from harness.station.shift.page import FILE_NAME as PAGE_FILE
from harness.station.shift.page import write_shift_page
from harness.station.shift.position import Position
from harness.station.shift.record import read_shift
from harness.station.shift.tally import Counts, ShiftTally, summary_lines
from harness.station.shift.unit_reports import complete_unit_reports

LOCK_FILE = "shift"
SUMMARY_FILE = "summary.txt"

PATIENCE_S = 20.0
"""A test in hand ends, and journals are booked, within this real time."""

_LOOK_S = 0.1


@contextmanager
def held(folder: Path) -> Iterator[None]:
    """Hold a shift's folder; it is made if need be.

    Raises:
        UsageError: another station works in it, or it cannot be used.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        handle = os.open(folder / LOCK_FILE, os.O_RDWR | os.O_CREAT, 0o644)
    except OSError as cause:
        raise UsageError(
            f"the shift's folder cannot be used: {cause.strerror}", where=str(folder)
        ) from cause
    try:
        if not _lock(handle):
            raise UsageError(
                "another station works in this folder",
                where=str(folder),
                hint="give each station a folder of its own",
            )
        yield
    finally:
        os.close(handle)


def _lock(handle: int) -> bool:
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except ImportError:  # pragma: no cover - no such locks on this system
        return True
    except OSError:
        return False
    return True


def left_behind(beside: Path) -> list[Path]:
    """Journals that no station booked, of this shift and of cut ones beside it."""
    found = []
    for lock in sorted(beside.parent.glob(f"*/{LOCK_FILE}")):
        if lock.parent.resolve() == beside.resolve():
            found += unbooked_journals(lock.parent)
            continue
        with suppress(UsageError), held(lock.parent):
            found += unbooked_journals(lock.parent)
    return found


@dataclass(frozen=True, slots=True, kw_only=True)
class ShiftEnd:
    """How a shift ended.

    Attributes:
        counts: the whole shift's.
        unbooked: journals that are not yet in the ledger.
        interrupted: True if Ctrl-C ended it.
        stuck: positions that did not stop.
        broken: positions that ended by themselves, with the reason.
        ended_by: name of the signal that ended it.
        lost: tests that left no whole journal: serial number, position and reason.
        unwritten: why summary and page are not written; empty if they are.
        left_on: instruments that may still be on, a sentence each.
    """

    counts: Counts
    unbooked: int
    interrupted: bool
    stuck: tuple[str, ...]
    broken: tuple[tuple[str, str], ...]
    ended_by: str = ""
    lost: tuple[tuple[str, str, str], ...] = ()
    unwritten: str = ""
    left_on: tuple[str, ...] = ()

    @property
    def is_whole(self) -> bool:
        """True if every test has its journal, and every position ended as it should."""
        wrong = (self.stuck, self.broken, self.lost, self.unwritten, self.left_on)
        return not any(wrong)


class Shift:
    """Runs the positions until nobody has more units, or somebody ends it.

    Args:
        folder: the shift's folder, held by the caller.
        positions: the positions.
        ledger_sync: the ledger.
        tally: the shift's counts.
        board: the screen.
        patience_s: how long the end may wait for positions, and then for the ledger.
        lost: where positions put the tests that left no whole journal.
        left_on: where they say which instruments may still be on.
    """

    def __init__(
        self,
        *,
        folder: Path,
        positions: Sequence[Position],
        ledger_sync: LedgerSync,
        tally: ShiftTally,
        board: Board,
        patience_s: float = PATIENCE_S,
        lost: Sequence[tuple[str, str, str]] = (),
        left_on: Sequence[str] = (),
    ) -> None:
        self._lost = lost
        self._left_on = left_on
        self._folder = folder
        self._positions = positions
        self._ledger_sync = ledger_sync
        self._tally = tally
        self._board = board
        self._patience_s = patience_s
        self._broken: list[tuple[str, str]] = []

    def stop(self) -> None:
        """End the shift as soon as the tests in hand let it."""
        for position in self._positions:
            position.stop()

    def run(self) -> ShiftEnd:
        """The whole shift; goes on with what the folder holds already."""
        for test in read_shift(self._folder).tests:
            self._tally.add(test)
            self._ledger_sync.remember(test)
        for journal in left_behind(self._folder):
            self._ledger_sync.hand_over(journal)
        self._ledger_sync.start()
        ended = {position.name: Event() for position in self._positions}
        for position in self._positions:
            args = (position, ended[position.name])
            Thread(target=self._run, args=args, name=position.name, daemon=True).start()
        ended_by = self._wait(ended)
        with ending.held():  # a second Ctrl-C does not lose the summary
            ending.acknowledge()
            end = ShiftEnd(
                unbooked=self._ledger_sync.finish(patience_s=self._patience_s),
                counts=self._tally.counts(),
                interrupted=bool(ended_by),
                stuck=tuple(
                    name for name, event in ended.items() if not event.is_set()
                ),
                broken=tuple(self._broken),
                ended_by=ended_by,
                lost=tuple(self._lost),
                left_on=tuple(self._left_on),
            )
            end = self._write_summary(end)
            ending.acknowledge()
        return end

    def _wait(self, ended: dict[str, Event]) -> str:
        """Until all positions have ended; the signal that ended them, or empty.

        One that brings instruments to rest has all the time that takes: a chamber warms.
        Events are waited for, since a join that Ctrl-C breaks off takes its thread for
        ended before Python 3.13.
        """
        try:
            for event in ended.values():
                while not event.wait(_LOOK_S):
                    pass
        except KeyboardInterrupt as request:
            with ending.held():
                self.stop()
                for position in self._positions:
                    ended[position.name].wait(self._patience_s / len(ended))
                    while position.is_resting and not ended[position.name].wait(
                        _LOOK_S
                    ):
                        pass
                ending.acknowledge()
            return ending.name_of(request)
        return ""

    def _run(self, position: Position, ended: Event) -> None:
        """One position in its thread: whatever ends it is reported and stays its own."""
        try:
            position.run()
        except SlotproofError as fault:
            self._break(position, str(fault))
        except Exception as fault:  # noqa: BLE001 - the other positions go on
            self._break(position, f"{type(fault).__name__}: {fault}")
        finally:
            ended.set()

    def _break(self, position: Position, reason: str) -> None:
        self._broken.append((position.name, reason))
        self._board.show(
            View(
                position=position.name,
                sign=DisplayState.ERROR,
                headline="this position has stopped",
                words=(reason,),
            )
        )

    def _write_summary(self, end: ShiftEnd) -> ShiftEnd:
        """Summary and page; both can be had again, so what is missing is only said."""
        text = "".join(f"{line}\n" for line in end_lines(end))
        try:
            write_page(text, self._folder / SUMMARY_FILE)
            complete_unit_reports(self._folder)
            write_shift_page(read_shift(self._folder), self._folder)
        except OSError as fault:
            return replace(end, unwritten=fault.strerror or str(fault))
        return end


def end_lines(end: ShiftEnd) -> Iterator[str]:
    """The shift's summary in words."""
    yield from summary_lines(end.counts)
    yield from remark_lines(end)


def _lost_lines(lost: Iterable[tuple[str, str, str]]) -> Iterator[str]:
    """Tests without a whole journal: each reason once, with all its units."""
    units: dict[str, dict[str, None]] = {}
    for serial, position, reason in lost:
        named = f"{serial or 'a unit'} in {position}"
        units.setdefault(reason, {})[named] = None
    for reason, named_units in units.items():
        many = len(named_units) > 1
        yield (
            f"invalid          {', '.join(named_units)}: {reason}; "
            f"{'their tests have' if many else 'its test has'} no whole journal: "
            f"test {'them' if many else 'it'} again"
        )


def remark_lines(end: ShiftEnd) -> Iterator[str]:
    """What did not end as it should; nothing where all is well."""
    if end.unbooked:
        yield (
            f"not booked yet   {end.unbooked}: they follow when a station is started "
            "beside this shift, or by `slotproof units book`"
        )
    yield from _lost_lines(end.lost)
    if end.unwritten:
        yield (
            f"not written      {SUMMARY_FILE} and {PAGE_FILE}: {end.unwritten}; make room, "
            "then `slotproof report` with the shift's folder"
        )
    for name in end.stuck:
        yield f"did not stop     {name}: pull its adapter, its last test is invalid"
    for name, reason in end.broken:
        yield f"stopped          {name}: {reason}"
    for sentence in end.left_on:
        yield f"may be on        {sentence}"
