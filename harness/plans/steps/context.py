"""What a step can reach: the bus, the devices found so far, the operator."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Protocol

from harness.clock import Clock
from harness.driver.bus import Bus
from harness.driver.overdrive import overdrive
from harness.driver.search import Enumeration, enumerate_devices
from harness.driver.session import DeviceSession
from harness.families.batteries.sense_resistor import SENSE_KEY
from harness.families.hazard import Hazard
from harness.families.registry import Kinds
from harness.families.thermometers.own_constants import take_kept
from harness.instruments.bench import InstrumentBench
from harness.plans.execution.seating import Seating, seat
from harness.plans.kinds.table import kinds_of
from harness.plans.records.guesses import Guesses
from harness.plans.schema.bodies import AtSpeed
from harness.plans.schema.fixture import Fixture
from harness.plans.schema.plan import Plan
from harness.plans.schema.steps import StepItem
from harness.plans.schema.titles import detail_of, title_of
from harness.plans.schema.varied.vary import Settings
from harness.plans.steps.dependencies.compared import Compared
from harness.plans.steps.dependencies.conversions import Conversions
from harness.plans.steps.dependencies.unsettled import Unsettled
from harness.plans.steps.instruments.in_force import fixture_in_force
from harness.records import DeviceRef
from harness.results.soak.record import SoakRecord
from harness.timing.overdrive import OverdriveSurvey
from harness.timing.survey import LineFacts, Survey
from harness.wire.romcode import RomCode


class Operator(Protocol):
    """The person at the bench."""

    def ask(self, text: str, *, yes_no: bool) -> bool:
        """Show a text and wait; False if the answer to yes-no was no."""
        ...


@dataclass
class Context:
    """State of a run that steps share.

    Attributes:
        bus: the open bus.
        plan: the plan, parameters filled in.
        fixture: the fixture.
        operator: who answers prompts.
        note: records an event in the journal.
        instruments: supplies, meters and chambers of the bench.
        devices: what the last enumeration found, in the fixture's socket order.
        current: the device of the enclosing ``for_each``, or None.
        allowed: hazards that the command line allows.
        events: file of other events, from the command line.
        guesses: devices that may be on the bus, or are like those on it.
        soaks: of the run that is taken up again, by step.
        go_on: command that takes this run up again; empty if not known.
        record_goes_out: called before the first bit of a unit's record is sent, with the
            ROM code and True if another record stands there; raises if it must not be.
        step: number of the leaf step that runs.
        ran: numbers of the leaf steps that have begun in this run.
        deselected: numbers of the leaf steps that will not run, by the user's choice.
        waived: numbers of steps that were left out because one before them failed; what
            would depend on them is read as it is.
        kinds: the kinds of device that the files of this run know.
        conversions: which conversion each device holds.
        seating: which of the devices found sits in which socket.
        unsettled: devices whose settings an error left unknown.
        condition: settings of the instruments that a vary step has in force.
        not_reached: why that condition was not reached; empty if it was.
        set_by_plan: settings of instruments, by instrument and name, that steps made.
        judges_outside: True while the plan judges outside of operating ranges too.
        supply_changes: how often a step moved the supply of the bus.
        compared: what was read of the references, and which devices used it.
        written: how often this run wrote settings to each device, by ROM code.
    """

    bus: Bus
    plan: Plan
    fixture: Fixture
    operator: Operator
    note: Callable[..., None]
    instruments: InstrumentBench
    devices: list[DeviceRef] | None = None
    current: DeviceRef | None = None
    allowed: frozenset[Hazard] = frozenset()
    events: Path | None = None
    guesses: Guesses = field(default_factory=Guesses)
    soaks: Mapping[str, SoakRecord] = field(default_factory=dict)
    go_on: str = ""
    record_goes_out: Callable[[str, bool], None] = lambda _rom_code, _over: None
    step: str = ""
    ran: set[str] = field(default_factory=set)
    deselected: frozenset[str] = frozenset()
    waived: set[str] = field(default_factory=set)
    kinds: Kinds = field(init=False)
    conversions: Conversions = field(init=False)
    settled: set[tuple[str, str, str]] = field(default_factory=set)
    _remarks: list[str] = field(default_factory=list)
    seating: Seating = field(default_factory=Seating)
    condition: Settings = field(default_factory=dict)
    not_reached: str = ""
    set_by_plan: set[tuple[str, str]] = field(default_factory=set)
    judges_outside: bool = False
    supply_changes: int = 0
    unsettled: Unsettled = field(default_factory=Unsettled)
    compared: Compared = field(default_factory=Compared)
    written: Counter[str] = field(default_factory=Counter)
    _sessions: dict[str, DeviceSession] = field(default_factory=dict)
    _wiring: dict[str, dict[str, Any]] = field(default_factory=dict)
    _references: set[str] = field(default_factory=set)
    _searched: tuple[RomCode, ...] | None = None
    _survey: Survey | None = None
    _overdrive_survey: OverdriveSurvey | None = None

    def __post_init__(self) -> None:
        self.kinds = kinds_of(self.plan, self.fixture)
        self.conversions = Conversions(self.bus.clock)

    @property
    def clock(self) -> Clock:
        """The port's time."""
        return self.bus.clock

    def begin_check(self) -> None:
        """A check begins; what came while nothing was asked is noted and counts for none.

        Raises:
            AdapterUnplugged: the port is gone.
        """
        strays = self.bus.begin_check()
        if strays and self.bus.adapter.surplus:
            self.note(
                "note",
                text=f"{len(strays)} characters ({strays[:8].hex(' ').upper()}) came "
                "while nothing was asked: a device that was put in, noise, or the adapter",
            )

    # -- where in the plan ---------------------------------------------------------

    @property
    def here(self) -> str:
        """The leaf step that runs, as messages name it."""
        return self.called(self.step)

    def called(self, step: str) -> str:
        """A leaf step by number and title, such as ``step 5 (convert)``."""
        titles = (
            title_of(s.kind, s.body) for s in self.plan.leaf_steps() if s.id == step
        )
        return f"step {step} ({next(titles, 'unknown')})" if step else "this run"

    def steps_before(self) -> Iterator[StepItem]:
        """Leaf steps that stand before the one that runs, in the order of the plan."""
        for item in self.plan.leaf_steps():
            if item.id == self.step:
                return
            yield item

    def left_out(self, step: str) -> str:
        """Why a step did not run, in brackets, where the user chose so; else empty."""
        return " (deselected)" if step in self.deselected else ""

    # -- remarks -------------------------------------------------------------------

    def remark(self, text: str) -> None:
        """A sentence that belongs to the verdict in hand; see ``CheckResult.notes``."""
        if text not in self._remarks:
            self._remarks.append(text)

    def take_remarks(self) -> tuple[str, ...]:
        """What was remarked since the last time."""
        remarks = tuple(self._remarks)
        self._remarks.clear()
        return remarks

    def announce_record(self, name: str, rom_code: str, over: bool) -> None:
        """Note that a unit's record is about to go out, flushed, before its first bit.

        Args:
            name: of the record.
            rom_code: of the device.
            over: True if another record stands there, which will be lost.

        Raises:
            SlotproofError: it must not be sent.
        """
        self.record_goes_out(rom_code, over)
        values = {key: str(v) for key, v in (self.plan.unit_values or {}).items()}
        self.note("note", text=f"record {name} is sent", unit_values=values)

    # -- devices -------------------------------------------------------------------

    def session(self, device: DeviceRef) -> DeviceSession:
        """The session of a device; what it remembers lasts for the run."""
        if device.rom_code not in self._sessions:
            rom = RomCode.parse(device.rom_code)
            known = self.seating.about(device.rom_code)
            session = DeviceSession(self.bus, rom, known, note=self.note)
            session.memory |= self._wiring.get(device.rom_code, {})
            if kept := self.guesses.constants.get(device.rom_code):
                take_kept(session, kept)
            self._sessions[device.rom_code] = session
        return self._sessions[device.rom_code]

    @property
    def fixture_in_force(self) -> Fixture:
        """The fixture, with the supply that an instrument gives in place of its own."""
        return fixture_in_force(self.fixture, self.instruments)

    @property
    def survey(self) -> Survey:
        """The timing instrument on the devices of the run; keeps what it measured."""
        if self._survey is None:
            line = LineFacts(
                pull_up_ohm=self.fixture.line.pull_up_ohm,
                supply_v=self.fixture_in_force.line.supply_v,
            )
            roms = [RomCode.parse(d.rom_code) for d in self.known_devices()]
            self._survey = Survey(self.bus, line, roms)
        return self._survey

    @property
    def overdrive_survey(self) -> OverdriveSurvey:
        """The same in overdrive."""
        known = self._overdrive_survey
        if known is None or known.standard is not self.survey:
            known = self._overdrive_survey = OverdriveSurvey(self.survey)
        return known

    def at_speed(
        self, body: AtSpeed, rom: RomCode | None = None
    ) -> AbstractContextManager[object]:
        """The bus at the step's speed; in overdrive with one device, or all that can.

        Raises:
            CannotOverdrive, NobodyAnswers: see ``driver.overdrive.enter_overdrive``.
        """
        if body.speed == "overdrive":
            return overdrive(self.bus, rom)
        return nullcontext()

    def measure_anew(self) -> None:
        """Let the timing instrument forget what it measured: time has passed."""
        self._survey = None

    def forget(self, why: str) -> None:
        """Drop what sessions remember: after a power loss it may be untrue.

        What the plan says about the wiring stays true. No device holds a conversion.

        Args:
            why: what happened, a clause for messages.
        """
        self.conversions.lose_all(why)
        for code, session in self._sessions.items():
            if SENSE_KEY in session.memory:
                self._wiring[code] = {SENSE_KEY: session.memory[SENSE_KEY]}
        self._sessions.clear()
        self._survey = None

    def forget_device(self, rom_code: str, why: str) -> None:
        """Drop what is known of one device: unknown bytes were sent to it.

        Args:
            rom_code: the device.
            why: what happened, a clause for messages.
        """
        self.conversions.lose(rom_code, why)
        self.conversions.spoil_flag(rom_code, why)
        if rom_code in self._sessions:
            self._drop_session(rom_code)
        self.settled = {row for row in self.settled if row[0] != rom_code}
        self.written[rom_code] += 1
        self._survey = None

    def bring_adapter_back(self) -> None:
        """Open the adapter again after it was lost; nothing learned before counts.

        Raises:
            AdapterError: it is not back yet.
        """
        self.bus.adapter.reopen()
        self.forget("the adapter was away, and the supply perhaps with it")
        self.settled = {
            (code, step, name)
            for code, step, name in self.settled
            if not self._is_volatile(code, name)
        }

    def ref(self, rom: RomCode) -> DeviceRef:
        """A device with its socket, where fixture and search leave no doubt about it."""
        code = str(rom)
        return DeviceRef(
            rom_code=code,
            family=rom.family,
            socket=self.fixture.socket_of(code) or self.seating.tied.get(code, ""),
        )

    def _is_volatile(self, rom_code: str, name: str) -> bool:
        """True of a setting that goes with the supply and may be made again unasked."""
        family = self.kinds.family_of(RomCode.parse(rom_code).family)
        return name in family.settings and not family.settings[name].hazards

    def take(
        self, enumeration: Enumeration, *, references: Iterable[str] = ()
    ) -> list[DeviceRef]:
        """Make what a search found the devices of the run.

        Args:
            enumeration: what was found.
            references: ROM codes found that were left out of it.
        """
        self._survey = None
        found = {*map(str, enumeration.found), *references}
        for device in self.devices or ():
            if device.rom_code not in found:
                why = f"{self.here} did not find the device"
                self.conversions.lose(device.rom_code, why)
        self._references = found & set(self.fixture.references)
        for code in self.fixture.references:
            if code not in found:
                self.conversions.lose(code, f"{self.here} did not find the reference")
        self._seat(enumeration)
        order = [socket.name for socket in self.fixture.sockets]
        self.devices = sorted(
            (
                self.ref(rom)
                for rom in enumeration.found
                if str(rom) not in self.fixture.references
            ),
            key=lambda d: (
                order.index(d.socket) if d.socket else len(order),
                d.family,
                d.rom_code,
            ),
        )
        return self.devices

    def _seat(self, enumeration: Enumeration) -> None:
        """Tie devices to sockets; a session made under another tie is made again."""
        before = self.seating
        self.seating = seat(self.fixture, map(str, enumeration.found))
        for code in set(self._sessions):
            if before.facts.get(code) != self.seating.facts.get(code):
                self._drop_session(code)
        for code, name in self.seating.tied.items():
            if before.tied.get(code) != name:
                self.note(
                    "note",
                    text=f"{code} is the only device of its family that socket {name} "
                    "can hold: taken to sit there",
                )

    def _drop_session(self, code: str) -> None:
        session = self._sessions.pop(code)
        socket = self.seating.facts.get(code)
        said = socket.expect.sense_mohm if socket else None
        if SENSE_KEY in session.memory and said is None:
            self._wiring[code] = {SENSE_KEY: session.memory[SENSE_KEY]}

    def known_devices(self) -> list[DeviceRef]:
        """The devices of the run; searches if no step has done so yet."""
        if self.devices is None:
            self.note("note", text="no enumerate step yet: searching the bus first")
            self.take(self.search())
        return self.devices or []

    def search(self) -> Enumeration:
        """Every device on the bus; what was met before saves time only.

        The first search guesses from earlier runs, each other one from the one before.
        """
        expected = self.fixture.expected_roms
        sentence = self.guesses.sentence(expected) if self._searched is None else ""
        if sentence:
            self.note("note", text=sentence)
        recalled = self.guesses.recalled if self._searched is None else self._searched
        found = enumerate_devices(
            self.bus,
            expected=expected,
            recalled=recalled,
            seen=self.guesses.seen,
        )
        self._searched = tuple(found.found)
        return found

    def reference_in(self, socket: str) -> DeviceRef:
        """The reference device of a socket; never one of ``targets``."""
        known = self.fixture.references
        code = next(code for code, place in known.items() if place.name == socket)
        return self.ref(RomCode.parse(code))

    def references_found(self) -> list[DeviceRef]:
        """References that the last search found; they are no devices of the run."""
        self.known_devices()
        return [self.ref(RomCode.parse(code)) for code in sorted(self._references)]

    def targets(
        self,
        families: Iterable[int] | None = None,
        sockets: Iterable[str] | None = None,
    ) -> list[DeviceRef]:
        """The device of the enclosing ``for_each``, else all that match."""
        if self.current is not None:
            return [self.current]
        return [
            device
            for device in self.known_devices()
            if (families is None or device.family in set(families))
            and (sockets is None or device.socket in set(sockets))
        ]


__all__ = ["Context", "Operator", "detail_of", "title_of"]
