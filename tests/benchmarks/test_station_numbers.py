"""Cycle time of a thermometer unit beside what the bus alone would need.

Run with ``pytest -m benchmark tests/benchmarks/test_station_numbers.py -s``.
"""

from __future__ import annotations

from pathlib import Path
from time import perf_counter
from typing import Any

import pytest
import yaml
from rich.console import Console

from harness.plans.loading.files import load_fixture, load_plan
from harness.results.journal.writer import read_events
from harness.station.setup import Orders, ready

pytestmark = pytest.mark.benchmark

ROOT = Path(__file__).parents[2]
SLOT_US, RESET_US = 65.0, 960.0
"""Fastest published slot (15.4 kbit/s) and shortest reset; source: part DS2431, p. 3."""

CONVERSION_MS = 600.0
COPY_S = 0.010
"""EEPROM copy of family 28h, and recall as long; source: its data sheet, AC table."""

UNITS = 20


def shift(tmp_path: Path, latency_ms: int) -> tuple[list[dict[str, Any]], float]:
    """First and last event of each unit's run, and the real time of it all."""
    data = yaml.safe_load((ROOT / "fixtures/station_left.yaml").read_text())
    data["simulation"] |= {
        "adapter": {"latency_ms": latency_ms},
        "devices": [
            {"family": 0x28, "serial": n, "conversion_ms": CONVERSION_MS, "temperature_degc": 21.0}
            for n in range(1, UNITS + 1)
        ],
        "feed": [{"serial": f"CS-{n:06d}", "devices": [n]} for n in range(1, UNITS + 1)],
    }  # fmt: skip
    path = tmp_path / f"place-{latency_ms}.yaml"
    path.write_text(yaml.safe_dump(data), encoding="utf-8")
    orders = Orders(
        plan=load_plan(ROOT / "test_plans/unit_thermometer.yaml"),
        fixtures=(load_fixture(path),),
        folder=tmp_path / f"results-{latency_ms}" / "shift",
        ledger=str(tmp_path / f"ledger-{latency_ms}.sqlite"),
        serials="scan",
        station="bench",
    )
    began = perf_counter()
    with ready(orders, Console(quiet=True)) as made:
        end = made.shift.run()
    took_s = perf_counter() - began
    assert end.counts.passed == UNITS
    journals = sorted(orders.folder.glob("*/journal.jsonl"))
    ends = [list(read_events(journal))[-1] for journal in journals]
    return ends, took_s


def test_cycle_time(tmp_path: Path) -> None:
    """From the first reset to the verdict, by the latency of the adapter."""
    minimum_s = 0.0
    print(f"\nthermometer unit, conversion {CONVERSION_MS:.0f} ms")  # noqa: T201
    for latency_ms in (1, 16):
        ends, took_s = shift(tmp_path, latency_ms)
        traffic = ends[0]["traffic"]
        later = ends[1]["traffic"]
        resets = later["resets"] - traffic["resets"]
        slots = later["slots"] - traffic["slots"] - resets
        bus_s = (resets * RESET_US + slots * SLOT_US) * 1e-6
        minimum_s = bus_s + CONVERSION_MS * 1e-3 + 2 * COPY_S
        cycle_s = sum(e["t_s"] for e in ends[1:]) / (UNITS - 1)
        print(  # noqa: T201
            f"  latency {latency_ms:>2} ms: verdict after {cycle_s:.3f} s, bus-limited "
            f"{minimum_s:.3f} s (traffic {bus_s * 1e3:.0f} ms with polls while it waits), "
            f"{cycle_s / minimum_s:.2f} times; {took_s / UNITS * 1e3:.0f} ms of real time "
            "a unit, simulation included"
        )
