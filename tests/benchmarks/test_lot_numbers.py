"""Tables of the lot commands: coverage of intervals, false alarms, time and memory."""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from harness.quality.charts.kinds import ChartKind, ChartPlan, panels
from harness.quality.gauges.gauge import GaugeReading, gauge_study
from tests.benchmark_size import chance as chance_of
from tests.benchmark_size import wanted

pytestmark = pytest.mark.benchmark

STUDIES = wanted("STUDIES", 300)
"""Simulated studies a row; a share of 95 % is then known within 2.5 % (two sigma)."""

GAUGES = [
    (size, spread)
    for size in ((10, 2, 3), (10, 3, 3), (5, 2, 2))
    for spread in ((1.0, 0.0, 0.0), (1.0, 0.0, 1.0), (1.0, 0.5, 0.5), (1.0, 1.0, 2.0))
]


def _cube(
    chance: np.random.Generator, size: tuple[int, int, int], spread: tuple[float, ...]
) -> np.ndarray:
    """A study of normal parts (deviation 5), fixed stations, interaction and repeats."""
    parts, stations, _ = size
    repeat, mixed, apart = spread
    effects = np.linspace(-1, 1, stations)
    effects *= apart / effects.std(ddof=1)
    cells = (
        5 * chance.normal(size=(parts, 1, 1))
        + effects[None, :, None]
        + mixed * chance.normal(size=(parts, stations, 1))
    )
    return cells + repeat * chance.normal(size=size)


def test_gauge_intervals_cover() -> None:
    """How often the true deviation, share and number of categories lie inside; nominal 95 %."""
    print("\nparts x stations x repeats, repeat/interaction/stations: gauge >= low, gauge <= high, "  # noqa: T201
          "share >= low, share <= high, ndc >= low")  # fmt: skip
    for size, spread in GAUGES:
        chance = chance_of(17)
        gauge = float(np.hypot(np.hypot(*spread[:2]), spread[2]))
        share = gauge / float(np.hypot(gauge, 5))
        held = np.zeros(5)
        for _ in range(STUDIES):
            cube = _cube(chance, size, spread)
            found = gauge_study([
                GaugeReading(part=str(p), station=str(s), value=float(cube[p, s, r]))
                for p, s, r in np.ndindex(cube.shape)
            ]).interval  # fmt: skip
            held += (
                found.low <= gauge,
                gauge <= found.high,
                found.of_total_low <= share,
                share <= found.of_total_high,
                found.classes_low <= 1.41 * 5 / gauge,
            )
        shares = held / STUDIES
        print(f"{size} {spread}: " + "  ".join(f"{100 * h:5.1f}" for h in shares))  # noqa: T201
        # 95 % less four standard errors
        assert shares.min() >= 0.95 - 4 * (0.95 * 0.05 / STUDIES) ** 0.5


CHARTS = wanted("CHARTS", 1000)
"""Sound lists a row; a share of 1 % is then known within 0.6 % (two sigma)."""


@pytest.mark.parametrize("kind", ChartKind)
@pytest.mark.parametrize("shift", [0.0, 2.0, 5.0])
def test_chart_verdicts(kind: ChartKind, shift: float) -> None:
    """How often 100 readings are said to have changed: sound ones, and after a shift (sigmas)."""
    count = CHARTS if shift == 0 else CHARTS // 5
    changed = 0
    chance = chance_of(21, round(shift))
    for _ in range(count):
        values = chance.normal(size=100)
        values[60:] += shift
        found = panels(values.tolist(), ChartPlan(kind=kind))
        changed += any(panel.judgement.is_more_than_chance for panel in found)
    print(f"\n{kind:<12} shift {shift:g}: {100 * changed / count:5.1f} % of {count}")  # noqa: T201
    if shift == 0:
        # nominal 1 % a chart and two charts, and three standard errors
        assert changed / count <= 0.02 + 3 * (0.02 * 0.98 / count) ** 0.5


ROWS = wanted("ROWS", 1_000_000)

LARGE: dict[str, tuple[str, ...]] = {
    "capability": ("capability", "one.csv", "-q", "t", "--low", "24", "--high", "26"),
    "compare": (
        "compare", "--baseline", "one.csv", "--candidate", "two.csv", "-q", "t",
        "--margin", "0.01", "--low", "24", "--high", "26",
    ),
    "chart": ("chart", "one.csv", "-q", "t"),
    "chart xbar-r": ("chart", "one.csv", "-q", "t", "--kind", "xbar-r"),
    "chart ewma": ("chart", "one.csv", "-q", "t", "--kind", "ewma"),
    "golden": ("golden", "same.csv", "-q", "t", "--reference", "25", "--tolerance", "2"),
    "bias": ("bias", "same.csv", "-q", "t", "--reference", "25", "--margin", "0.1"),
    "stability": ("stability", "same.csv", "-q", "t"),
    "gauge": ("gauge", "study.csv", "--tolerance", "3"),
    "linearity": ("linearity", "known.csv", "--margin", "0.2"),
}  # fmt: skip


@pytest.fixture(scope="module")
def large(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Invented files of so many rows: two lots (so many rows each), one unit, studies."""
    folder = tmp_path_factory.mktemp("large")
    chance = chance_of(1)
    values = 25 + 0.1 * chance.normal(size=ROWS)

    def write(name: str, head: str, rows: Iterator[str]) -> None:
        (folder / name).write_text("\n".join([head, *rows, ""]), "ascii")

    numbered = list(enumerate(values.tolist()))
    write("one.csv", "device,value", (f"A{n:07d},{v:.4f}" for n, v in numbered))
    write("two.csv", "device,value", (f"B{n:07d},{v:.4f}" for n, v in numbered))
    write("same.csv", "device,value", (f"G,{v:.4f}" for _, v in numbered))
    write("study.csv", "part,station,value",
          (f"p{n // 10},s{n // 2 % 5},{n // 10 % 97 / 50 + v / 10:.4f}" for n, v in numbered))  # fmt: skip
    write("known.csv", "reference,value",
          (f"{n % 5},{n % 5 + v - 25:.4f}" for n, v in numbered))  # fmt: skip
    return folder


@pytest.mark.parametrize("command", LARGE)
def test_a_million_rows(large: Path, command: str) -> None:
    """Time and memory of each command, for ``ROWS`` rows a file; compare reads two files.

    Twenty seconds and a gigabyte are wanted on a machine with nothing else to do; time is
    printed and not judged, for others may use the machine.
    """
    script = (
        "import resource, sys\nfrom harness import cli\n"
        "code = 0\ntry:\n    cli.main()\nexcept SystemExit as ended:\n    code = ended.code\n"
        "used = resource.getrusage(resource.RUSAGE_SELF)\n"
        "print('USED', code, used.ru_utime + used.ru_stime, used.ru_maxrss / 1024)\n"
    )
    started = time.perf_counter()
    done = subprocess.run(
        [sys.executable, "-c", script, "lot", *LARGE[command]],
        capture_output=True, text=True, check=True, cwd=large,
    )  # fmt: skip
    took_s = time.perf_counter() - started
    code, cpu_s, peak_mb = (
        float(word) for word in done.stdout.split("USED")[1].split()
    )
    print(  # noqa: T201
        f"\n{command:<14} {ROWS} rows: {took_s:6.1f} s, processor {cpu_s:6.1f} s, peak {peak_mb:5.0f} MB"
    )
    assert code in {0, 1}
    assert peak_mb < 1000
