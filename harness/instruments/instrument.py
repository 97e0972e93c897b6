"""One instrument: identified, set within its limits, read, and brought to rest."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from contextlib import suppress

from harness.clock import Clock
from harness.errors import InstrumentFault, SlotproofError, UsageError
from harness.instruments import marker
from harness.instruments.levels import Sent, as_sent
from harness.instruments.link import Connect, Link, LinkLost
from harness.instruments.row import InstrumentRow, Level
from harness.instruments.words import (
    EVENT_ERRORS,
    EVENT_STATUS,
    OUTPUT,
    InstrumentKind,
    SettingWords,
)

_MOST_ERRORS = 100
"""Entries of an error queue that are read; one that never empties is an error itself."""

_LOOK_EVERY_S = 0.2
"""Between two measurements of an output that has not settled."""

_SAME = 1e-6
"""Share by which a set-point that is read back may differ: digits that were cut."""

_TIMES = 2
"""A setting of the rest state that was lost on its way is sent once more."""

_ENTRY = re.compile(r"\s*([+-]?\d+)\s*,")
"""An entry of an error queue, such as ``-113,"Undefined header"`` (SCPI-99, volume 2,
SYSTem:ERRor, from memory). A number alone is none: it may be the late answer to another query."""


class Instrument:
    """An instrument of a fixture, opened when it is first needed.

    Attributes:
        row: what the fixture says of it.
        identity: its answer to ``*IDN?``; empty before.
        in_force: what it was set to, by setting.
        unproved: settings that were sent and of which not all was proved.
        may_be_on: it left its rest state.

    Args:
        row: what the fixture says of it.
        clock: the port's time, for settling.
        connect: opens its link.
        measured_by: measures a quantity at its output with another instrument, or None.
    """

    def __init__(
        self,
        row: InstrumentRow,
        clock: Clock,
        connect: Connect,
        measured_by: Callable[[str], float] | None = None,
    ) -> None:
        self.row = row
        self.identity = ""  # as it answered before, in this run or the one taken up
        self.in_force: dict[str, Level] = {}
        self.unproved: set[str] = set()
        self.may_be_on = False
        self._clock = clock
        self._connect = connect
        self._measured_by = measured_by
        self._link: Link | None = None
        self._broke = False

    # -- asking --------------------------------------------------------------------

    def identify(self) -> str:
        """Open the link if need be; who answers.

        Raises:
            InstrumentFault: nobody, or somebody else than the fixture expects or than
                answered before.
        """
        if self._link is None:
            self._link = self._connect(self.row)
            if self._broke:
                self._link.drain()
                self._broke = False
        answer = self._raw(self.row.words.identify)
        if self.row.identity not in answer:
            self.close()
            raise self._fault(
                f"another instrument answers: {answer!r}, expected {self.row.identity!r}",
                hint="correct resource or identity in the fixture, or plug the right one in",
            )
        if self.identity and answer != self.identity:
            self.close()
            raise self._fault(
                f"another instrument answers than before: {answer!r}, was "
                f"{self.identity!r}",
                hint="plug the one in that this run began with, or run anew",
            )
        self.identity = answer
        return answer

    def query(self, text: str) -> str:
        """The answer to a query.

        Raises:
            InstrumentFault: none in time; the next query opens the link anew.
        """
        if self._link is None:
            self.identify()
        return self._raw(text)

    def write(self, text: str) -> None:
        """Send a command.

        Raises:
            InstrumentFault: the connection is gone.
        """
        if self._link is None:
            self.identify()
        assert self._link is not None
        try:
            self._link.write(text)
        except LinkLost as fault:
            self._break()
            raise self._fault(f"{text!r} could not be sent: {fault}") from fault

    def _raw(self, text: str) -> str:
        assert self._link is not None
        try:
            return self._link.query(text)
        except LinkLost as fault:
            # what comes late must not answer the next question
            self._break()
            raise self._fault(f"no answer to {text!r}: {fault}") from fault

    def _break(self) -> None:
        """Close a link that no longer answers in step; what is still under way is lost."""
        self.close()
        self._broke = True

    def close(self) -> None:
        """Close the link; the next query opens it and identifies anew."""
        if self._link is not None:
            self._link.close()
            self._link = None

    def errors(self) -> list[str]:
        """Everything in its error queue, which is empty afterwards.

        Raises:
            InstrumentFault: no answer, or the queue never ends.
        """
        query = self.row.words.errors
        if query == EVENT_STATUS:
            bits = int(self.number(query)) & EVENT_ERRORS
            return [f"{query} {bits}"] if bits else []
        found: list[str] = []
        while len(found) < _MOST_ERRORS:
            answer = self.query(query)
            entry = _ENTRY.match(answer)
            if entry is None:
                raise self._out_of_step(query, answer, "no entry of an error queue")
            if int(entry[1]) == 0:
                return found
            found.append(answer)
        raise self._fault(
            f"its error queue does not end: {found[-1]!r} again and again"
        )

    def number(self, text: str) -> float:
        """The answer to a query as a number.

        Raises:
            InstrumentFault: it is none, or one that stands for overload.
        """
        answer = self.query(text)
        try:
            value = float(answer)
        except ValueError:
            raise self._out_of_step(text, answer, "no number") from None
        # SCPI-99, volume 1, 7.2.1.5 (from memory): 9.9E37 is infinity, 9.91E37 is not a number
        if not math.isfinite(value) or abs(value) >= 9.9e37:
            raise self._fault(f"{text!r} is answered by {answer!r}: overload")
        return value

    def read(self, quantity: str) -> float:
        """One reading.

        Raises:
            UsageError: it has no such quantity.
            InstrumentFault: no sound answer.
        """
        query = self.row.words.readings.get(quantity)
        if query is None:
            known = ", ".join(self.row.words.readings) or "nothing"
            raise UsageError(
                f"{self.row.name} cannot read {quantity!r}", hint=f"it reads {known}"
            )
        value = self.number(query)
        if refused := self.errors():
            raise self._fault(f"{query!r} is answered with {refused[0]}")
        return value

    # -- setting -------------------------------------------------------------------

    def require_allowed(self, name: str, value: Level) -> SettingWords:
        """The words of a setting that may be made.

        Raises:
            UsageError: unknown, or outside the fixture's limits.
        """
        words = self.row.words.settings.get(name)
        if words is None:
            known = ", ".join(self.row.words.settings) or "nothing"
            raise UsageError(
                f"{self.row.name} has no setting {name!r}", hint=f"it has {known}"
            )
        low, high = self.row.limits.get(name, (-math.inf, math.inf))
        if not low <= float(value) <= high:
            raise UsageError(
                f"{name} {float(value):g} of {self.row.name} lies outside its limits "
                f"{low:g} to {high:g}; nothing was sent",
                hint="the limits stand in the fixture, under instruments",
            )
        return words

    def set(self, name: str, value: Level) -> None:
        """Make a setting, and prove it: error queue, read back, measured.

        Raises:
            UsageError: unknown, or outside the fixture's limits; nothing was sent.
            InstrumentFault: refused, not read back, or never measured as set.
            HostError: the mark that it leaves rest cannot be written.
        """
        words = self.require_allowed(name, value)
        value = bool(value) if name == OUTPUT else value
        if self._link is None:
            self.identify()
        if name == OUTPUT and value:
            self._require_within_limits()
        if not self.may_be_on and not self._is_rest(name, value):
            marker.make(self.row, self.identity, self._clock.calendar().isoformat())
            self.may_be_on = True
        self.errors()  # whatever stands there is from before
        self._send(words, name, value)

    def _send(
        self, words: SettingWords, name: str, value: Level, *, ask_errors: bool = True
    ) -> None:
        text = words.set.format(value=Sent(value))
        self.unproved.add(name)
        self.write(text)
        if ask_errors and (refused := self.errors()):
            raise self._fault(f"{text!r} is refused: {'; '.join(refused)}")
        if words.ask:
            self._require_read_back(name, value, words.ask)
        for undone in words.undoes:
            self.in_force.pop(undone, None)
        self.in_force[name] = value
        self._require_measured()
        self.unproved.discard(name)

    def _require_within_limits(self) -> None:
        """Insist that what comes to the output was set in this run, or is within limits.

        Raises:
            InstrumentFault: it stands beyond one; the output was not switched on.
        """
        for name, (low, high) in self.row.limits.items():
            if name not in self.row.words.settings or name in self.in_force:
                continue
            value = self.stands_at(name)
            if value is not None and not low <= value <= high:
                raise self._fault(
                    f"{name} stands at {value:g}, outside its limits {low:g} to "
                    f"{high:g}; its output was not switched on",
                    hint=f"set {name} before the output, under start or in the plan",
                )

    def stands_at(self, name: str) -> float | None:
        """A set-point as the instrument has it; None if it cannot be asked for that.

        Raises:
            InstrumentFault: no sound answer.
        """
        query = self.row.words.settings[name].ask
        return self.number(query) if query else None

    def _is_rest(self, name: str, value: Level) -> bool:
        return self.row.rest.get(name) == value

    def _require_read_back(self, name: str, value: Level, query: str) -> None:
        if "{" in query:
            query = query.format(value=Sent(value))
            if self.number(query) != 1:
                raise self._fault(
                    f"{name} {as_sent(value)}: {query!r} says that it is not"
                )
            return
        got = self.number(query)
        if not math.isclose(got, float(value), rel_tol=_SAME, abs_tol=_SAME):
            raise self._fault(
                f"{name} was set to {as_sent(value)} and is read back as {got:g}"
            )

    def _require_measured(self) -> None:
        """Wait until each output measures as set; with the output off there is none."""
        if self.in_force.get(OUTPUT) is False:
            return
        if OUTPUT in self.row.words.settings and OUTPUT not in self.in_force:
            return
        for name, value in self.in_force.items():
            if name in self.row.tolerance:
                self._await_measured(name, float(value), self.row.tolerance[name])
        self._require_no_trip()

    def _await_measured(self, name: str, value: float, tolerance: float) -> None:
        until_s = self._clock.now_s() + self.row.settle_s
        while True:
            got = self.measured(name)
            if abs(got - value) <= tolerance:
                return
            self._require_no_trip()
            if self._clock.now_s() >= until_s:
                raise self._fault(
                    f"{name} is set to {value:g} and measures {got:.5g} after "
                    f"{self.row.settle_s:g} s; within {tolerance:g} is asked for",
                    hint="look for a current limit, a load or a lead; or give it longer "
                    "(settle_s)",
                )
            self._clock.sleep(max(_LOOK_EVERY_S, self.row.settle_s / 200))

    def measured(self, name: str) -> float:
        """What is really there of a setting, by its own measurement or a named meter."""
        if self._measured_by is not None:
            return self._measured_by(name)
        return self.number(self.row.words.settings[name].measure)

    def _require_no_trip(self) -> None:
        for query in self.row.words.tripped:
            answer = self.number(query)
            if answer not in (0, 1):
                raise self._out_of_step(query, f"{answer:g}", "neither 0 nor 1")
            if answer:
                raise self._fault(
                    f"a protection has tripped ({query})",
                    hint="take the load off, find what draws the current, then reset it",
                )

    def require_as_set(self) -> None:
        """Insist that it still is as it was set: set-points, and a supply's output.

        A chamber's temperature swings about its set-point and is not held against it.

        Raises:
            InstrumentFault: it does not answer, or is not.
        """
        for name, value in self.in_force.items():
            if query := self.row.words.settings[name].ask:
                self._require_read_back(name, value, query)
        if self.row.kind is InstrumentKind.SUPPLY and self.in_force:
            self._require_measured()

    def rest(self) -> None:
        """Bring it to its rest state, proved; its mark goes.

        Every setting is sent, in the fixture's order, also after one that failed and with
        an error queue that cannot be emptied: switching off must not wait for either.

        Raises:
            SlotproofError: it cannot be reached, or does not do so; the mark stays.
        """
        self._find_output()
        faults = [self._left_at(name, value) for name, value in self.row.rest.items()]
        for fault in faults:
            if fault is not None:
                raise fault
        marker.clear(self.row)
        self.may_be_on = False

    def _find_output(self) -> None:
        """Ask whether the output is on where this process did not set it."""
        if OUTPUT in self.row.words.settings and OUTPUT not in self.in_force:
            with suppress(SlotproofError):
                state = self.stands_at(OUTPUT)
                if state is not None:
                    self.in_force[OUTPUT] = bool(state)

    def _left_at(self, name: str, value: Level) -> SlotproofError | None:
        """Make one setting of the rest state; why it is not known to be made."""
        kept: SlotproofError | None = None
        for _ in range(_TIMES):
            try:
                words = self.require_allowed(name, value)
                self.in_force.pop(name, None)
                if self._link is None:
                    self.identify()
                # a queue without end says nothing; what is read back does
                says = self._queue_ends() or not words.ask
                self._send(words, name, value, ask_errors=says)
            except SlotproofError as fault:
                kept = fault
                if self._link is not None and name in self.in_force:
                    return kept  # it took it, and does not come to it in time
            else:
                return None
        return kept

    def _queue_ends(self) -> bool:
        """Empty the error queue; False if that cannot be done."""
        try:
            self.errors()
        except InstrumentFault:
            return False
        return True

    def _out_of_step(self, query: str, answer: str, what: str) -> InstrumentFault:
        """An answer that cannot be the query's own: what follows would not be either."""
        self._break()
        return self._fault(
            f"{query!r} is answered by {answer!r}, {what}",
            hint="the answer to another query? Ask with `slotproof instruments`; give it a "
            "longer timeout_s, or its own words in the fixture",
        )

    def _fault(self, what: str, hint: str = "") -> InstrumentFault:
        where = f"{self.row.name} ({self.row.resource})"
        return InstrumentFault(what, where=where, hint=hint)
