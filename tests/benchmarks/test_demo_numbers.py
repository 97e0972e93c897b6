"""How long each shipped demo takes: measured seconds of processor beside what is said.

``pytest -m benchmark tests/benchmarks/test_demo_numbers.py -s`` prints a row a demo; with
``-k short`` those of less than half a minute. Processor time, not wall time: it hardly
depends on what else a machine does. What a text promises is read from that text, so that
a row cannot go on standing beside a sentence that is gone.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
SLOTPROOF = Path(sys.executable).with_name("slotproof")

pytestmark = pytest.mark.benchmark


@dataclass(frozen=True, slots=True, kw_only=True)
class Demo:
    """A shipped demo.

    Attributes:
        words: what is typed.
        said_in: text that says how long it takes; empty if none does.
        said: pattern of the promise there; its group is the seconds.
        code: exit code of the demo.
    """

    words: str
    said_in: str = ""
    said: str = ""
    code: int = 0


DEMOS = {
    "short-run": Demo(
        words="run test_plans/incoming_thermometers.yaml --fixture fixtures/demo_bench.yaml",
        said_in="README.md",
        said=r"takes (\d+) s of processor",
    ),
    "short-diagnose": Demo(
        words="diagnose --fixture fixtures/ailing_bench.yaml", code=1
    ),
    "short-survey": Demo(words="survey --fixture fixtures/demo_bench.yaml"),
    "short-station": Demo(
        words="station --plan test_plans/unit_thermometer.yaml "
        "--fixture fixtures/station_left.yaml --fixture fixtures/station_right.yaml"
    ),
    "short-kinds": Demo(
        words="run test_plans/all_families.yaml --fixture fixtures/all_families.yaml",
        said_in="README.md",
        said=r"simulated kinds in (\d+) s of processor",
    ),
    "short-gauge": Demo(
        words="lot gauge fixtures/lot_gauge.csv --tolerance 1.0 --unit degC "
        "--accept-conditional"
    ),
    "long-soak": Demo(
        words="run test_plans/overnight_soak.yaml --fixture fixtures/demo_bench.yaml",
        said_in="test_plans/overnight_soak.yaml",
        said=r"takes (\d+) s of processor",
    ),
    "long-day": Demo(
        words="station --plan test_plans/lot_acceptance.yaml --lot 2026-11 "
        "--fixture fixtures/lot_left.yaml --fixture fixtures/lot_right.yaml",
        said_in="harness/commands/topics/station.txt",
        said=r"\((\d+) s of processor",
    ),
}


def _promised(demo: Demo) -> str:
    if not demo.said_in:
        return "nothing"
    found = re.search(demo.said, (ROOT / demo.said_in).read_text("utf-8"))
    assert found, f"{demo.said_in} says no longer {demo.said!r}"
    return f"{found[1]} s ({demo.said_in})"


@pytest.mark.parametrize("name", DEMOS)
def test_processor_time_of_a_demo(name: str, tmp_path: Path) -> None:
    """Runs as a user would, in a folder of its own; asserts its exit code alone."""
    demo = DEMOS[name]
    promised = _promised(demo)
    for kept in ("fixtures", "test_plans"):
        (tmp_path / kept).symlink_to(ROOT / kept)
    before = os.times()
    done = subprocess.run(
        [SLOTPROOF, *demo.words.split(), "--into", "here"],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=False,
    )
    after = os.times()
    took_s = (after.children_user - before.children_user) + (
        after.children_system - before.children_system
    )
    row = f"{name:<15} measured {took_s:6.1f} s of processor, said: {promised}"
    print(f"\n{row}")  # noqa: T201
    assert done.returncode == demo.code, done.stderr[-2000:]
