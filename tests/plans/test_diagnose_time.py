"""The time of an examination, told before it begins."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

Make = Callable[..., Any]
"""A fixture that makes something; conftest has the signatures."""

KINDS = {
    "one thermometer": [0x28],
    "ten": [0x28, 0x22] * 5,
    "memories": [0x2D, 0x0C, 0x01],
    "readings to be averaged": [0x28, 0x26, 0x30],
}


@pytest.mark.slow
@pytest.mark.parametrize("latency_ms", [1, 16])
@pytest.mark.parametrize("kind", KINDS)
def test_the_time_is_told_beforehand(
    run_plan: Make, bench_data: Make, new_device: Make, kind: str, latency_ms: int
) -> None:
    """Within a quarter on a healthy bench of any kind, and whatever the latency timer."""
    devices = [new_device(code, n + 5) for n, code in enumerate(KINDS[kind])]
    step = {"listen_s": 3, "verifies": 15, "reads": 10}
    data = bench_data(devices, adapter={"latency_ms": latency_ms})
    ran = run_plan([{"diagnose": step}], data)
    ((_, result),) = ran.record.results
    told = next(e["expected_s"] for e in ran.events if e.get("kind") == "diagnose")
    assert told == pytest.approx(result.shown.duration_s, rel=0.25)
