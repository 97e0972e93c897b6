"""Known outcomes are what the exact engine would do, under faults too."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from harness.simulation.servers.bench import Bench
from harness.simulation.servers.port import SimulatedPort
from harness.simulation.settings.bench import bench_settings

DEVICES = [
    {"family": 0x28, "serial": 3, "socket": "A1"},
    {"family": 0x28, "serial": 20, "socket": "A2", "threshold_low_v": 1.9},
    {"family": 0x10, "serial": 37, "socket": "A3", "supply": "parasite"},
    {"family": 0x2D, "serial": 7, "socket": "A4"},
]

NOW_AND_THEN = {"at_s": 0.03, "for_s": 0.02, "every_s": 0.05}

FAULTS: list[dict[str, Any]] = [
    {"kind": "ground-lift", "side": "devices", "ohm": 10, **NOW_AND_THEN},
    {"kind": "ground-lift", "side": "devices", "device": "A1", **NOW_AND_THEN},
    {"kind": "ground-lift", "side": "adapter", "ohm": 10, **NOW_AND_THEN},
    {"kind": "lifted-low", "low_v": 0.5, **NOW_AND_THEN},
    {"kind": "leakage", "per_device_ua": 20},
    {"kind": "branch-dips", "device": "A2", "probability": 0.05},
    {"kind": "damaged-command", "probability": 0.5},
    {
        "kind": "supply-dip",
        "device": "A1",
        "for_s": 0.003,
        "when": {"command": 0x44, "wait_ms": 20},
    },
    {"kind": "supply-dip", "to_v": 1, "for_s": 0.003, "when": {"command": 0xBE}},
    {"kind": "supply-lead-open", "device": "A1", "at_s": 0.1, "for_s": 0.1},
    {"kind": "receiver-inverted", **NOW_AND_THEN},
    {"kind": "push-pull-output", **NOW_AND_THEN},
    {"kind": "wrong-baud", "error_percent": 4, **NOW_AND_THEN},
    {"kind": "host-gaps", "probability": 0.3},
    {"kind": "doubled-echo", "at_s": 0.1, "for_s": 0.1},
    {"kind": "other-master", "period_s": 0.1},
    {"kind": "signalling-part", "period_s": 0.15},
    {"kind": "stretched-reset", "device": "A2", "low_us": 1500},
    {"kind": "hot-plugging", "device": "A3", "at_s": 0.12},
    {"kind": "left-in-overdrive", "device": "A4", "at_s": 0.05},
    {"kind": "buffer-overrun", "mean_gap_ms": 20},
    {"kind": "power-blink"},
]


POWERED = [{**device, "supply": "external"} for device in DEVICES]


def _slots(data: bytes) -> bytes:
    return bytes(
        0xFF if byte >> place & 1 else 0x00 for byte in data for place in range(8)
    )


def _play(
    fault: dict[str, Any], *, shortcuts: bool, recording: Path | None = None
) -> tuple[list[Any], int]:
    mounted = DEVICES if recording is None else POWERED
    simulation = {"seed": 5, "devices": mounted, "faults": [fault]}
    line = {"pull_up_ohm": 2200, "cable_m": 5}
    bench = Bench(bench_settings({"line": line, "simulation": simulation}))
    bench.core.shortcuts_allowed = shortcuts
    if recording is not None:
        bench.record_line(recording)
    port = SimulatedPort.for_bench(bench, timeout_s=0.02)
    course: list[Any] = []
    commands = {b"\xcc\x44": 4, b"\xcc\xbe": 72, b"\xf0": 40, b"\xcc\xb4": 3}
    for _ in range(3):
        for command, reads in commands.items():
            for baud, frames in (
                (7200, b"\xf8"),
                (142_857, _slots(command) + b"\xff" * reads),
            ):
                port.baudrate = baud
                port.write(frames)
                course.append(port.read(len(frames) + 3))
            port.clock.sleep(0.01)
            devices = [station.device for station in bench.stations]
            course.append(
                (
                    port.clock.now_us,
                    [bytes(getattr(each, "scratchpad", b"")) for each in devices],
                    [station.pin.phase for station in bench.stations],
                    [each.level() for each in devices],
                )
            )
    if recording is not None:
        port.close()
    return course, bench.core.worked_out


@pytest.mark.slow
@pytest.mark.parametrize("fault", FAULTS, ids=lambda fault: str(fault["kind"]))
def test_faults_agree_with_the_exact_engine(fault: dict[str, Any]) -> None:
    """Echoes, times and device states are the same with and without shortcuts."""
    quick, exact = _play(fault, shortcuts=True), _play(fault, shortcuts=False)
    assert quick[0] == exact[0]


@pytest.mark.slow
@pytest.mark.parametrize("fault", FAULTS, ids=lambda fault: str(fault["kind"]))
def test_the_line_is_recorded_alike_under_faults(
    fault: dict[str, Any], tmp_path: Path
) -> None:
    """Byte by byte the same recording with and without shortcuts.

    All devices have a supply lead: when a parasite device runs dry depends on its charge,
    for which shortcuts keep the account of the emptiest only.
    """
    quick, exact = tmp_path / "quick.vcd", tmp_path / "exact.vcd"
    _play(fault, shortcuts=True, recording=quick)
    _play(fault, shortcuts=False, recording=exact)
    assert quick.read_bytes() == exact.read_bytes()


@pytest.mark.parametrize(
    "kind", ["leakage", "left-in-overdrive", "power-blink", "buffer-overrun"]
)
def test_lasting_faults_keep_the_shortcuts(kind: str) -> None:
    """What only changes the line or the host is looked up once it is known."""
    fault = {"kind": kind, "at_s": 0.0}
    _, quick = _play(fault, shortcuts=True)
    _, exact = _play(fault, shortcuts=False)
    assert quick < exact / 2
