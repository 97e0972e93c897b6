"""Edges per second from VCD, samples per second from CSV, and peak memory.

Run with ``pytest -m benchmark tests/benchmarks/test_recording_numbers.py -s``. Each
measurement runs in a process of its own, so that the peak memory is its own. Counted is
the CPU time from opening the file to the record of what it shows, with what is loaded
for that (kinds of device, the reader of columns); pictures and page are not.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from tests.recordings.traces import DATA

pytestmark = pytest.mark.benchmark

EDGES, SAMPLES = 10_000_000, 10_000_000

_MEASURE = """
import resource, sys, time
from pathlib import Path
from harness.recordings.reading.opening import open_recording
from harness.recordings.trace import RecordingTracer
begin = time.process_time()
source = open_recording(Path(sys.argv[1]))
trace = RecordingTracer(source).run()
spent = time.process_time() - begin
peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
print(trace.edges, trace.slots, trace.transaction_count, trace.wrong_count, spent, peak)
"""


def _measured(path: Path) -> list[float]:
    done = subprocess.run(
        [sys.executable, "-c", _MEASURE, str(path)],
        capture_output=True,
        text=True,
        check=True,
    )
    return [float(word) for word in done.stdout.split()]


def _repeated(path: Path, edges: int) -> int:
    """The recording of two thermometers again and again, as one file; its edges."""
    text = (DATA / "two_thermometers_28h.vcd").read_text()
    head, body = text.split("$enddefinitions $end\n")
    changes, now = [], 0
    for word in body.split():
        if word[0] == "#":
            now = int(word[1:])
        elif word in {"0!", "1!"}:
            changes.append((now, word))
    count = -(-edges // len(changes))
    with path.open("w") as file:
        file.write(f"{head}$enddefinitions $end\n")
        for n in range(count):
            at = n * 2_000_000
            file.write("".join(f"#{t + at}\n{word}\n" for t, word in changes))
    return count * len(changes)


def test_edges_a_second(tmp_path: Path) -> None:
    print("\nVCD, decoded and judged: edges, MB, edges/s on one core, peak MB")  # noqa: T201
    for edges in (EDGES // 10, EDGES):
        path = tmp_path / "long.vcd"
        _repeated(path, edges)
        found, slots, _, wrong, spent, peak = _measured(path)
        size = path.stat().st_size / 1e6
        print(f"{found:12.0f} {size:8.0f} {found / spent:12.0f} {peak:8.0f}")  # noqa: T201
        assert (found > edges * 0.99, slots > edges * 0.49, wrong) == (True, True, 0)
        path.unlink()


def test_samples_a_second(tmp_path: Path) -> None:
    print("\nCSV, decoded and judged: samples, MB, samples/s on one core, peak MB")  # noqa: T201
    rows = (DATA / "octal_switch_29h_write.csv").read_text().split("\n")[1:]
    volts = [row.split(",")[1] for row in rows if row]
    for samples in (SAMPLES // 10, SAMPLES):
        path = tmp_path / "long.csv"
        with path.open("w") as file:
            file.write("time_s,volt\n")
            for n in range(samples // len(volts)):
                at = n * len(volts)
                file.write(
                    "".join(f"{(at + i) * 2e-6:.6f},{v}\n" for i, v in enumerate(volts))
                )
        _, slots, _, _, spent, peak = _measured(path)
        size = path.stat().st_size / 1e6
        print(f"{samples:12.0f} {size:8.0f} {samples / spent:12.0f} {peak:8.0f}")  # noqa: T201
        assert slots == 40 * (samples // len(volts))
        path.unlink()
