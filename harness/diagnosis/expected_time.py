"""How long an examination of a healthy bench takes, told before it begins.

Slots and pauses by arithmetic; round trips counted on simulated benches of 1 to 10 devices
(own measurement), each as long as the adapter's self-check found them. Probes that only
tell causes apart come on top where something is wrong: ``Effort.separating_s`` at most.
"""

from __future__ import annotations

from collections.abc import Iterable

from harness.diagnosis.effort import Effort
from harness.diagnosis.probes.devices import THERMOMETERS
from harness.families.registry import looks_of

_SLOT_S = 70e-6
_TRIPS_A_PASS = 15
"""For each device in a search: 4 to 15 in one lot, 28 where serial numbers are scattered
(measured, `test_enumeration_numbers.py`)."""
_BUSY_S, _WAIT_S = 0.62, 0.76
"""A conversion watched to its end, and waited for by its published longest."""


def healthy_s(effort: Effort, families: Iterable[int], round_trip_s: float) -> float:
    """Seconds of an examination with nothing wrong.

    Args:
        effort: how much it takes upon itself.
        families: family code of each device that is expected.
        round_trip_s: of one character, as measured.
    """
    devices = list(families)
    thermometers = sum(code in THERMOMETERS for code in devices)
    transaction_s = 0.006 + 150 * _SLOT_S + 2 * round_trip_s
    adapter_s = 2.3 + 240 * round_trip_s
    line_s = (
        3 * effort.resets * (0.007 + 2 * round_trip_s)
        + 2.3 * effort.slots * _SLOT_S
        + 0.2
    )
    pass_s = 200 * _SLOT_S + 0.012 + _TRIPS_A_PASS * round_trip_s
    one_s = effort.verifies * transaction_s
    looks_s = sum(
        min(look.times, effort.means) * (look.pause_s + transaction_s)
        for code in devices
        for look, _ in looks_of(code)
    )
    warm_s = 0.0
    if thermometers:
        alone_s = (
            effort.alone * _BUSY_S
            + (2 * effort.reads + effort.rounds + 10) * transaction_s
        )
        warm_s = (
            min(1.0, effort.listen_s) + effort.rounds * _WAIT_S + thermometers * alone_s
        )
    searches_s = (effort.scans + 1) * len(devices) * pass_s
    return (
        effort.listen_s
        + adapter_s
        + line_s
        + searches_s
        + len(devices) * one_s
        + looks_s
        + warm_s
    )
