"""A supply of the tests, and a folder for marks that is not the user's."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from harness.instruments import marker
from tests.instruments.loopback import LoopbackSupply

pytest.importorskip("pyvisa")
pytest.importorskip("pyvisa_py")


@pytest.fixture(autouse=True)
def marks(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Where marks are kept during a test."""
    folder = tmp_path / "marks"
    monkeypatch.setenv(marker.STATE_VARIABLE, str(folder))
    return folder


@pytest.fixture
def supply() -> Iterator[LoopbackSupply]:
    """A supply that does as it should."""
    server = LoopbackSupply()
    yield server
    server.unplug()
