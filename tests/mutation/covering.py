"""A pytest plugin that writes down which test ran which line, and how long it took.

Lines that run while a module is imported, or in a fixture that several tests share, belong
to no test; they are listed as run outside of tests. Caches of the product are emptied
before each test, so that a line is seen to run in every test that depends on it.
"""

from __future__ import annotations

import json
import os
import time
from collections.abc import Iterator
from pathlib import Path

import coverage
import pytest

from tests.mutation.live import forget

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
    forget()
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
    lines, outside = {}, {}
    for file in data.measured_files():
        by_line = data.contexts_by_lineno(file)
        path = str(Path(file).relative_to(root))
        lines[path] = {
            line: [name for name in names if name in _took]
            for line, names in by_line.items()
        }
        outside[path] = [
            line for line, names in by_line.items() if not set(names) <= set(_took)
        ]
    target = Path(os.environ["SLOTPROOF_COVERING"])
    found = {"took_s": _took, "lines": lines, "outside": outside}
    target.write_text(json.dumps(found), "utf-8")
