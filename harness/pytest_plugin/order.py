"""The order of a plan's items, and the one process that they run in.

A bench is one place: its port is open once, and what a step needs was set by the steps
before it.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import pytest

from harness.errors import SlotproofError
from harness.plans.loading.files import load_fixture
from harness.pytest_plugin.items import PlanFile, StepTest

_GROUP = "slotproof-bench"


def in_order(items: Iterable[pytest.Item]) -> list[pytest.Item]:
    """Items with those of each plan together and in its order, where its first stood."""
    items = list(items)
    steps: dict[PlanFile, list[StepTest]] = {}
    for item in items:
        if isinstance(item, StepTest):
            steps.setdefault(item.plan_file, []).append(item)
    ordered: list[pytest.Item] = []
    for item in items:
        if not isinstance(item, StepTest):
            ordered.append(item)
            continue
        whole = steps.pop(item.plan_file, [])
        whole.sort(key=lambda step: step.place)
        ordered += whole
    return ordered


def refuse_each(config: pytest.Config) -> None:
    """Refuse to run every test in every worker of xdist, which one bench cannot bear.

    Raises:
        pytest.UsageError: that is asked for.
    """
    if getattr(config.option, "dist", "no") == "each":
        raise pytest.UsageError(
            "slotproof: --dist each runs every test in every worker, and there is one "
            "bench: leave it out"
        )


def one_bench_scheduler(config: pytest.Config, log: Any) -> Any:  # noqa: ANN401 - of xdist
    """A scheduler of xdist that keeps the steps of plans on one worker.

    Everything goes there where the port is a real one, for tests with the ``bus``
    fixture open it too. A simulated bench is one in each process.
    """
    from xdist.scheduler import LoadGroupScheduling  # noqa: PLC0415 - where xdist is installed

    all_of_it = not _is_simulated(config)

    scheduler = LoadGroupScheduling(config, log)
    scope_of = scheduler._split_scope

    def of_the_bench(nodeid: str) -> str:
        # a plan outside of pytest's root folder has no file in its node ID
        file = nodeid.partition("::")[0]
        plan = not file or file.endswith((".yaml", ".yml"))
        return _GROUP if all_of_it or plan else str(scope_of(nodeid))

    scheduler._split_scope = of_the_bench
    return scheduler


def _is_simulated(config: pytest.Config) -> bool:
    try:
        fixture = load_fixture(config.getoption("--slotproof-fixture"))
    except SlotproofError:
        return True  # told by the items, and nothing is opened
    return fixture.adapter.port.startswith("sim://")
