"""Every fault and its effect: one context manager a kind.

Faults act on the models of line, device and adapter; no result is overwritten.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import AbstractContextManager
from typing import Any

from harness.simulation.faults import settings as fs
from harness.simulation.faults.adapter_effects import ADAPTER_EFFECTS
from harness.simulation.faults.device_effects import DEVICE_EFFECTS, unplug_newcomer
from harness.simulation.faults.line_effects import LINE_EFFECTS
from harness.simulation.faults.target import FaultTarget

EFFECTS: dict[
    type[fs.TimedFault], Callable[[Any, FaultTarget], AbstractContextManager[None]]
] = LINE_EFFECTS | DEVICE_EFFECTS | ADAPTER_EFFECTS
"""Fault -> effect."""

PRELUDES: dict[type[fs.TimedFault], Callable[[Any, FaultTarget], None]] = {
    fs.HotPlugging: unplug_newcomer,
}
"""Fault -> what holds from power-up until it strikes."""
