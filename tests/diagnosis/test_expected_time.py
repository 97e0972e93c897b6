"""The time of an examination, told before it begins, on healthy benches of many kinds."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from harness.diagnosis.effort import Effort
from harness.diagnosis.engine import Examination
from harness.diagnosis.expected_time import healthy_s
from harness.plans.execution.connection import connect
from harness.plans.loading.files import load_fixture
from harness.plans.schema.fixture import Fixture
from harness.plans.steps.diagnose import declared_by

Make = Callable[..., Any]
"""A fixture that makes something; conftest has the signatures."""

pytestmark = pytest.mark.slow

FIXTURES = Path(__file__).parents[2] / "fixtures"

WITHIN = 0.25
"""What a user is promised of a healthy bench."""


def ratio(fixture: Fixture, effort: Effort) -> float:
    """Time that an examination took over the time that was told."""
    families = [
        code
        for socket in fixture.sockets
        if (code := socket.expect.family_code) is not None
    ]
    with connect(fixture) as bus:
        bus.prove()
        told_s = healthy_s(effort, families, bus.adapter.round_trip_s)
        started_s = bus.clock.now_s()
        Examination(
            bus, declared=lambda codes: declared_by(fixture, codes), effort=effort
        ).run()
        return (bus.clock.now_s() - started_s) / told_s


@pytest.mark.parametrize(
    ("name", "effort"),
    [
        ("demo_bench", Effort.short()),
        ("mixed_bench", Effort.short()),
        ("mixed_bench", Effort()),
    ],
    ids=["demo", "mixed", "mixed at full effort"],
)
def test_shipped_fixtures(name: str, effort: Effort) -> None:
    """Of those that take little to simulate; the others were measured by hand."""
    fixture = load_fixture(FIXTURES / f"{name}.yaml")
    assert ratio(fixture, effort) == pytest.approx(1, abs=WITHIN)


@pytest.mark.parametrize(
    ("devices", "latency_ms"),
    [
        ([(0x28, {"silicon": "clone"})] * 4, 1),
        ([(0x28, {})] * 2, 16),
        ([(0x2D, {}), (0x01, {"supply": "parasite"}), (0x29, {})], 1),
        ([(0x21, {}), (0x26, {}), (0x20, {})], 1),
    ],
    ids=["clones", "16 ms", "no thermometer", "logger, battery, converter"],
)
def test_other_benches(
    write_fixture: Make,
    bench_data: Make,
    new_device: Make,
    devices: list[tuple[int, dict[str, Any]]],
    latency_ms: int,
) -> None:
    """At the short effort, of which single probes are a larger part."""
    made = [new_device(f, 5 + 7919 * n, **more) for n, (f, more) in enumerate(devices)]
    data = bench_data(made, adapter={"latency_ms": latency_ms})
    assert ratio(write_fixture(data), Effort.short()) == pytest.approx(1, abs=WITHIN)
