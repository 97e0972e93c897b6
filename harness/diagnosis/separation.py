"""Which probe comes next: the one that tells most of the standing causes apart per second.

Standing are the causes that bring about something that was seen and that no observation
excludes. Two of them are told apart by an observable of which they predict different
shares; a probe is worth the pairs that what it fills tells apart.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from itertools import combinations

from harness.diagnosis.differential.cause_row import CauseRow, Prediction
from harness.diagnosis.differential.differential import RIVALS
from harness.diagnosis.evidence.bus import Evidence
from harness.diagnosis.signs.observing import observe
from harness.diagnosis.signs.sign import Sign


@dataclass(frozen=True, slots=True, kw_only=True)
class Separator:
    """A probe that is made only where it tells standing causes apart.

    Attributes:
        name: of the probe.
        did: what it does, in words.
        fills: observables that it brings.
        cost_s: its time, roughly.
        names: it says which device a found cause is about, which is worth a pair.
        able: whether it can be made as things stand.
        run: makes it.
    """

    name: str
    did: str
    fills: frozenset[Sign]
    cost_s: float
    able: Callable[[Evidence], bool]
    run: Callable[[], None]
    names: bool = False


Pair = tuple[CauseRow, CauseRow]


def standing_pairs(evidence: Evidence) -> list[Pair]:
    """Causes that stand beside each other, of the bus and of each device."""
    seen = observe(evidence)
    found: list[Pair] = []
    for device in ("", *(d.rom_code for d in evidence.devices)):
        shown = {row.name: (row, row.explained(seen, device)) for row in RIVALS}
        rows = [
            (row, signs)
            for row, signs in shown.values()
            if signs and row.excluded_by(seen, device) is None
        ]
        found += [(a, b) for (a, x), (b, y) in combinations(rows, 2) if x & y]
    return found


def told_apart(pair: Pair, signs: Iterable[Sign]) -> bool:
    """True if the causes predict different shares of one of these observables."""
    return any(_predicted(pair[0], sign) != _predicted(pair[1], sign) for sign in signs)


def _predicted(row: CauseRow, sign: Sign) -> Prediction | None:
    return next((p for p in row.predicts if p.sign is sign), None)


def next_separator(
    able: Iterable[Separator], evidence: Evidence, left_s: float
) -> Separator | None:
    """The probe that tells most pairs apart per second; None if none does in time."""
    candidates = [s for s in able if s.cost_s <= left_s and s.able(evidence)]
    if not candidates:
        return None
    pairs = standing_pairs(evidence)
    worth = {
        s.name: (s.names + sum(told_apart(pair, s.fills) for pair in pairs)) / s.cost_s
        for s in candidates
    }
    best = max(candidates, key=lambda s: worth[s.name])
    return best if worth[best.name] else None
