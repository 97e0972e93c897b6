"""Without the modules that only Unix has, everything but the tty server still works."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]

PROGRAM = """
import importlib, pkgutil, sys
from tests import without_unix
without_unix.mask()
import harness
failed = []
for module in pkgutil.walk_packages(harness.__path__, "harness."):
    if module.name.startswith("harness.examples") or module.name.endswith("__main__"):
        continue
    try:
        importlib.import_module(module.name)
    except ImportError as cause:
        failed.append(f"{module.name}: {cause}")
print("failed:", failed)
from click.testing import CliRunner
from harness.cli import app
run = ["run", "test_plans/serial_numbers.yaml", "--fixture", "fixtures/demo_bench.yaml",
       "--into", sys.argv[1], "-q"]
for words in (run, ["ports"], ["bench", "fixtures/demo_bench.yaml", "--tty"]):
    said = CliRunner().invoke(app, words)
    print(words[0], said.exit_code, said.exception)
"""


@pytest.mark.slow
def test_everything_but_the_tty(tmp_path: Path) -> None:
    """All modules import but one, a plan runs, and ``bench --tty`` says what to use instead."""
    said = subprocess.run(
        [sys.executable, "-c", PROGRAM, str(tmp_path / "r")],
        cwd=ROOT, capture_output=True, text=True, check=False,
    )  # fmt: skip
    lines = said.stdout.splitlines()
    assert lines[0] == (
        "failed: [\"harness.simulation.servers.tty: no module named 'fcntl' on this system\"]"
    ), said.stdout + said.stderr
    assert lines[1].startswith("run 0 ")
    assert lines[2].startswith("ports 0 ")
    assert "use --rfc2217 0" in lines[3]
