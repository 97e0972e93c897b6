"""A pytest plugin that writes down which test ran which line, and how long it took.

Lines that run while a module is imported belong to no test; they are taken as run by
every test that runs any line of that module.
"""

from __future__ import annotations

import json
import os
import time
from collections.abc import Iterator
from pathlib import Path

import coverage
import pytest

_cov = coverage.Coverage(
    data_file=None, include=[f"{os.environ['SLOTPROOF_COVERED']}/*"]
)
_took: dict[str, float] = {}


def pytest_configure() -> None:
    """Starts with the imports of the tests."""
    _cov.start()


@pytest.hookimpl(wrapper=True)
def pytest_runtest_protocol(item: pytest.Item) -> Iterator[None]:
    """Each test is a context of its own."""
    _cov.switch_context(item.nodeid)
    before = time.process_time()
    yield
    _took[item.nodeid] = time.process_time() - before
    _cov.switch_context("between")


def pytest_unconfigure() -> None:
    """Writes the file that `SLOTPROOF_COVERING` names."""
    _cov.stop()
    data = _cov.get_data()
    root = Path.cwd()
    lines = {}
    for file in data.measured_files():
        by_line = data.contexts_by_lineno(file)
        lines[str(Path(file).relative_to(root))] = {
            line: [name for name in names if name in _took]
            for line, names in by_line.items()
        }
    target = Path(os.environ["SLOTPROOF_COVERING"])
    target.write_text(json.dumps({"took_s": _took, "lines": lines}), "utf-8")
