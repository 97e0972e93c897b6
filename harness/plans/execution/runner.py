"""Goes through a plan on a fixture and records everything in the journal.

Rule 1: nothing is judged here; steps return results, the runner records them.
Rule 2: each event is in the journal before it is passed on.
Rule 3: whatever ends a run - the plan, a failure with ``stop``, an adapter that is
gone, Ctrl-C - the fixture is left safe and ``run_done`` is written.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

from harness import ending
from harness.driver.bus import Bus
from harness.errors import SlotproofError
from harness.families.hazard import Hazard
from harness.instruments.bench import InstrumentBench
from harness.plans.execution.adapter_loss import AdapterLoss, tells_of_loss
from harness.plans.execution.hazard_gate import require_allowed
from harness.plans.execution.resume import STILL_OPEN, Resumption
from harness.plans.execution.run_facts import (
    facts_of_adapter,
    facts_of_resumption,
    facts_of_start,
    notes_on_adapter,
)
from harness.plans.schema.fixture import Fixture
from harness.plans.schema.plan import Plan
from harness.plans.schema.steps import ForEach, Repeat, StepItem, Vary
from harness.plans.schema.varied.vary import condition_facts
from harness.plans.steps.attempts import after_fault, from_fault
from harness.plans.steps.comparing.value_watch import ValueWatch
from harness.plans.steps.context import Context, Operator, title_of
from harness.plans.steps.dependencies.making_up import make_up_switches
from harness.plans.steps.dependencies.passed_before import PassedBefore
from harness.plans.steps.devices import no_device
from harness.plans.steps.diagnose import explain
from harness.plans.steps.instruments.running import (
    REST_STEP,
    begin_instruments,
    instruments_of,
    result_of_rest,
)
from harness.plans.steps.instruments.setting import condition_marked, not_reached
from harness.plans.steps.instruments.unjudged import shown_outside
from harness.plans.steps.instruments.vouching import vouched
from harness.plans.steps.restart_watch import RestartWatch
from harness.plans.steps.table import KINDS
from harness.plans.steps.toggle_watch import ToggleWatch
from harness.records import CheckResult, DeviceRef, Outcome
from harness.results.journal.writer import Journal
from harness.results.record.run import EXIT_CODES

Listener = Callable[[str, dict[str, Any]], None]
"""Hears each event after it is in the journal: name and fields."""


class StopRunError(Exception):
    """A step failed for which the plan ends the run."""

    def __init__(self, results: list[CheckResult]) -> None:
        super().__init__("the run stops here")
        self.results = results


class Runner:
    """One run of one plan on one open bus.

    Args:
        plan: the plan, parameters filled in.
        fixture: the fixture that the bus was opened from.
        bus: the open bus.
        journal: where everything goes.
        operator: who answers prompts.
        listener: hears each event, for live progress.
        allowed: hazards that the command line allows by name.
        events: file of other events, for soaks.
        resumed: run that is taken up again, or None.
        go_on: command that takes this run up again; it stands in hints.
        instruments: those of the fixture, where they outlive the run; None takes its own.

    Raises:
        UsageError: the plan holds hazards that are not named or not allowed.
    """

    def __init__(
        self,
        *,
        plan: Plan,
        fixture: Fixture,
        bus: Bus,
        journal: Journal,
        operator: Operator,
        listener: Listener | None = None,
        allowed: frozenset[Hazard] = frozenset(),
        events: Path | None = None,
        resumed: Resumption | None = None,
        go_on: str = "",
        instruments: InstrumentBench | None = None,
    ) -> None:
        require_allowed(plan, fixture, allowed)
        self._plan = plan
        self._fixture = fixture
        self._bus = bus
        self._journal = journal
        self._listener = listener
        self._rounds: dict[str, int] = {}
        # what came to its end before the cut still counts
        self._worst: Outcome | None = resumed.worst if resumed else None
        self._cannot_begin: CheckResult | None = None
        self._last: list[CheckResult] = []
        self.context = Context(
            bus=bus,
            plan=plan,
            fixture=fixture,
            operator=operator,
            note=self._record,
            instruments=instruments or instruments_of(fixture, bus),
            allowed=allowed,
            events=events,
            soaks=resumed.soaks if resumed else {},
            go_on=go_on,
        )
        self._resumed = resumed
        self._go_on = go_on
        self._adapter_loss = AdapterLoss(self.context)
        self._toggle_watch = ToggleWatch(self.context)
        self._restart_watch = RestartWatch(self.context)
        self._value_watch = ValueWatch(self.context)
        self._passed_before = PassedBefore(self.context, resumed)

    def run(self) -> int:
        """The whole plan; the exit code.

        0 passed, 1 failed, 3 error; of a run that was ended that of ``ending``.
        """
        try:
            self.begin()
            if not self.prepare():
                self._find_out_why()
                return self.end()
            self._go_through(self._plan.steps)
        except StopRunError:
            pass
        except KeyboardInterrupt as request:
            return self.end(interrupted=True, by=ending.name_of(request))
        return self.end()

    # -- begin, prepare, end; the pytest plugin uses them one by one --------------

    def begin(self) -> None:
        """Record what is about to run."""
        if self._resumed is not None:
            facts = facts_of_resumption(
                self._resumed, self._plan, self._fixture, self._bus.clock
            )
            self._record("run_resumed", **facts)
            return
        facts = facts_of_start(self._plan, self._fixture, self.context.allowed)
        if self._go_on:
            facts["go_on"] = self._go_on
        self._record("run_started", **facts)

    def prepare(self) -> bool:
        """Self-check of the adapter; False if the run cannot begin."""
        try:
            self.prepare_or_raise()
        except SlotproofError:
            return False
        return True

    def prepare_or_raise(self) -> None:
        """As ``prepare``, for callers that want the error itself.

        Raises:
            AdapterError: see ``Bus.prove``.
        """
        try:
            identities = begin_instruments(self.context)
            report = self._bus.prove()
        except SlotproofError as fault:
            self._cannot_begin = from_fault(fault, self.context)
            if self._resumed is not None:
                self._record("note", text=STILL_OPEN)
            raise
        for name, identity in identities.items():
            self._record("instrument_identified", name=name, identity=identity)
        self._record("adapter_checked", adapter=facts_of_adapter(report, self._bus))
        for line in notes_on_adapter(report, self._bus, self._plan, self._fixture):
            self._record("note", text=line, about="adapter")

    def _find_out_why(self) -> None:
        """A plan that begins with a diagnosis learns why it cannot begin."""
        first = self._plan.steps[0]
        if first.kind != "diagnose" or self._cannot_begin is None:
            return
        self._record("note", text=f"self-check failed: {self._cannot_begin.message}")
        self.run_leaf(first)
        if self._worst in _BAD:
            self._cannot_begin = None  # the examination says it better

    def end(self, *, interrupted: bool = False, by: str = ending.CTRL_C) -> int:
        """Leave the fixture safe, record the end; the exit code.

        Args:
            interrupted: the run was ended before its time.
            by: name of the signal that did so.
        """
        self._bus.adapter.release()
        lost = self._leave_at_rest()
        for line in self._toggle_watch.lines():
            self._record("note", text=line)
        outcome = self._worst or Outcome.PASSED
        fields: dict[str, Any] = {}
        if self._cannot_begin is not None:
            outcome = self._cannot_begin.outcome
            fields["why"] = {
                key: getattr(self._cannot_begin, key)
                for key in ("kind", "message", "hint")
            }
        code = EXIT_CODES[outcome]
        if interrupted:
            code = code if lost else ending.exit_code_of(by)
            fields["ended_by"] = by
        self._record(
            "run_done",
            outcome=str(outcome),
            exit_code=code,
            interrupted=interrupted,
            traffic=self._bus.traffic.as_dict(),
            **fields,
        )
        return code

    def _leave_at_rest(self) -> bool:
        """Bring the instruments to rest, then record it; True if one may still be on."""
        rested = self.context.instruments.rest()
        self.context.instruments.close()
        if rested:
            self._record_step(iter([result_of_rest(rested)]), **REST_STEP)
        return any(each.fault for each in rested)

    # -- going through -------------------------------------------------------------

    def _go_through(self, steps: tuple[StepItem, ...]) -> list[CheckResult]:
        results: list[CheckResult] = []
        for item in steps:
            body = item.body
            if isinstance(body, ForEach):
                for device in self._chosen(body, item.leaves()):
                    with self._on(device):
                        results += self._go_through(body.steps)
            elif isinstance(body, Repeat):
                for _ in range(body.times):
                    results += self._go_through(body.steps)
            elif isinstance(body, Vary):
                for number, group in enumerate(item.conditions(), 1):
                    with condition_marked(self.context, f"{item.id}.{number}"):
                        results += self._go_through(group)
            else:
                results += self.run_leaf(item)
        return results

    def _chosen(self, body: ForEach, leaves: Iterable[StepItem]) -> list[DeviceRef]:
        """The devices of a ``for_each``; an empty choice fails the steps inside."""
        devices: list[DeviceRef] = []
        fault: SlotproofError | None = None
        try:
            self._adapter_loss.bring_back()
            devices = self.context.targets(body.family, body.sockets)
        except SlotproofError as caught:
            fault = caught
        if not devices:
            for leaf in leaves:
                self._none_to_do_it_on(leaf, body, fault)
        return devices

    def _none_to_do_it_on(
        self, leaf: StepItem, body: ForEach, fault: SlotproofError | None
    ) -> None:
        result = no_device(self.context, body.sockets, fault)
        if result.outcome is Outcome.ERROR:
            self.context.devices = None  # what was found by doubtful echoes
        self._around(leaf, iter([result]))

    def run_scattered(
        self, item: StepItem, around: tuple[StepItem, ...]
    ) -> list[CheckResult]:
        """One leaf step by itself, under the conditions of the steps around it.

        Where ``run`` takes each device through all steps of a ``for_each``, this takes
        one step through all devices.

        Raises:
            StopRunError: it did not pass and says that the run ends with it.
        """
        if not around:
            return self._go_through((item,))
        outer, inner = around[0], around[1:]
        body = outer.body
        if isinstance(body, Repeat):
            rounds = (self.run_scattered(item, inner) for _ in range(body.times))
            return [result for results in rounds for result in results]
        assert isinstance(body, ForEach)
        results: list[CheckResult] = []
        for device in self._chosen(body, [item]):
            with self._on(device):
                results += self.run_scattered(item, inner)
        return results or self._last

    def run_leaf(self, item: StepItem) -> list[CheckResult]:
        """One leaf step on the device in hand, or on all it is meant for.

        Raises:
            StopRunError: it did not pass and says that the run ends with it.
        """
        if self._resumed is not None and item.id in self._resumed.finished:
            outcome = self._resumed.finished[item.id]
            text = f"step {item.id} had come to its end before and stands: {outcome}"
            self._record("note", text=text)
            return []
        if self.context.not_reached and item.kind != "condition":
            return self._around(item, not_reached(self.context))
        refused = self._refusal(item)
        return self._around(item, iter([refused]) if refused else self._results(item))

    def _refusal(self, item: StepItem) -> CheckResult | None:
        """The result of a step that must not be done now; None if it may."""
        return self._passed_before.refusal(item)

    @contextmanager
    def _on(self, device: DeviceRef) -> Iterator[None]:
        self.context.current = device
        try:
            yield
        finally:
            self.context.current = None

    def _results(self, item: StepItem) -> Iterator[CheckResult]:
        """The step's results; an error outside of an attempt becomes one too."""
        try:
            self._adapter_loss.bring_back()
            self.context.begin_check()
            yield from KINDS[item.kind].run(self.context, item.body)
        except SlotproofError as fault:
            yield replace(after_fault(fault, self.context), device=self.context.current)

    def _around(
        self, item: StepItem, results: Iterator[CheckResult]
    ) -> list[CheckResult]:
        """A step of the plan: watched, explained, and the run stopped where it wants so."""
        self.context.step = item.id
        self.context.take_remarks()  # those of devices that were not judged
        make_up_switches(self.context, item)
        self.context.ran.add(item.id)
        settled = (
            self.context.unsettled.take(item.body, result.device, result, item.id)
            for result in results
        )
        seen = self._toggle_watch.around(item, self._value_watch.around(item, settled))
        watched = self._restart_watch.around(item, seen)
        collected = self._record_step(
            self._explained(
                item, shown_outside(self.context, item, vouched(self.context, watched))
            ),
            step=item.id,
            kind=item.kind,
            title=title_of(item.kind, item.body),
            expected_s=round(self._expected_s(item), 3),
        )
        outcome = Outcome.worst([result.outcome for result in collected])
        wish = item.body.on_fail
        stop = wish == "stop" or (wish is None and self._plan.stop_on_fail)
        if outcome in _BAD and stop:
            self._record("note", text=f"step {item.id} {outcome}: the run stops here")
            raise StopRunError(collected)
        self._last = collected
        return collected

    def _record_step(
        self, results: Iterator[CheckResult], *, step: str, **facts: object
    ) -> list[CheckResult]:
        """Record a step's start, each result as it comes, and its end."""
        device = current.label if (current := self.context.current) else None
        if facts["kind"] != "condition":
            facts |= condition_facts(self.context.condition)
        self._record("step_started", step=step, **facts, device=device)
        started_s = self._bus.clock.now_s()
        collected: list[CheckResult] = []
        for result in results:
            collected.append(result)
            self._take(step, result)
        outcome = Outcome.worst([result.outcome for result in collected])
        self._worst = Outcome.worst([self._worst or outcome, outcome])
        self._passed_before.take(step, outcome)
        self._record(
            "step_done",
            step=step,
            outcome=str(outcome),
            duration_s=round(self._bus.clock.now_s() - started_s, 6),
        )
        return collected

    def _explained(
        self, item: StepItem, results: Iterator[CheckResult]
    ) -> Iterator[CheckResult]:
        """The first result that did not pass with a diagnosis, where the plan wants it.

        Made when the step is over: it would take the devices' conversions from it.
        """
        if not self._plan.diagnose or item.kind == "diagnose":
            yield from results
            return
        explained = False
        for result in list(results):
            wanted = result.outcome in _BAD and not tells_of_loss(result)
            yield (
                explain(self.context, item, result)
                if wanted and not explained
                else result
            )
            explained = explained or wanted

    def _expected_s(self, item: StepItem) -> float:
        """Rough time of a step; one of devices takes it for each that it is meant for."""
        kind = KINDS[item.kind]
        devices = 1
        if kind.by_device and self.context.current is None:
            devices = len(self.context.devices or self._fixture.unit_sockets)
        return devices * kind.told_s(item.body, self.context)

    def _take(self, step: str, result: CheckResult) -> None:
        key = f"{step}/{result.device.rom_code if result.device else ''}"
        self._rounds[key] = self._rounds.get(key, 0) + 1
        self._adapter_loss.take(result)
        under = {"condition": c} if (c := self.context.condition) else {}
        told = {"round": self._rounds[key], "result": result.as_dict(), **under}
        self._record("check_done", step=step, **told)

    def _record(self, event: str, **fields: Any) -> None:  # noqa: ANN401 - plain facts
        self._journal.record(event, **fields)
        if self._listener is not None:
            self._listener(event, fields)


_BAD = frozenset({Outcome.FAILED, Outcome.ERROR})
