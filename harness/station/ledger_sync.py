"""The station's way to the ledger: asked at once, booked in the background.

Asking (whose is this ROM code, what did this unit go through) happens while a unit
sits in its position, so it must not wait for a database that is away: after one failure
nobody but the bookkeeper asks it until it answers again. Meanwhile what this station
itself has seen must do. Journals that could not be booked wait and are booked when
the ledger is back, or when a station is started the next time; a file ``booked``
beside a journal says that it stands in the ledger.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable
from itertools import islice
from pathlib import Path
from threading import Event, Lock, Thread

from harness.clock import SystemClock
from harness.errors import UsageError
from harness.plans.records.guesses import MOST_CODES, Guesses, made_of, possible
from harness.results.journal.writer import FILE_NAME
from harness.results.ledger.entry import UnitFacts, UnitTest
from harness.results.ledger.ledger import Booked, Conflict, Ledger, LedgerAway

RETRY_S = 2.0
"""Between two tries to reach a ledger that is away."""

_LOOK_S = 0.05

MARK = "booked"

Say = Callable[[str], None]
"""Tells the operator one sentence."""


class LedgerSync:
    """The ledger as the positions of one station use it; safe to call from all of them.

    Args:
        ledger: the ledger; closed by whoever opened it.
        say: tells the operator what happens to the ledger.
    """

    def __init__(self, ledger: Ledger, say: Say) -> None:
        self._ledger = ledger
        self.say = say
        self._lock = Lock()
        self._own: dict[str, UnitTest] = {}
        self._owners: dict[str, tuple[UnitFacts, str]] = {}
        self._booked: tuple[str, ...] | None = None
        self._waiting: deque[Path] = deque()
        self._woken, self._idle, self._stop = Event(), Event(), Event()
        self._is_away = False
        self._thread = Thread(target=self._work, name="bookkeeper", daemon=True)
        self._idle.set()

    # -- asking --------------------------------------------------------------------

    @property
    def is_away(self) -> bool:
        """True while the ledger does not answer."""
        return self._is_away

    @property
    def unbooked(self) -> int:
        """Journals that are not yet in the ledger."""
        with self._lock:
            return len(self._waiting)

    def tests_of(self, *, serial: str = "", rom_code: str = "") -> list[UnitTest]:
        """What is known of a unit: by the ledger, and by this station itself."""
        known: dict[str, UnitTest] = {}
        if not self._is_away:
            try:
                found = self._ledger.tests_of(serial=serial, rom_code=rom_code)
                known = {t.run_id: t for t in found}
            except LedgerAway as fault:
                self._take_away(fault)
        with self._lock:
            for test in self._own.values():
                codes = {code for code, _ in test.rom_codes}
                if serial == test.unit.serial and (not rom_code or rom_code in codes):
                    known[test.run_id] = test
        return list(known.values())

    def guesses(self, *, serial: str, position: str) -> Guesses:
        """What a search of a unit may try first: the unit's own devices, then its lot's.

        Args:
            serial: the unit's number; empty if it has none.
            position: the position that it sits in: of this shift only units that sat there
                count, so that a rehearsed position does not depend on the others.
        """
        tests = self.tests_of(serial=serial) if serial else []
        with self._lock:
            here = [t for t in self._own.values() if t.unit.place == position]
        seen = (code for t in reversed(here) for code, _ in t.rom_codes)
        before = max(tests, key=lambda test: test.started_at, default=None)
        own = before.rom_codes if before is not None else ()
        likely = [*islice(seen, MOST_CODES), *self._booked_before()]
        mine = [code for code, _ in own]
        return made_of(
            possible(mine),
            possible(likely),
            constants=self._constants_of([*mine, *likely]),
        )

    def _constants_of(self, rom_codes: list[str]) -> dict[str, str]:
        """Own constants of devices: what this station read, then what the ledger keeps."""
        kept: dict[str, str] = {}
        if rom_codes and not self._is_away:
            try:
                kept = self._ledger.constants_of(rom_codes)
            except LedgerAway as fault:
                self._take_away(fault)
        with self._lock:
            own = {code: hex_ for t in self._own.values() for code, hex_ in t.constants}
        return {code: own[code] for code in rom_codes if code in own} | kept

    def _booked_before(self) -> tuple[str, ...]:
        """ROM codes that were in the ledger when it was first asked, the latest first."""
        if self._booked is None and not self._is_away:
            try:
                self._booked = tuple(self._ledger.latest_codes(most=MOST_CODES))
            except LedgerAway as fault:
                self._take_away(fault)
        return self._booked or ()

    def claim(
        self, rom_codes: list[str], unit: UnitFacts, run_id: str
    ) -> tuple[Conflict, ...] | None:
        """Make ROM codes a unit's; None if only this station could be asked and knew of none."""
        at = SystemClock().calendar().isoformat(timespec="seconds")
        own = self._claim_here(rom_codes, unit, at)
        if not self._is_away:
            try:
                return self._ledger.claim(rom_codes, unit, run_id=run_id, at=at) or own
            except LedgerAway as fault:
                self._take_away(fault)
        return own or None

    def _claim_here(
        self, rom_codes: Iterable[str], unit: UnitFacts, at: str
    ) -> tuple[Conflict, ...]:
        with self._lock:
            owners = {
                code: self._owners.setdefault(code, (unit, at)) for code in rom_codes
            }
        return tuple(
            Conflict(
                rom_code=code,
                serial=unit.serial,
                owner=owner.serial,
                owner_lot=owner.lot,
                owner_station=owner.station,
                since=since,
            )
            for code, (owner, since) in sorted(owners.items())
            if owner.serial != unit.serial
        )

    def _take_away(self, fault: LedgerAway) -> None:
        if not self._is_away:
            self._is_away = True
            self.say(f"the ledger is away, the station goes on: {fault.what}")
        self._woken.set()

    # -- booking -------------------------------------------------------------------

    def start(self) -> None:
        """Begin to book in the background."""
        self._thread.start()

    def remember(self, test: UnitTest) -> None:
        """Take in a test of this shift, so that it counts before it is booked."""
        with self._lock:
            self._own[test.run_id] = test
            for code, _ in test.rom_codes:
                if test.unit.serial:
                    owner = (test.unit, test.started_at)
                    self._owners.setdefault(code, owner)

    def hand_over(self, journal: Path) -> None:
        """Have a finished journal booked soon."""
        with self._lock:
            self._waiting.append(journal)
            self._idle.clear()
        self._woken.set()

    def finish(self, *, patience_s: float) -> int:
        """Book what waits, no longer than ``patience_s``; how many are left.

        A ledger that is away is not waited for.
        """
        until_s = SystemClock().now_s() + patience_s
        while not self._is_away and SystemClock().now_s() < until_s:
            if self._idle.wait(_LOOK_S):
                break
        self._stop.set()
        self._woken.set()
        self._thread.join(patience_s)
        return self.unbooked

    def wait_until_idle(self, timeout_s: float) -> bool:
        """True once nothing waits to be booked."""
        return self._idle.wait(timeout_s)

    def _work(self) -> None:
        while not self._stop.is_set():
            self._woken.wait(RETRY_S if self.unbooked or self._is_away else None)
            self._woken.clear()
            while not self._stop.is_set() and self._book_first():
                pass

    def _book_first(self) -> bool:
        """Book the oldest that waits; False if none is left or the ledger is away."""
        with self._lock:
            journal = self._waiting[0] if self._waiting else None
        try:
            if journal is None:
                if self._is_away:
                    self._ledger.count()
                    self._come_back()
                self._idle.set()
                return False
            self._tell(self._ledger.book(journal))
        except LedgerAway as fault:
            self._take_away(fault)
            self._woken.clear()
            return False
        except UsageError as fault:
            self.say(f"not booked: {fault}")
        else:
            mark_booked(journal)
        self._come_back()
        with self._lock:
            self._waiting.popleft()
        return True

    def _come_back(self) -> None:
        if self._is_away:
            self._is_away = False
            self.say("the ledger is back")

    def _tell(self, booked: Booked) -> None:
        """What was found only now, since the ledger was away during the test."""
        if not booked.is_new or booked.test.reason.kind == "rom-code-known":
            return
        for found in booked.conflicts:
            self.say(
                f"LATE FINDING: units {found.serial} and {found.owner} both have ROM "
                f"code {found.rom_code}: put both aside"
            )


def mark_booked(journal: Path) -> None:
    """Note beside a journal that it stands in the ledger.

    Losing the mark costs a second booking, which changes nothing.
    """
    try:
        journal.with_name(MARK).touch()
    except OSError:
        return


def unbooked_journals(folder: Path) -> list[Path]:
    """Journals of units below a shift's folder without the mark, oldest first."""
    found = [
        path
        for path in folder.glob(f"*/{FILE_NAME}")
        if not path.with_name(MARK).exists()
    ]
    return sorted(found, key=lambda path: (path.stat().st_mtime_ns, str(path)))
