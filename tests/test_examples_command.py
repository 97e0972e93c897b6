"""`slotproof examples`: what comes with slotproof, laid out once."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner

from harness.cli import app
from harness.errors import UsageError

ROOT = Path(__file__).parents[1]


def _files(folder: Path) -> dict[str, bytes]:
    """Every file below a folder."""
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in folder.rglob("*")
        if path.is_file()
    }


def test_all_plans_and_fixtures(tmp_path: Path) -> None:
    """Every plan and fixture of the repository is laid out, byte for byte."""
    said = CliRunner().invoke(app, ["examples", "--into", str(tmp_path / "bench")])
    assert said.exit_code == 0, said.output
    for folder in ("test_plans", "fixtures"):
        made = _files(tmp_path / "bench" / folder)
        assert made == _files(ROOT / folder)


def test_never_over_what_is_there(tmp_path: Path) -> None:
    """One file that stands there refuses all of it: it may have been changed."""
    (tmp_path / "fixtures").mkdir()
    (tmp_path / "fixtures/demo_bench.yaml").write_text("mine")
    said = CliRunner().invoke(app, ["examples", "--into", str(tmp_path)])
    assert isinstance(said.exception, UsageError)
    assert (tmp_path / "fixtures/demo_bench.yaml").read_text() == "mine"
    assert not (tmp_path / "test_plans").exists()


def test_a_folder_that_cannot_be(tmp_path: Path) -> None:
    """A file in the way is told in words."""
    (tmp_path / "bench").write_text("a file")
    said = CliRunner().invoke(app, ["examples", "--into", str(tmp_path / "bench")])
    assert isinstance(said.exception, UsageError)
    assert "cannot be written" in str(said.exception)


@pytest.mark.parametrize("key", ["test_plans", "fixtures"])
def test_the_wheel_ships_them(key: str) -> None:
    """The build maps both folders into the package."""
    text = (ROOT / "pyproject.toml").read_text("utf-8")
    assert f'"{key}" = "harness/examples/{key}"' in text
