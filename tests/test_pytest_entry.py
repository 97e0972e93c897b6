"""What pytest loads of slotproof keeps out of the way until a fixture is named."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

ENTRY = Path(__file__).parents[1] / "harness" / "pytest_entry.py"


def test_entry_imports_nothing_of_ours() -> None:
    """The module imports pytest and the standard library only."""
    tree = ast.parse(ENTRY.read_text("utf-8"))
    names = {
        name.partition(".")[0]
        for node in ast.walk(tree)
        for name in (
            [alias.name for alias in node.names] if isinstance(node, ast.Import)
            else [node.module or ""] if isinstance(node, ast.ImportFrom) else []
        )
    }  # fmt: skip
    assert names == {"__future__", "importlib", "pytest"}


@pytest.fixture
def repository(tmp_path: Path) -> Path:
    """A repository with a package ``harness`` of its own and a test of it."""
    (tmp_path / "harness").mkdir()
    (tmp_path / "harness/__init__.py").write_text("ANSWER = 42\n")
    (tmp_path / "test_it.py").write_text(
        "import harness\n\n\ndef test_it():\n    assert harness.ANSWER == 42\n"
    )
    (tmp_path / "fixture.yaml").write_text("fixture: x\n")
    return tmp_path


def _pytest(folder: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "pytest", "-p", "no:cacheprovider", *arguments]
    return subprocess.run(
        command, cwd=folder, capture_output=True, text=True, check=False
    )


@pytest.mark.slow
def test_a_repository_with_its_own_harness(repository: Path) -> None:
    """It runs its tests as if slotproof were not there; a named fixture is refused in words."""
    plain = _pytest(repository, "test_it.py")
    assert plain.returncode == 0, plain.stdout + plain.stderr
    named = _pytest(repository, "--slotproof-fixture=fixture.yaml", "test_it.py")
    assert named.returncode == pytest.ExitCode.USAGE_ERROR
    assert "hides its own" in named.stderr
    assert "Traceback" not in named.stderr
