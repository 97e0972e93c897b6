"""The end of each typical command, letter by letter: a change is seen and reviewed.

The screens come from journals and files that are kept, so none of them costs a run.
To take a changed screen over: ``SLOTPROOF_GOLDEN=write pytest tests/screens``, then read
the difference.
"""

from __future__ import annotations

import os
import re
import shutil
from dataclasses import dataclass
from pathlib import Path

import pytest
from click.testing import CliRunner

from harness.cli import app

ROOT = Path(__file__).parents[2]
GOLDEN = Path(__file__).parent / "golden"
KEPT = ROOT / "tests/old_journals"

MOST_COLUMNS = 40

pytestmark = pytest.mark.filterwarnings("ignore::harness.old_names.RenamedName")


@dataclass(frozen=True, slots=True, kw_only=True)
class Screen:
    """A command, its exit code, and how many lines it may print."""

    words: tuple[str, ...]
    code: int
    most_lines: int = 60


SCREENS = {
    "passed": Screen(words=("report", "passed_run"), code=0, most_lines=25),
    "failed": Screen(words=("report", "failed_run"), code=1, most_lines=35),
    "error_soak": Screen(words=("report", "cut_soak"), code=3),
    "all_kinds": Screen(words=("report", "all_families"), code=0),
    "survey": Screen(words=("report", "survey"), code=0),
    "diagnosis": Screen(words=("report", "diagnosis"), code=1),
    "station": Screen(words=("report", "shift"), code=0, most_lines=12),
    "lot": Screen(
        words=(
            "lot", "golden", "fixtures/lot_golden.csv", "--quantity", "temperature",
            "--reference", "21.00", "--tolerance", "1.0", "--into", "lot",
        ),
        code=0,
    ),
    "trace": Screen(
        words=("trace", "recordings/octal_switch_29h_read.vcd", "--into", "trace"),
        code=0,
    ),
    "check": Screen(
        words=("check", "test_plans/serial_numbers.yaml", "fixtures/demo_bench.yaml"),
        code=0,
    ),
    "quiet": Screen(words=("report", "failed_run", "-q"), code=1, most_lines=2),
}  # fmt: skip


@pytest.fixture
def there(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with the journals, recordings and files that the commands name."""
    for kept in KEPT.iterdir():
        if kept.is_dir():
            shutil.copytree(kept, tmp_path / kept.name)
    for name in ("fixtures", "test_plans"):
        (tmp_path / name).symlink_to(ROOT / name)
    (tmp_path / "recordings").symlink_to(ROOT / "tests/recordings/data")
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("NO_COLOR", "1")
    return tmp_path


def _shown(screen: Screen) -> str:
    result = CliRunner().invoke(app, list(screen.words))
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    assert result.exit_code == screen.code, result.output
    # what differs from day to day: the time at which something was made
    return re.sub(r"\d{4}-\d\d-\d\d \d\d:\d\d:\d\d UTC", "DATE UTC", result.stdout)


@pytest.mark.parametrize("name", SCREENS)
@pytest.mark.usefixtures("there")
def test_a_screen_is_as_it_was_reviewed(name: str) -> None:
    """Letter by letter, in so many lines, plain ASCII, no line twice."""
    screen = SCREENS[name]
    shown = _shown(screen)
    kept = GOLDEN / f"{name}.txt"
    if os.environ.get("SLOTPROOF_GOLDEN") == "write":
        kept.write_text(shown, "utf-8")
    assert shown == kept.read_text("utf-8")
    lines = [line for line in shown.splitlines() if line.strip()]
    assert len(lines) <= screen.most_lines
    assert shown.isascii()
    said = [line for line in lines if len(line.split()) > 4]
    assert len(said) == len(set(said))


@pytest.mark.parametrize(
    "name",
    [
        "passed",
        "failed",
        "quiet",
        "diagnosis",
        "survey",
        "lot",
        "station",
        "check",
        "trace",
    ],
)
@pytest.mark.usefixtures("there")
def test_a_narrow_window_loses_nothing(
    name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """In 40 columns no line of a terminal is wider, and each word is still there."""
    whole = _shown(SCREENS[name])
    if "--into" in SCREENS[name].words:  # an answer is never overwritten
        shutil.rmtree(SCREENS[name].words[-1])
    monkeypatch.setenv("COLUMNS", str(MOST_COLUMNS))
    monkeypatch.setenv("FORCE_COLOR", "1")  # taken for a terminal
    monkeypatch.setenv("TERM", "dumb")
    shown = re.sub(r"\x1b\[[0-9;]*m", "", _shown(SCREENS[name]))
    results = [line for line in shown.splitlines() if not line.startswith("results: ")]
    simulated = [line for line in results if not line.startswith("SIMULATED bench")]
    assert max(map(len, simulated)) <= MOST_COLUMNS
    assert shown.split() == whole.split()


@pytest.mark.parametrize("name", ["passed", "failed", "error_soak"])
@pytest.mark.usefixtures("there")
def test_a_simulated_bench_says_so_first_and_last(name: str) -> None:
    """Nobody takes a rehearsal for a verdict on real devices."""
    first, *_, last = _shown(SCREENS[name]).splitlines()
    assert "SIMULATED" in first
    assert last.startswith("SIMULATED")
