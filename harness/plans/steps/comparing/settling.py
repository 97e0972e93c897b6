"""Waiting until a reading is stable; one that never is, is an error of the bench."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable

from harness.clock import Clock
from harness.errors import ReferenceUnfit
from harness.plans.schema.references import Settle

_LOOKS = 12
"""Readings in the time that must be stable, at least."""


def settled(
    wanted: Settle, read: Callable[[], float], clock: Clock, *, what: str, where: str
) -> float:
    """Read until all readings of ``for_s`` lie within +-``within`` of their middle.

    Args:
        wanted: how stable, for how long, and the longest wait.
        read: one reading.
        clock: the port's time.
        what: quantity, for the message.
        where: instrument or device, for the message.

    Returns:
        Time that it took, in seconds.

    Raises:
        ReferenceUnfit: it never was stable.
    """
    began_s = clock.now_s()
    pause_s = wanted.for_s / _LOOKS
    kept: deque[tuple[float, float]] = deque()
    while True:
        value = read()
        now_s = clock.now_s()
        kept.append((now_s, value))
        # one reading from before the window stays: it covers the window's beginning
        while len(kept) > 1 and kept[1][0] <= now_s - wanted.for_s:
            kept.popleft()
        values = [each for _, each in kept]
        half_spread = (max(values) - min(values)) / 2
        covered = now_s - kept[0][0] >= wanted.for_s
        if covered and half_spread <= wanted.within:
            return now_s - began_s
        if now_s - began_s > wanted.at_most_s:
            raise ReferenceUnfit(
                f"{what} is not stable after {wanted.at_most_s:g} s: +- "
                f"{half_spread:.3g} in the last {now_s - kept[0][0]:.3g} s, "
                f"{wanted.within:g} allowed; last reading {value:.5g}",
                where=where,
                hint="stir the bath, shield it from draughts, or give it more time "
                "(settle.at_most_s)",
            )
        clock.sleep(pause_s)
