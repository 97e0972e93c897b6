"""pytest plugin: plans as test items, and a ``bus`` fixture for Python tests.

    pytest test_plans/incoming_thermometers.yaml --slotproof-fixture fixtures/demo_bench.yaml

Each leaf step is one item, so ``-k`` selects and ``--junitxml`` reports it. Steps
inside a ``for_each`` run on every device meant, ``repeat`` as often as it says.
Nothing is collected from YAML files unless a fixture is named.
"""

from __future__ import annotations

from collections.abc import Generator, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from harness.errors import SlotproofError

if TYPE_CHECKING:
    from harness.driver.bus import Bus
    from harness.plans.runner import Runner
    from harness.plans.schema import Fixture, StepItem
    from harness.records import CheckResult

_GROUP = "slotproof"


def pytest_addoption(parser: pytest.Parser) -> None:
    """Add the options of this plugin."""
    group = parser.getgroup(_GROUP, "single-wire test plans")
    group.addoption(
        "--slotproof-fixture",
        metavar="FILE",
        help="fixture file (YAML); plans named on the command line run on it",
    )
    group.addoption(
        "--slotproof-set",
        metavar="NAME=VALUE",
        action="append",
        default=[],
        help="parameter of the plans; repeatable",
    )
    group.addoption(
        "--slotproof-allow",
        metavar="HAZARD",
        action="append",
        default=[],
        help="hazard that the plans name and you allow; repeatable",
    )
    group.addoption(
        "--slotproof-into",
        metavar="FOLDER",
        help="keep each plan's journal and junit.xml in a folder of this one",
    )


def pytest_collect_file(
    file_path: Path, parent: pytest.Collector
) -> pytest.Collector | None:
    """Collect a plan file if a fixture is named."""
    if file_path.suffix not in {".yaml", ".yml"}:
        return None
    if not parent.config.getoption("--slotproof-fixture"):
        return None
    return PlanFile.from_parent(parent, path=file_path)


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(
    item: pytest.Item, call: pytest.CallInfo[None]
) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """A step that could not tell is an error, as a failed setup is, and no failure."""
    report = yield
    error = call.excinfo.value if call.excinfo else None
    if isinstance(error, StepFailedError) and error.could_not_tell:
        report.when = "setup"
    return report


@pytest.fixture(scope="session")
def slotproof_fixture(request: pytest.FixtureRequest) -> Fixture:
    """The fixture file named by ``--slotproof-fixture``, loaded."""
    from harness.plans.loading import load_fixture  # noqa: PLC0415

    path = request.config.getoption("--slotproof-fixture")
    if not path:
        pytest.skip("no --slotproof-fixture named")
    with _said_in_words():
        return load_fixture(path)


@pytest.fixture
def bus(slotproof_fixture: Fixture) -> Iterator[Bus]:
    """The fixture's bus, open, its adapter proved; left safe afterwards."""
    from harness.plans.connection import connect  # noqa: PLC0415

    with ExitStack() as stack:
        with _said_in_words():
            opened = stack.enter_context(connect(slotproof_fixture))
            opened.prove()
        yield opened


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


class PlanFile(pytest.File):
    """A plan; opens the fixture before its first step, closes it after the last."""

    def __init__(self, **kwargs: Any) -> None:  # noqa: ANN401 - pytest's own
        super().__init__(**kwargs)
        self._stack = ExitStack()
        self.runner: Runner | None = None
        self.stopped_by = ""

    def collect(self) -> Iterator[pytest.Item]:
        """One item for each leaf step, in the order of the plan."""
        from harness.plans.gate import parse_allowed, require_allowed  # noqa: PLC0415
        from harness.plans.loading import (  # noqa: PLC0415
            PlanError,
            check_together,
            load_fixture,
            load_plan,
            which,
        )

        try:
            if which(self.path) != "plan":
                return
        except PlanError:
            if not self.session.isinitpath(self.path):
                return  # found in a folder: some other YAML file
            raise
        pairs = (text.partition("=") for text in self._option("--slotproof-set"))
        self.plan = load_plan(self.path, {name: value for name, _, value in pairs})
        self.fixture = load_fixture(self._option("--slotproof-fixture"))
        problems = check_together(self.plan, self.fixture)
        if problems:
            raise PlanError(problems)
        self.allowed = parse_allowed(self._option("--slotproof-allow"))
        require_allowed(self.plan, self.fixture, self.allowed)
        for item in self.plan.steps:
            yield from self._items(item, around=())

    def _items(
        self, item: StepItem, around: tuple[StepItem, ...]
    ) -> Iterator[pytest.Item]:
        from harness.plans.steps.context import title_of  # noqa: PLC0415

        for inner in item.steps:
            yield from self._items(inner, (*around, item))
        if not item.steps:
            name = f"{item.id} {title_of(item.kind, item.body)}"
            yield StepTest.from_parent(self, name=name, step=item, around=around)

    def _option(self, name: str) -> Any:  # noqa: ANN401 - as pytest has it
        return self.config.getoption(name)

    def setup(self) -> None:
        """Open the fixture, begin the journal, prove the adapter."""
        with _said_in_words():
            self._begin()

    def _begin(self) -> None:
        import tempfile  # noqa: PLC0415

        from harness.plans.connection import connect  # noqa: PLC0415
        from harness.plans.runner import Runner  # noqa: PLC0415
        from harness.results.journal import Journal  # noqa: PLC0415

        into = self._option("--slotproof-into")
        if into:
            folder = Path(into) / self.path.stem
        else:
            folder = Path(self._stack.enter_context(tempfile.TemporaryDirectory()))
        bus = self._stack.enter_context(connect(self.fixture))
        journal = self._stack.enter_context(Journal.create(folder, bus.clock))
        self.runner = Runner(
            plan=self.plan,
            fixture=self.fixture,
            bus=bus,
            journal=journal,
            operator=_NobodyThere(),
            allowed=self.allowed,
        )
        self.runner.begin()
        self.runner.prepare_or_raise()
        if into:
            self._stack.callback(_rebuild, journal.path, folder)

    def teardown(self) -> None:
        """Record the end and close everything."""
        try:
            if self.runner is not None:
                self.runner.end()
        finally:
            self._stack.close()

    def repr_failure(  # type: ignore[override]  # pytest's Collector narrows it so
        self, excinfo: pytest.ExceptionInfo[BaseException]
    ) -> Any:  # noqa: ANN401
        """A mistake in a file is a message, not a traceback."""
        if isinstance(excinfo.value, SlotproofError):
            return _in_words(excinfo.value)
        return super().repr_failure(excinfo)


def _rebuild(journal: Path, folder: Path) -> None:
    from harness.results.report import rebuild  # noqa: PLC0415

    rebuild(journal, folder)


@contextmanager
def _said_in_words() -> Generator[None]:
    """Turn an error of ours into a failure of pytest that shows its words alone."""
    try:
        yield
    except SlotproofError as error:
        pytest.fail(_in_words(error), pytrace=False)


def _in_words(error: BaseException) -> str:
    problems = getattr(error, "problems", None)
    if problems:
        return "\n".join(str(problem) for problem in problems)
    return str(error)


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
        self._step = step
        self._around = around

    def runtest(self) -> None:
        """Run the step on each device meant, as often as its ``repeat`` says."""
        from harness.plans.runner import StopRunError  # noqa: PLC0415
        from harness.records import Outcome  # noqa: PLC0415

        plan_file = self._plan_file
        if plan_file.stopped_by:
            pytest.skip(f"the run stopped at step {plan_file.stopped_by}")
        assert plan_file.runner is not None
        try:
            results = plan_file.runner.run_scattered(self._step, self._around)
        except StopRunError as stop:
            plan_file.stopped_by = self._step.id
            results = stop.results
        self._report(results)
        if any(r.outcome in {Outcome.FAILED, Outcome.ERROR} for r in results):
            raise StepFailedError(results)
        if results and all(r.outcome is Outcome.SKIPPED for r in results):
            pytest.skip(results[0].message)

    @property
    def _plan_file(self) -> PlanFile:
        assert isinstance(self.parent, PlanFile)
        return self.parent

    def _report(self, results: list[CheckResult]) -> None:
        lines = [line for result in results for line in _lines(result)]
        self.add_report_section("call", "measured", "\n".join(lines))

    def repr_failure(
        self,
        excinfo: pytest.ExceptionInfo[BaseException],
        style: Any = None,  # noqa: ANN401 - pytest's own
    ) -> Any:  # noqa: ANN401
        """Verdicts with values and hints instead of a traceback."""
        if isinstance(excinfo.value, StepFailedError):
            return "\n".join(
                line for result in excinfo.value.results for line in _lines(result)
            )
        if isinstance(excinfo.value, SlotproofError):
            return _in_words(excinfo.value)
        return super().repr_failure(excinfo, style)

    def reportinfo(self) -> tuple[Path, int, str]:
        """The step's place in the plan file."""
        # not the name itself: pytest would show the dot of 3.1 as a double colon
        return self.path, max(0, self._step.line - 1), f"step {self.name}"


def _lines(result: CheckResult) -> Generator[str]:
    from harness.results.wording import value_row  # noqa: PLC0415

    label = result.device.label if result.device else "bus"
    yield f"{result.outcome}: {label}" + (
        f": {result.message}" if result.message else ""
    )
    for measurement in result.measurements:
        yield f"    {value_row(measurement).line}"
    if result.hint:
        yield f"    first look: {result.hint}"
