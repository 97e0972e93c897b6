"""The figures of the self-check, on a port whose times are written down."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from harness.driver.adapter import Adapter
from harness.driver.self_check import check_adapter
from harness.errors import WrongRate

Make = Callable[..., Any]
"""A fixture that makes something; conftest has the signatures."""

BAUD = 100_000
"""Ten bits of a character are 0.1 ms."""


@pytest.fixture
def timed(rigged: Make) -> Callable[..., Any]:
    """An adapter whose bursts take what a test says, in seconds, and their sizes."""

    def make(took_s: Callable[[int, int], float], **settings: Any) -> Any:  # noqa: ANN401
        adapter, port = rigged(**settings)
        sizes: list[int] = []

        def write(data: bytes) -> int:
            sizes.append(len(data))
            port.clock.sleep(took_s(len(sizes), len(data)))
            port._waiting += data
            return len(data)

        port.write = write
        return adapter, sizes

    return make


def checked(adapter: Adapter) -> Any:  # noqa: ANN401 - the report
    """A self-check at the rate of these tests."""
    with adapter.open():
        return check_adapter(adapter, BAUD)


def test_sixteen_round_trips(timed: Make) -> None:
    """Median, the sixteenth of sixteen for 95 %, and the longest, in milliseconds.

    Trips of 1 to 16 ms: median 8.5; 0.95 x 16 = 15.2 are shorter than the sixteenth.
    """
    adapter, sizes = timed(lambda n, size: n / 1000 if size == 1 else 0.2 + 0.0085)
    report = checked(adapter)
    assert sizes == [*[1] * 16, 2000]
    assert report.round_trip_median_ms == 8.5
    assert report.round_trip_p95_ms == 16.0
    assert report.round_trip_max_ms == 16.0
    # 1999 characters in what is left without a round trip
    assert report.measured_baud == round(10 * 1999 / 0.2, 1)
    assert adapter.round_trip_s == pytest.approx(0.0085)
    assert (report.asked_baud, report.expected_baud) == (BAUD, BAUD)


@pytest.mark.parametrize(
    ("off", "right"), [(0.034, True), (0.036, False), (-0.034, True), (-0.036, False)]
)
def test_how_far_off_the_rate_may_be(timed: Make, off: float, right: bool) -> None:
    """3 %, and a millisecond of the host's in the 0.2 s of the burst: 3.5 %."""
    took_s = 10 * 1999 / (BAUD * (1 + off)) + 0.002
    adapter, sizes = timed(lambda _, size: 0.002 if size == 1 else took_s)
    if right:
        assert checked(adapter).measured_baud == pytest.approx(BAUD * (1 + off), abs=1)
        return
    with pytest.raises(WrongRate, match=f"asked for {BAUD} baud, 2000 slots took"):
        checked(adapter)
    assert sizes[16:] == [2000] * 3  # the best of three would have counted


def test_round_trips_that_scatter_widen_it(timed: Make) -> None:
    """Ten milliseconds between trips are 5 % of the burst more."""
    took_s = 10 * 1999 / (BAUD * 0.93) + 0.007
    adapter, _ = timed(lambda n, size: (0.002, 0.012)[n % 2] if size == 1 else took_s)
    assert checked(adapter).measured_baud == pytest.approx(BAUD * 0.93, abs=1)


def test_the_third_burst_counts_too(timed: Make) -> None:
    """A host that stumbles twice is no wrong rate."""
    took_s = 10 * 1999 / BAUD + 0.002
    adapter, sizes = timed(
        lambda n, size: 0.002 if size == 1 else took_s + (0.1 if n < 19 else 0)
    )
    assert checked(adapter).measured_baud == pytest.approx(BAUD, abs=1)
    assert sizes[16:] == [2000] * 3


def test_bursts_are_no_longer_than_the_adapter_bears(timed: Make) -> None:
    """The rate is measured by what one write may hold."""
    adapter, sizes = timed(lambda _, size: size * 10 / BAUD, max_burst=500)
    report = checked(adapter)
    assert sizes[16:] == [500]
    assert report.measured_baud == pytest.approx(BAUD, rel=1e-6)
