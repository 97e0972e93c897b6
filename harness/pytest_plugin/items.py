"""A plan as a collector of pytest, and its leaf steps as items."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from harness.errors import SlotproofError, UsageError
from harness.plans.execution.hazard_gate import parse_allowed
from harness.plans.execution.request import RunRequest
from harness.plans.execution.run import OpenRun, opened
from harness.plans.execution.runner import Runner, StopRunError
from harness.plans.loading.files import PlanError, load_both, which
from harness.plans.loading.parameters import assignments
from harness.plans.records.values import plan_of_unit
from harness.plans.schema.files import StepItem
from harness.plans.steps.context import title_of
from harness.pytest_plugin.words import (
    by_device,
    in_words,
    lines_of,
    properties_of,
    repr_of,
    said_in_words,
    whom,
)
from harness.records import CheckResult, Outcome


class _NobodyThere:
    """pytest owns the terminal: a prompt cannot be answered."""

    def ask(self, text: str, *, yes_no: bool) -> bool:
        raise pytest.skip.Exception(f"asks the operator: {text}")


class StepFailedError(Exception):
    """A step did not pass; carries its results."""

    def __init__(self, results: list[CheckResult]) -> None:
        super().__init__("the step did not pass")
        self.results = results

    @property
    def could_not_tell(self) -> bool:
        """True if adapter, fixture or host are to blame for the worst of it."""
        return any(result.outcome == "error" for result in self.results)

    @property
    def who(self) -> str:
        """The devices that did not pass, the bus among them, in words."""
        return whom(self.results)


class PlanFile(pytest.File):
    """A plan; opens the fixture before its first step, closes it after the last."""

    def __init__(self, **kwargs: Any) -> None:  # noqa: ANN401 - pytest's own
        super().__init__(**kwargs)
        self._stack = ExitStack()
        self._has_begun = False
        self._last = -1
        self._steps: list[str] = []
        self._left_out: list[str] = []
        self._run: OpenRun | None = None
        self.stopped_by = ""

    def collect(self) -> Iterator[pytest.Item]:
        """One item for each leaf step, in the order of the plan."""
        try:
            if which(self.path) != "plan":
                return
        except PlanError:
            if not self.session.isinitpath(self.path):
                return  # found in a folder: some other YAML file
            raise
        option = "--slotproof-set"
        plan, fixture = load_both(
            self.path,
            self._option("--slotproof-fixture"),
            assignments(self._option(option), option=option),
        )
        option = "--slotproof-unit"
        given = assignments(self.config.getoption(option, default=()), option=option)
        plan = plan_of_unit(plan, given, option=option, give=f"{option} {{}}=...")
        allowed = parse_allowed(self._option("--slotproof-allow"))
        self._request = RunRequest(plan=plan, fixture=fixture, allowed=allowed)
        for item in plan.steps:
            yield from self._items(item, around=())

    def _items(
        self, item: StepItem, around: tuple[StepItem, ...]
    ) -> Iterator[pytest.Item]:
        is_one = not item.steps or item.kind == "vary"
        for inner in () if is_one else item.steps:
            yield from self._items(inner, (*around, item))
        if is_one:
            name = f"{item.id} {title_of(item.kind, item.body)}"
            self._steps.append(item.id)
            yield StepTest.from_parent(self, name=name, step=item, around=around)

    @property
    def runner(self) -> Runner:
        """Goes through the plan while its items run."""
        assert self._run is not None
        return self._run.runner

    def _option(self, name: str) -> Any:  # noqa: ANN401 - as pytest has it
        return self.config.getoption(name)

    def place_of(self, step: str) -> int:
        """Place of a step in the order of the plan, from 0."""
        return self._steps.index(step)

    def choose(self, steps: set[str]) -> None:
        """Learn which of its steps will run."""
        self._left_out = [step for step in self._steps if step not in steps]

    @property
    def choice_lines(self) -> list[str]:
        """What a choice of its steps means, a line; nothing if all of them run."""
        if not self._left_out:
            return []
        chosen = len(self._steps) - len(self._left_out)
        return [
            f"slotproof: {chosen} of {len(self._steps)} steps of {self.path.name} are "
            f"selected; what they need of the others is done for them, or is an error"
        ]

    def take_turn(self, step: str) -> None:
        """Insist that the steps come in the order of the plan.

        Raises:
            UsageError: this one comes after a later one.
        """
        place = self.place_of(step)
        if place < self._last:
            raise UsageError(
                f"step {step} comes after step {self._steps[self._last]}: the items of "
                "this plan were put out of order",
                where=str(self.path),
                hint="switch off what reorders or splits tests; a plan is a sequence",
            )
        self._last = place

    def setup(self) -> None:
        """Open the fixture, begin the journal, prove the adapter."""
        with said_in_words():
            self._begin()

    def _begin(self) -> None:
        if self._has_begun:
            raise UsageError(
                "other tests came between the items of this plan, which ended its run",
                where=str(self.path),
                hint="switch off what reorders or splits tests; a plan is a sequence",
            )
        self._has_begun = True
        into = self._option("--slotproof-into")
        if into:
            folder = Path(into) / self.path.stem
        else:
            folder = Path(self._stack.enter_context(tempfile.TemporaryDirectory()))
        request = replace(self._request, into=folder, reports=bool(into))
        run = self._stack.enter_context(opened(request, operator=_NobodyThere()))
        self._run, runner = run, run.runner
        runner.context.deselected = frozenset(self._left_out)
        runner.begin()
        for line in self.choice_lines:
            runner.context.note("note", text=line, deselected=self._left_out)
        runner.prepare_or_raise()

    def teardown(self) -> None:
        """Record the end and close everything."""
        run, self._run = self._run, None
        with self._stack:
            if run is not None:
                run.runner.end()
        if run is not None and run.request.reports:
            run.report()

    def repr_failure(  # type: ignore[override]  # pytest's Collector narrows it so
        self, excinfo: pytest.ExceptionInfo[BaseException]
    ) -> Any:  # noqa: ANN401
        """A mistake in a file is a message, not a traceback."""
        if isinstance(excinfo.value, SlotproofError):
            return in_words(excinfo.value)
        return super().repr_failure(excinfo)


class StepTest(pytest.Item):
    """One leaf step."""

    def __init__(
        self,
        *,
        step: StepItem,
        around: tuple[StepItem, ...],
        **kwargs: Any,  # noqa: ANN401 - pytest's own
    ) -> None:
        super().__init__(**kwargs)
        self.step = step
        self._around = around

    @property
    def place(self) -> int:
        """Its place in the order of the plan, from 0."""
        return self.plan_file.place_of(self.step.id)

    def runtest(self) -> None:
        """Run the step on each device meant, as often as its ``repeat`` says."""
        plan_file = self.plan_file
        plan_file.take_turn(self.step.id)
        if plan_file.stopped_by:
            pytest.skip(f"the run stopped at step {plan_file.stopped_by}")
        try:
            results = plan_file.runner.run_scattered(self.step, self._around)
        except StopRunError as stop:
            plan_file.stopped_by = self.step.id
            results = stop.results
        self._report(results)
        if any(r.outcome in {Outcome.FAILED, Outcome.ERROR} for r in results):
            raise StepFailedError(results)
        if results and all(r.outcome is Outcome.SKIPPED for r in results):
            pytest.skip(results[0].message)

    @property
    def plan_file(self) -> PlanFile:
        """The plan that it belongs to."""
        assert isinstance(self.parent, PlanFile)
        return self.parent

    def _report(self, results: list[CheckResult]) -> None:
        found = by_device(results)
        lines = [line for result in found for line in lines_of(result)]
        self.add_report_section("call", "measured", "\n".join(lines))
        self.user_properties += [pair for r in found for pair in properties_of(r)]

    def repr_failure(
        self,
        excinfo: pytest.ExceptionInfo[BaseException],
        style: Any = None,  # noqa: ANN401 - pytest's own
    ) -> Any:  # noqa: ANN401
        """Verdicts with values and hints instead of a traceback."""
        if isinstance(excinfo.value, StepFailedError):
            return repr_of(excinfo.value.results, self.path, self.step.line)
        if isinstance(excinfo.value, SlotproofError):
            return in_words(excinfo.value)
        return super().repr_failure(excinfo, style)

    def reportinfo(self) -> tuple[Path, int, str]:
        """The step's place in the plan file."""
        # not the name itself: pytest would show the dot of 3.1 as a double colon
        return self.path, max(0, self.step.line - 1), f"step {self.name}"
