"""Benches for the steps of a plan."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest


@pytest.fixture
def three(
    bench_data: Callable[..., dict[str, Any]], new_device: Callable[..., dict[str, Any]]
) -> Callable[..., dict[str, Any]]:
    """Make fixture data: thermometers in S1 and S2, a serial number in S3."""

    def make(**more: Any) -> dict[str, Any]:  # noqa: ANN401 - as bench_data takes it
        devices = [new_device(0x28, 5), new_device(0x28, 6), new_device(0x01, 7)]
        return bench_data(devices, **more)

    return make
