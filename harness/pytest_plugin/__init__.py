"""pytest plugin: plans as test items, and a ``bus`` fixture for Python tests.

    pytest test_plans/incoming_thermometers.yaml --slotproof-fixture fixtures/demo_bench.yaml

Each leaf step is one item, so ``-k`` selects and ``--junitxml`` reports it. Steps
inside a ``for_each`` run on every device meant, ``repeat`` as often as it says.
``harness.pytest_entry`` has the options and brings this in once a fixture is named.

A bench is one place: the items of a plan run one after the other in its order and in
one process, whatever shuffles or spreads the others. What a selected step needs of one
that is left out is made up for and noted, or the step is an error that names it.
"""

from __future__ import annotations

from collections.abc import Generator, Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import pytest

from harness.driver.bus import Bus
from harness.errors import SlotproofError
from harness.plans.execution.connection import connect
from harness.plans.loading.files import load_fixture
from harness.plans.schema.files import Fixture
from harness.pytest_plugin.items import PlanFile, StepFailedError, StepTest
from harness.pytest_plugin.order import in_order, one_bench_scheduler, refuse_each
from harness.pytest_plugin.words import said_in_words


def pytest_collect_file(
    file_path: Path, parent: pytest.Collector
) -> pytest.Collector | None:
    """Collect a plan file if a fixture is named."""
    if file_path.suffix not in {".yaml", ".yml"}:
        return None
    return PlanFile.from_parent(parent, path=file_path)


def pytest_configure(config: pytest.Config) -> None:
    """Refuse what one bench cannot bear, and an installation of before the options moved."""
    if not config.getoption("--slotproof-fixture", default=None):
        raise pytest.UsageError(
            "slotproof was installed before its pytest options moved -> install it again "
            "(pip install -e . in a working copy)"
        )
    refuse_each(config)


@pytest.hookimpl(optionalhook=True, tryfirst=True)
def pytest_xdist_make_scheduler(
    config: pytest.Config,
    log: Any,  # noqa: ANN401 - of xdist
) -> Any:  # noqa: ANN401
    """Keep a bench on one worker where xdist spreads tests over several."""
    return one_bench_scheduler(config, log)


@pytest.hookimpl(tryfirst=True)
def pytest_collection_finish(session: pytest.Session) -> None:
    """Put each plan's items in its order, and tell it which of them are left out."""
    session.items[:] = in_order(session.items)
    chosen: dict[PlanFile, set[str]] = {}
    for item in session.items:
        if isinstance(item, StepTest):
            chosen.setdefault(item.plan_file, set()).add(item.step.id)
    for plan_file, steps in chosen.items():
        plan_file.choose(steps)


def pytest_report_collectionfinish(items: list[pytest.Item]) -> list[str]:
    """Say of each plan that is not run whole what that means."""
    plans = dict.fromkeys(i.plan_file for i in items if isinstance(i, StepTest))
    return [line for plan in plans for line in plan.choice_lines]


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(
    item: pytest.Item, call: pytest.CallInfo[None]
) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """A step that could not tell is an error, as a failed setup is, and no failure.

    Its headline names the devices.
    """
    report = yield
    error = call.excinfo.value if call.excinfo else None
    if isinstance(item, StepTest) and isinstance(error, SlotproofError):
        report.when = "setup"
    if isinstance(error, StepFailedError):
        if error.could_not_tell:
            report.when = "setup"
        path, line, domain = report.location
        report.location = (path, line, f"{domain}: {error.who}")
    return report


@pytest.fixture(scope="session")
def slotproof_fixture(request: pytest.FixtureRequest) -> Fixture:
    """The fixture file named by ``--slotproof-fixture``, loaded."""
    path = request.config.getoption("--slotproof-fixture")
    with said_in_words():
        return load_fixture(path)


@pytest.fixture
def bus(slotproof_fixture: Fixture) -> Iterator[Bus]:
    """The fixture's bus, open, its adapter proved; left safe afterwards."""
    with ExitStack() as stack:
        with said_in_words():
            opened = stack.enter_context(connect(slotproof_fixture))
            opened.prove()
        yield opened
