"""Numbers for units, each given out once: a block of the ledger, noted line by line.

``numbers.jsonl`` in the shift's folder says what became of each number, and a line is on
disk before what it says is done: given to a unit, sent (its first bit), handed back. After
``kill -9`` the shift is taken up with the same lines. A number of which one bit was sent
is never given to another unit; one that was given to a unit stays with it in this shift.

    {"block": [1000, ...]}   taken from the ledger
    {"given": 1000, "to": "CS-000101"}
    {"kept": 812, "to": "CS-000099"}   the unit has it from an earlier shift
    {"noted": 1000}          the ledger knows whose it is
    {"noted": 1000, "instead_of": 812}   and had another for the unit, which is on no device
    {"sent": 1000}
    {"back": 1000}           by the rule of the plan, for a unit that failed or was refused
    {"returned": [1001, ...]}  to the ledger, at the end of the shift
"""

from __future__ import annotations

import json
import os
from collections import deque
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from threading import Lock
from typing import Any

from harness.clock import SystemClock
from harness.errors import HostError, UsageError
from harness.plans.schema.unit import NumberRange
from harness.results.ledger.engine import LedgerAway
from harness.results.ledger.ledger import Ledger
from harness.results.ledger.numbers import (
    BlockWanted,
    NumberHolder,
    forget_holder,
    hand_back,
    move_holder,
    note_holder,
    number_held,
    take_block,
)

FILE_NAME = "numbers.jsonl"
REHEARSAL = "rehearsal:"
"""Begins the name of the range that a rehearsal draws from: never a real one."""


class UnitNumbers:
    """The numbers of one shift; safe to use from several positions.

    Args:
        rules: the range of the plan.
        folder: the shift's folder, which this program holds.
        ledger: where blocks come from.
        station: name of the station.
        rehearsal: True to draw from a range of rehearsals.
        is_away: True while the ledger is known not to answer; then it is not waited for.
        say: tells the operator one sentence.

    Raises:
        HostError: the file cannot be read.
    """

    def __init__(
        self,
        rules: NumberRange,
        folder: Path,
        ledger: Ledger,
        *,
        station: str,
        rehearsal: bool,
        is_away: Callable[[], bool] = lambda: False,
        say: Callable[[str], None] = lambda _text: None,
    ) -> None:
        self._say = say
        self._rules = rules
        self._is_away = is_away
        self._name = f"{REHEARSAL}{rules.name}" if rehearsal else rules.name
        self._path = folder / FILE_NAME
        self._ledger = ledger
        self._station = station
        self._lock = Lock()
        self._pool: deque[int] = deque()
        self._of_unit: dict[str, int] = {}
        self._sent: set[int] = set()
        self._kept: set[int] = set()
        self._unnoted: dict[int, str] = {}
        self._take_up()

    def _take_up(self) -> None:
        """What earlier lines say; a line that was cut by a kill says nothing yet."""
        try:
            lines = self._path.read_bytes().splitlines() if self._path.exists() else []
        except OSError as cause:
            raise self._cannot("read", cause) from cause
        for line in lines:
            with suppress(ValueError):
                self._apply(json.loads(line))
        if lines:
            self._end_cut_line()

    def _end_cut_line(self) -> None:
        """The next line begins on a line of its own."""
        if not self._path.read_bytes().endswith(b"\n"):
            self._append(b"\n")

    def _apply(self, said: dict[str, Any]) -> None:
        self._pool.extend(said.get("block", ()))
        for number in said.get("returned", ()):
            self._pool.remove(number)
        if "given" in said:
            self._pool.remove(said["given"])
            self._of_unit[str(said["to"])] = said["given"]
            self._unnoted[said["given"]] = str(said["to"])
        if "kept" in said:  # whether a bit of it was sent is not known here
            self._of_unit[str(said["to"])] = said["kept"]
            self._sent.add(said["kept"])
            self._kept.add(said["kept"])
        self._unnoted.pop(said.get("noted", -1), None)
        if "sent" in said:
            self._sent.add(said["sent"])
        if "back" in said:
            self._of_unit = {
                u: n for u, n in self._of_unit.items() if n != said["back"]
            }
            self._unnoted.pop(said["back"], None)
            self._pool.appendleft(said["back"])

    def _write(self, said: dict[str, Any]) -> None:
        """A line, on disk before this returns, and only then true here too."""
        self._append(json.dumps(said).encode() + b"\n")
        self._apply(said)

    def _append(self, data: bytes) -> None:
        try:
            with self._path.open("ab", buffering=0) as file:
                before = file.tell()
                if file.write(data) != len(data):
                    file.truncate(before)
                    raise OSError("the disk is full")
                os.fsync(file.fileno())
        except OSError as cause:
            raise self._cannot("write", cause) from cause

    def _cannot(self, what: str, cause: OSError) -> HostError:
        return HostError(
            f"cannot {what} the numbers of this shift: {cause.strerror or cause}; no "
            "number was given out",
            where=str(self._path),
            hint="make room on this disk, then put the unit in again",
        )

    # -- one unit --------------------------------------------------------------------

    def draw(self, unit: str) -> int:
        """The number of a unit: its own if it has one, else one that nobody had.

        A unit that was given one in another shift keeps it. While the ledger is away
        that cannot be known; ``sent`` settles it before the first bit.

        Raises:
            UsageError: the range is used up, or the unit has no serial number.
            LedgerAway: this station holds no number more, and the ledger is away.
            HostError: nothing can be noted.
        """
        with self._lock:
            if not unit:
                raise UsageError(
                    "a unit without a serial number is given no number",
                    hint="scan serial numbers, or take $unit.count out of the plan",
                )
            if unit not in self._of_unit:
                self._give(unit)
            self._note_holders(unit)
            return self._of_unit[unit]

    def _give(self, unit: str) -> None:
        held = None
        with suppress(LedgerAway):
            if not self._is_away():
                held = number_held(self._ledger, self._name, unit)
        if held is not None:
            self._write({"kept": held, "to": unit})
            return
        self._stock_up()
        self._write({"given": self._pool[0], "to": unit})

    def _note_holders(self, drawing: str | None = None) -> None:
        """Let the ledger know whose the numbers are; what it does not take waits.

        Args:
            drawing: the unit whose number nobody has taken into a plan yet; None where
                no unit is in anybody's hands.
        """
        for number, unit in list(self._unnoted.items()):
            held = self._ask(unit, number)
            if held is None:
                return
            if held == number:
                continue
            if number in self._sent:
                self._carries(unit, number, held)
            elif drawing in {None, unit}:
                self._give_up(unit, number, held)
            # else its plan is made: ``sent`` asks again before its first bit

    def _holder(self, unit: str, number: int) -> NumberHolder:
        return NumberHolder(
            name=self._name,
            unit=unit,
            number=number,
            station=self._station,
            at=_now(),
        )

    def _ask(self, unit: str, number: int) -> int | None:
        """The number that the unit has by the ledger, this one if it had none; None if away."""
        if self._is_away():
            return None
        try:
            held = note_holder(self._ledger, self._holder(unit, number))
        except LedgerAway:
            return None
        if held == number and number in self._unnoted:
            self._write({"noted": number})
        return held

    def _give_up(self, unit: str, number: int, held: int) -> None:
        """The unit has another number by the ledger, and no bit of this one was sent here."""
        if number not in self._sent:
            self._write({"back": number})
        self._write({"kept": held, "to": unit})

    def _carries(self, unit: str, number: int, held: int) -> None:
        """This number went out while the ledger was away, to a device that held no record.

        So none of the other one was on it: the unit has what its device carries.
        """
        with suppress(LedgerAway):
            move_holder(self._ledger, self._holder(unit, number))
            self._write({"noted": number, "instead_of": held})
            self._say(
                f"unit {unit} carries number {number}, given while the ledger was away; "
                f"{held}, which the ledger had for it, is on no device and is not given "
                "out again"
            )

    def _stock_up(self) -> None:
        """Take a block ahead of need, so that a ledger that is away stops nobody."""
        if len(self._pool) > self._rules.block // 4:
            return
        wanted = BlockWanted(
            name=self._name,
            first=self._rules.first,
            last=self._rules.last,
            size=self._rules.block,
            station=self._station,
            folder=str(self._path.parent),
            at=_now(),
        )
        try:
            block = take_block(self._ledger, wanted)
        except LedgerAway:
            if self._pool:
                return
            raise
        if block:
            self._write({"block": block})
        if not self._pool:
            raise UsageError(
                f"the range {self._name} from {self._rules.first} to {self._rules.last} "
                "is used up",
                hint="write a new range under unit.numbers in the plan",
            )

    def sent(self, unit: str, *, over: bool = False) -> None:
        """The first bit of the unit's number is about to go out.

        The ledger is asked once more whose it is, for the unit may have been on another
        station that could not ask. While it is away, a device that holds no record has
        no number on it, and one that holds another record is left as it is.

        Args:
            unit: serial number of the unit.
            over: True if the device holds another record, which would be lost.

        Raises:
            HostError: that cannot be noted; then it must not.
            UsageError: the unit has another number by now; it has that one next time.
            LedgerAway: the device holds another record, and nobody can say whose it is.
        """
        with self._lock:
            number = self._of_unit[unit]
            if number in self._sent and not (over and number in self._kept):
                return
            held = self._ask(unit, number)
            if held is None and over:
                raise LedgerAway(
                    f"the device holds another record, and the ledger, which knows whether "
                    f"unit {unit} has a number already, is away: nothing was written",
                    hint="put the unit in again when the ledger answers",
                )
            if held is not None and held != number:
                self._give_up(unit, number, held)
                raise UsageError(
                    f"another station gave unit {unit} the number {held} while this one "
                    f"had {number} for it: nothing was written",
                    hint=f"put the unit in again: it keeps {held}",
                    cause="configuration",
                )
            if number not in self._sent:
                self._write({"sent": number})

    def failed(self, unit: str) -> None:
        """The unit failed or was refused: by the plan's rule it gives its number back.

        Not while the ledger may go on saying that the number is the unit's: then it stays.
        """
        with self._lock:
            number = self._of_unit.get(unit)
            if number is None or number in self._sent:
                return
            if self._rules.failed == "give-back":
                with suppress(LedgerAway):
                    forget_holder(self._ledger, self._name, unit, number)
                    self._write({"back": number})

    # -- the end of the shift ----------------------------------------------------------

    def close(self) -> None:
        """Hand back what nobody used; what the ledger does not take stays noted here."""
        with self._lock, suppress(HostError):
            self._note_holders()
        with self._lock:
            left = list(self._pool)
            if not left:
                return
            # noted first: a kill in between loses numbers, and this line says which
            with suppress(HostError, LedgerAway):
                self._write({"returned": left})
                hand_back(self._ledger, self._name, left)


def _now() -> str:
    return SystemClock().calendar().isoformat(timespec="milliseconds")
