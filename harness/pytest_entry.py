"""What pytest loads of slotproof: its options. The plugin itself follows when it is asked for.

The build maps this file to the top as ``slotproof_pytest``, a name of its own, and it
imports nothing of ``harness`` before a fixture is named: a repository with a package
``harness`` of its own runs its own tests whether slotproof is installed or not.
"""

from __future__ import annotations

import importlib

import pytest

_GROUP = "slotproof"
_PLUGIN = "harness.pytest_plugin"


def pytest_addoption(parser: pytest.Parser) -> None:
    """Add the options of the plugin."""
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
        "--slotproof-unit",
        metavar="NAME=VALUE",
        action="append",
        default=[],
        help="value of the unit for $unit.NAME in the plans; repeatable",
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


@pytest.hookimpl(tryfirst=True)
def pytest_configure(config: pytest.Config) -> None:
    """Bring the plugin in if a fixture is named.

    Raises:
        pytest.UsageError: another package of this name hides slotproof's.
    """
    if not config.getoption("--slotproof-fixture"):
        return
    try:
        plugin = importlib.import_module(_PLUGIN)
    except ImportError as cause:
        raise pytest.UsageError(
            f"slotproof cannot be used here: a package `harness` of this folder hides its own "
            f"({cause}) -> run the plan from another folder, or with `slotproof run`"
        ) from cause
    if not config.pluginmanager.is_registered(plugin):
        config.pluginmanager.register(plugin, "slotproof-plans")


@pytest.fixture(scope="session")
def slotproof_fixture() -> object:
    """The fixture file named by ``--slotproof-fixture``; without one the test is skipped."""
    pytest.skip("no --slotproof-fixture named")


@pytest.fixture
def bus(slotproof_fixture: object) -> object:
    """The fixture's bus, open; the plugin's own takes its place where a fixture is named."""
    return slotproof_fixture
