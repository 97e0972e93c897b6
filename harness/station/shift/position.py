"""One position of the station: its loop from an empty socket to an empty socket.

    PUT_IN -> (steady contact) -> SCAN -> (number) -> TESTING -> PASSED | FAILED | ERROR
       ^                                     |                         |
       '---------------- taken out <- REFUSED, verdict <---------------'

A low line, an unsteady contact and a lost adapter have signs of their own and end by
themselves when the cause is gone.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from contextlib import nullcontext
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from threading import Event

from harness.errors import (
    AdapterError,
    EchoDamaged,
    ExtraEcho,
    InstrumentFault,
    LineNotReady,
    ShortEcho,
    SlotproofError,
)
from harness.families.hazard import Hazard
from harness.plans.execution.connection import connect
from harness.plans.execution.request import RunRequest
from harness.plans.execution.run import execute
from harness.plans.schema.files import Fixture, Plan
from harness.plans.steps.instruments.standing import StandingSetUp
from harness.records import Outcome
from harness.results.ledger.entry import UnitFacts, UnitTest, test_of
from harness.results.reports.junit import slug
from harness.station.display_states import VERDICTS, WAITING, DisplayState, View
from harness.station.ledger_sync import LedgerSync
from harness.station.operators import Hands, Person
from harness.station.policy import (
    TAKE_OUT,
    Advice,
    UnitStanding,
    advice,
    refusal,
    standing_of,
)
from harness.station.presence_poll import (
    POLL_S,
    STEADY_POLLS,
    STEADY_S,
    PresencePoll,
    SteadyContact,
    feel,
    rom_codes_in,
)
from harness.station.refusals import Refusal, Refusals
from harness.station.serials import Serials
from harness.station.shift.tally import ShiftTally
from harness.station.shift.unit_reports import write_unit_reports
from harness.station.unit_plans import UnitPlans
from harness.station.unit_run import STEP, ProvedBus, UnitRunner

_WAIT_FOR_ADAPTER_S = 1.0

_SAFE_POINTS = frozenset({"step_started", "check_done", "step_done", "soak_progress"})
"""Events between which nothing is half done on a device."""

_NO_VERDICT = "No verdict: test this unit again once that is cured. Take the unit out."


@dataclass(frozen=True, slots=True, kw_only=True)
class Setup:
    """What all positions of a station share.

    Attributes:
        plan: what to do with each unit.
        unit_plans: makes the plan of each one, with its own values.
        allowed: hazards that the command line allows.
        folder: the shift's folder; each test gets one of its own inside.
        station: name of the station.
        lot: name of the lot in hand, may be empty.
        ledger_sync: the ledger.
        tally: the shift's counts.
        refusals: where units go down that were not tested.
        show: takes what a position shows.
        in_hand: serial numbers in all positions now, with the position.
        lost: tests that left no whole journal: serial number, position and reason.
        left_on: instruments that may still be on at the end, a sentence each.
    """

    plan: Plan
    unit_plans: UnitPlans
    allowed: frozenset[Hazard]
    folder: Path
    station: str
    lot: str
    ledger_sync: LedgerSync
    tally: ShiftTally
    refusals: Refusals
    show: Callable[[View], None]
    in_hand: dict[str, str]
    lost: list[tuple[str, str, str]] = field(default_factory=list)
    left_on: list[str] = field(default_factory=list)


class Position:
    """One position: a fixture with one adapter.

    Args:
        name: as printed beside it.
        fixture: its fixture.
        setup: what it shares with the others.
        serials: where serial numbers come from.
        hands_for: makes the hands once the bus is open.
    """

    def __init__(
        self,
        *,
        name: str,
        fixture: Fixture,
        setup: Setup,
        serials: Serials,
        hands_for: Callable[[ProvedBus], Hands] = lambda _: Person(),
    ) -> None:
        self.name = name
        self._fixture = fixture
        self._setup = setup
        self._serials = serials
        self._hands_for = hands_for
        self._hands: Hands = Person()
        self._stop = Event()
        self._view = View(position=name)
        self._references = frozenset(fixture.references)
        self._unit = ""
        self._set_up = StandingSetUp(fixture, name, setup.left_on)

    @property
    def is_resting(self) -> bool:
        """True while its instruments are brought to rest."""
        return self._set_up.is_resting

    # -- the loop ------------------------------------------------------------------

    def stop(self) -> None:
        """End soon: a test in hand is ended as Ctrl-C ends a run."""
        self._stop.set()

    def run(self) -> None:
        """Test units until stopped, or until no more come.

        Raises:
            UsageError: the fixture can never work.
            InstrumentFault: an instrument that it needs cannot be used from the first.
        """
        self._put(DisplayState.STARTING, "opening the adapter and proving its echo")
        while not self._stop.is_set():
            try:
                with connect(self._fixture) as plain:
                    self._serve(ProvedBus(plain.adapter))
                break
            except AdapterError as fault:
                if self._set_up.never_stood(fault):
                    raise
                self._show_away(fault)
                self._stop.wait(_WAIT_FOR_ADAPTER_S)
        self._put(DisplayState.ENDED, "this position has ended")

    def _serve(self, bus: ProvedBus) -> None:
        self._hands = self._hands_for(bus)
        with self._set_up.on(bus):
            while self._until(bus, self._unit_comes):
                number = self._number(bus)
                if number is not None:
                    self._treat(bus, number)
                if not self._until(bus, self._unit_leaves):
                    return

    def _until(self, bus: ProvedBus, happens: Callable[[ProvedBus], bool]) -> bool:
        """Wait for what the operator does, adapter faults survived; False to end."""
        while not self._stop.is_set():
            try:
                if bus.adapter.port is None:
                    bus.adapter.reopen()
                return happens(bus)
            except AdapterError as fault:
                bus.forget_proof()
                self._show_away(fault)
                bus.clock.sleep(_WAIT_FOR_ADAPTER_S)
                self._reopen(bus)
        return False

    @staticmethod
    def _reopen(bus: ProvedBus) -> None:
        try:
            bus.adapter.reopen()
        except AdapterError:
            return  # the next poll says why

    # -- waiting -------------------------------------------------------------------

    def _unit_comes(self, bus: ProvedBus) -> bool:
        """Wait for a steady contact, or for a number given to this position by name."""
        self._power(bus)
        steady = SteadyContact()
        shows_verdict = False
        while not self._stop.is_set():
            contact = self._poll(bus)
            if steady.take(contact):
                return True
            # a verdict on a unit that never answered stays until something happens
            stays = shows_verdict and contact is PresencePoll.NOBODY
            if contact in WAITING and not stays:
                self._put(*WAITING[contact])
            if contact is PresencePoll.NOBODY and not self._hands.has_more:
                return False
            if (number := self._serials.forced(self.name)) is not None:
                self._treat(bus, number, answers=False)
                self._let_go()
                shows_verdict = True
            bus.clock.sleep(STEADY_S if contact is PresencePoll.UNIT else POLL_S)
        return False

    def _poll(self, bus: ProvedBus) -> PresencePoll:
        """One gentle question; in an empty position the adapter is proved if it is time."""
        try:
            if bus.needs_proof:
                bus.prove()
        except LineNotReady:
            return PresencePoll.LOW
        except (ExtraEcho, ShortEcho, EchoDamaged):  # a unit that is just being put in
            return PresencePoll.ODD
        return feel(bus, self._references)

    def _unit_leaves(self, bus: ProvedBus) -> bool:
        self._power(bus)
        empty = 0
        while not self._stop.is_set():
            empty = (
                empty + 1 if feel(bus, self._references) is PresencePoll.NOBODY else 0
            )
            if empty >= STEADY_POLLS:
                self._let_go()
                return True
            bus.clock.sleep(STEADY_S if empty else POLL_S)
        return False

    def _let_go(self) -> None:
        if self._setup.in_hand.get(self._unit) == self.name:
            del self._setup.in_hand[self._unit]
        self._unit = ""

    def _power(self, bus: ProvedBus) -> None:
        """A run leaves the supply off where it can; without it nobody answers.

        Raises:
            InstrumentFault: an instrument cannot be set up as at the start again.
        """
        self._set_up.keep_up()
        if bus.adapter.switching.supply_on is not None:
            bus.adapter.switch(supply=True)
            bus.clock.sleep(STEADY_S)

    def _number(self, bus: ProvedBus) -> str | None:
        """The unit's serial number; None if the unit was taken out before it came."""
        rules, hint = self._setup.plan.unit, ""
        empty = 0
        while not self._stop.is_set():
            number = self._serials.wanted(self.name)
            if number is not None:
                if not number or re.fullmatch(rules.serial_pattern, number):
                    return number
                hint = f"{number} is no serial number of this plan: scan again"
            self._put(DisplayState.SCAN, hint or "scan the unit's serial number")
            empty = (
                empty + 1 if feel(bus, self._references) is PresencePoll.NOBODY else 0
            )
            if empty >= STEADY_POLLS:
                break
            bus.clock.sleep(POLL_S)
        self._serials.given_up(self.name)
        return None

    # -- the unit in hand ----------------------------------------------------------

    def _treat(self, bus: ProvedBus, number: str, *, answers: bool = True) -> None:
        """Refuse the unit or test it; shows what comes of it."""
        before, why_not = self._judge_before(bus, number)
        if why_not is not None:
            self._setup.refusals.add(
                Refusal(
                    at=bus.clock.calendar().isoformat(timespec="milliseconds"),
                    place=self.name,
                    serial=number,
                    why=" ".join(word for word in why_not.words if word != TAKE_OUT),
                )
            )
            self._show_advice(DisplayState.REFUSED, "not tested", number, why_not)
            return
        if number:
            self._unit = number
            self._setup.in_hand[number] = self.name
        try:
            test = self._test(bus, number, answers=answers)
        except SlotproofError as fault:  # no journal, no verdict
            self._setup.unit_plans.refused(number)
            self._setup.lost.append((number, self.name, fault.what))
            self._setup.tally.add_invalid("no journal")
            bus.adapter.release()
            bus.forget_proof()
            self._put(
                DisplayState.ERROR,
                fault.what,
                serial=number,
                words=(fault.hint, _NO_VERDICT),
            )
            return
        if test.outcome is Outcome.ERROR:
            bus.forget_proof()
        if self._stop.is_set() and test.ending != "complete":
            return
        self._setup.tally.add(test)
        sign = VERDICTS[test.outcome]
        if not number:
            before = self._standing_without_number(test)
        what = advice(self._setup.plan.unit, before, test)
        self._show_advice(sign, test.reason.step, number or test.key, what)

    def _judge_before(
        self, bus: ProvedBus, number: str
    ) -> tuple[UnitStanding, Advice | None]:
        if not number:
            return UnitStanding(), None
        other = self._setup.in_hand.get(number)
        if other is not None and other != self.name:
            words = (f"{number} is in {other} now: is the label right?", TAKE_OUT)
            return UnitStanding(), Advice(goes_to="", retest=True, words=words)
        tests = self._setup.ledger_sync.tests_of(serial=number)
        before = standing_of(tests, plan_title=self._setup.plan.title)
        if not before.passed:  # only then it matters who is in
            return before, refusal(self._setup.plan.unit, before, is_same=True)
        known = {code for test in tests for code, _ in test.rom_codes}
        is_same = bool(known) and rom_codes_in(bus, known) - self._references == known
        return before, refusal(self._setup.plan.unit, before, is_same=is_same)

    def _standing_without_number(self, test: UnitTest) -> UnitStanding:
        """By ROM code, which is known only after the test."""
        tests = [
            earlier
            for rom_code, _ in test.rom_codes[:1]
            for earlier in self._setup.ledger_sync.tests_of(rom_code=rom_code)
            if earlier.run_id != test.run_id
        ]
        return standing_of(tests, plan_title=self._setup.plan.title)

    def _test(self, bus: ProvedBus, number: str, *, answers: bool) -> UnitTest:
        """Run the plan on the unit; the verdict is what the journal says."""
        setup = self._setup
        unit = UnitFacts(
            serial=number, lot=setup.lot, station=setup.station, place=self.name
        )
        self._put(DisplayState.TESTING, "leave it in", serial=number)
        plan = setup.unit_plans.of(number, bus.clock.calendar().date())
        request = RunRequest(
            plan=plan,
            fixture=self._fixture,
            into=self._fresh_folder(number),
            allowed=setup.allowed,
            reports=False,
            guesses=setup.ledger_sync.guesses(serial=number, position=self.name),
        )
        done = execute(
            request,
            watch=lambda _clock: nullcontext(self._hear),
            bus=bus,
            runner=partial(
                UnitRunner,
                unit=unit,
                answers=answers,
                instruments=self._set_up.bench,
                number_goes_out=partial(setup.unit_plans.goes_out, number),
                claim=lambda codes, run_id: setup.ledger_sync.claim(
                    codes, unit, run_id
                ),
            ),
        )
        write_unit_reports(done.record, done.folder)
        test = test_of(done.record, done.journal)
        setup.unit_plans.done(number, test.outcome)
        setup.ledger_sync.remember(test)
        setup.ledger_sync.hand_over(done.journal)
        return test

    def _fresh_folder(self, number: str) -> Path:
        base = f"{self.name}-{slug(number) or 'unit'}"
        tried = 1
        while (self._setup.folder / f"{base}-{tried}").exists():
            tried += 1
        return self._setup.folder / f"{base}-{tried}"

    def _hear(self, event: str, fields: dict[str, object]) -> None:
        """Between two events of a run is where it can be ended safely."""
        if event == "step_started":
            self._put(
                DisplayState.TESTING, str(fields["title"]), serial=self._view.serial
            )
        if self._stop.is_set() and event in _SAFE_POINTS and fields["step"] != STEP:
            raise KeyboardInterrupt

    # -- showing -------------------------------------------------------------------

    def _show_advice(
        self, sign: DisplayState, headline: str, number: str, what: Advice
    ) -> None:
        goes_to = f" -> {what.goes_to}" if what.goes_to else ""
        text = f"{headline or 'all steps'}{goes_to}"
        self._put(sign, text, serial=number, words=what.words)

    def _show_away(self, fault: AdapterError) -> None:
        """What the position waits for: its adapter, or an instrument."""
        is_instrument = isinstance(fault, InstrumentFault)
        sign = DisplayState.ERROR if is_instrument else DisplayState.ADAPTER_AWAY
        where = f"{fault.where}: " if is_instrument else ""
        self._put(sign, f"{where}{fault.what}", words=(fault.hint,))

    def _put(
        self,
        sign: DisplayState,
        headline: str = "",
        *,
        serial: str = "",
        words: tuple[str, ...] = (),
    ) -> None:
        view = replace(
            self._view,
            sign=sign,
            headline=headline,
            serial=serial,
            words=tuple(word for word in words if word),
        )
        changed = view.sign is not self._view.sign
        if view == self._view:
            return
        self._view = view
        self._setup.show(view)
        if changed:
            self._hands.see(sign)
