"""An adapter examined by itself: found as it is, and devices left in peace."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from harness.driver import examination
from harness.driver.adapter import Adapter
from harness.driver.examination import examination_lines, examine
from harness.errors import LineNotReady, NoEcho
from harness.wire.grid_fit import fits

Make = Callable[..., Any]
"""A fixture that makes something; conftest has the signatures."""


@pytest.fixture
def few_rates(monkeypatch: pytest.MonkeyPatch) -> None:
    """Fewer rates and shorter bursts: all are tried by the benchmark."""
    monkeypatch.setattr(
        examination, "REQUESTS_BAUD", (9600, 10_400, 57_600, 115_200, 142_857)
    )
    monkeypatch.setattr(examination, "_TOOK_S", 0.2)


@pytest.mark.usefixtures("few_rates")
@pytest.mark.parametrize(("kind", "packet"), [("rate-table", 62), ("prescaled-divider", 32)])  # fmt: skip
def test_found_as_it_is(bus_with: Make, kind: str, packet: int) -> None:
    """Echo, packets, longest burst, latency, rates and clock of an adapter nobody knows."""
    truth = {"error_ppm": -1200, "packet_bytes": packet, "latency_ms": 2}
    with bus_with([], kind=kind, adapter=truth) as bus:
        found = examine(bus.adapter)
    assert not found.answers
    assert (found.same, found.packet) == (256, packet)
    assert found.longest == 16_384
    assert 2 <= found.trips.median_ms < 4
    assert found.lines == {"cts": False, "dsr": False, "ri": False, "cd": False}
    agreeing = {fit.grid.kind: fit for fit in fits(found.rates)}
    assert kind in agreeing
    assert abs(agreeing[kind].clock_ppm + 1200) < 3 * agreeing[kind].doubt_ppm
    assert any("256 of 256" in line for line in examination_lines(found))


def test_a_device_gets_read_slots_only(bus_with: Make, new_device: Make) -> None:
    """With a device on the line one reset and ones go out, and nothing else."""
    with bus_with([], devices=[new_device(0x28, 5)]) as bus:
        sent = bytearray()
        write = type(bus.adapter.port).write

        def kept(data: bytes) -> int:
            sent.extend(data)
            return int(write(bus.adapter.port, data))

        bus.adapter.port.write = kept
        found = examine(bus.adapter)
    assert found.answers
    assert found.same is None
    assert sent[:1] == b"\xf0"
    assert set(sent[1:]) == {0xFF}


def test_an_overrun_limits_the_burst(rigged: Make) -> None:
    """A buffer that overruns shows as the longest burst that is whole."""
    adapter, port = rigged()
    write = type(port).write

    def overrun(data: bytes) -> int:
        port.lose = max(0, len(data) - 1000)
        return int(write(port, data))

    port.write = overrun
    with adapter.open():
        assert examination._longest_whole(adapter) == 512


def test_nothing_comes_back(rigged: Make) -> None:
    """TX and RX that are not joined are an error in words, not a table of zeros."""
    adapter, port = rigged()
    port.lose = 1
    with adapter.open(), pytest.raises(NoEcho):
        examine(adapter)


def test_a_low_line(bus_with: Make) -> None:
    """A line that is low before anything was sent is named."""
    with (
        bus_with([], faults=[{"kind": "line-shorted"}]) as bus,
        pytest.raises((LineNotReady, NoEcho)),
    ):
        examine(bus.adapter)


def test_closed_adapter_is_not_examined() -> None:
    """Nothing is measured on a port that is not open."""
    with pytest.raises(Exception, match="not open"):
        examine(Adapter("nowhere"))
