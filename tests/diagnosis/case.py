"""What a case of a fault is, and how much its examination takes upon itself."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from harness.diagnosis.effort import Effort
from harness.diagnosis.finding import Cause, FindingSeverity
from harness.driver.bus import Bus
from tests.diagnosis.benches import Vary

QUICK = Effort(
    listen_s=2.0, resets=8, slots=2000, scans=3, verifies=12, reads=8, rounds=2, alone=2
)


@dataclass(frozen=True, kw_only=True)
class Case:
    """One fault.

    Attributes:
        vary: a bench with the fault, other numbers each time.
        right: causes and kinds that may stand first.
        measured: words that the first finding's numbers must hold.
        forbidden: kinds that must not be found as faults at all.
        effort: of the examination.
        severity: of the first finding.
        prepare: what the host did before, on the open bus.
        twin: a bench without the fault; the same with no faults unless given.
        names: what an undecided finding must list.
        keys: further keys of the fixture.
        expect: what the fixture declares of the first socket besides.
        steps: steps of a plan whose failed one is diagnosed; the examination alone
            if there are none.
    """

    vary: Vary
    right: tuple[tuple[Cause, str], ...]
    measured: str
    forbidden: tuple[str, ...] = ()
    effort: Effort = QUICK
    severity: FindingSeverity = FindingSeverity.FAULT
    prepare: Callable[[Bus], None] | None = None
    twin: Vary | None = None
    names: str = ""
    keys: dict[str, Any] = field(default_factory=dict)
    expect: dict[str, Any] = field(default_factory=dict)
    steps: str = ""


LONG = Effort(
    listen_s=25.0, resets=8, slots=2000, scans=3, verifies=8, reads=6, rounds=1, alone=1
)
MANY_ROUNDS = Effort(
    listen_s=1.0, resets=8, slots=1000, scans=2, verifies=6, reads=4, rounds=8, alone=6
)
MANY_SLOTS = Effort(
    listen_s=1.0,
    resets=40,
    slots=8000,
    scans=3,
    verifies=20,
    reads=20,
    rounds=1,
    alone=1,
)
MANY_CONVERSIONS = Effort(
    listen_s=1.0,
    resets=8,
    slots=1000,
    scans=2,
    verifies=6,
    reads=4,
    rounds=1,
    alone=100,
)
"""One lost command in twenty escapes a hundred with a chance of 0.6 %."""
SUPPLY_SWITCH = {"power": {"supply_on": "rts"}}
