"""The last rule: trouble was seen and no other rule has a cause for it.

"Nothing wrong" would be untrue then. So it says UNDECIDED, with the numbers and with
what would tell the causes apart.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator

from harness.diagnosis.evidence.bus import Blocks, Evidence
from harness.diagnosis.finding import Cause, Finding, FindingSeverity
from harness.diagnosis.signs.devices import scans_missed

_SPOILT_BY_A_PULL = 2
"""A pull of 4.8 ms at most lies in two transactions at most: in the end of one and in the
reset of the next."""

ENOUGH = 3
"""From so many single troubles on it is a fault, below a warning (our own choice)."""


def unexplained(evidence: Evidence) -> Iterator[Finding]:
    """Transactions that were lost or spoilt, told apart by how they ended."""
    counted = {
        what: (times, tries)
        for what, times, tries in (
            *_searches(evidence),
            *_reads(evidence),
            *_conversions(evidence),
        )
        if times
    }
    if came_late(evidence):
        counted = {what: n for what, n in counted.items() if not what.endswith(_CUT)}
    total = sum(times for times, _ in counted.values())
    if total <= _SPOILT_BY_A_PULL * len(evidence.pulls):
        return
    yield Finding(
        cause=Cause.UNDECIDED,
        kind="unexplained",
        rule="unexplained",
        summary="transactions are spoilt now and then, and the numbers do not say by what",
        measured=tuple(
            f"{what}: {times} of {tries}" for what, (times, tries) in counted.items()
        ),
        discriminators=(
            "branch: take the devices off one by one; losses that end with one stub are its own",
            "noise: losses that come when something switches nearby; examine with more slots "
            "(step diagnose, slots: 20000)",
            "edges: losses that end with a pull-up of 1 to 1.5 kohm or a shorter cable",
            "adapter: losses that end with shorter bursts (adapter.max_burst) or another port",
        ),
        try_first="examine again with half of the devices off, then with the other half",
        severity=FindingSeverity.FAULT if total >= ENOUGH else FindingSeverity.WARNING,
    )


_CUT = ("no-echo", "short-echo", "wrong-rate")
"""How a transaction ends, or a burst that times the rate, where echoes come late."""


def came_late(evidence: Evidence) -> bool:
    """True if each burst that came back short was whole later: nothing was lost."""
    late = evidence.late
    return late is not None and 0 < late.short == late.came


_Count = tuple[str, int, int]
"""What, how often, of how many."""


def _searches(evidence: Evidence) -> Iterator[_Count]:
    if evidence.not_ready:
        yield f"self-checks of the slots ended by {evidence.not_ready}", 1, 1
    if scans := evidence.scans:
        for kind, times in scans.troubles.items():
            yield f"searches of the bus ended by {kind}", times, scans.scans
        yield "passes of a search broken off", scans.disturbed_passes, scans.passes
    met = [d for d in evidence.devices if d.verified]
    tries = sum(d.verifies for d in met)
    lost = sum(d.unanswered for d in met)
    yield "directed searches without answer", lost, tries
    troubles = sum((Counter(d.verify_troubles) for d in met), Counter[str]())
    missed = [scans_missed(d, evidence.scans) for d in met]
    yield (
        "devices missed by searches of the bus",
        sum(n for n, _ in missed),
        sum(n for _, n in missed),
    )
    for kind, times in troubles.items():
        if kind != "no-presence":
            yield f"directed searches ended by {kind}", times, tries


def _reads(evidence: Evidence) -> Iterator[_Count]:
    met = [d for d in evidence.devices if d.verified]
    parts = [b for d in met for b in (d.blocks, d.blocks_after) if b]
    spoilt = sum(map(_spoilt, parts))
    yield "blocks read wrong", spoilt, sum(part.reads for part in parts)
    troubles = sum((Counter(part.troubles) for part in parts), Counter[str]())
    for kind, times in troubles.items():
        yield f"reads ended by {kind}", times, sum(part.reads for part in parts)


def _spoilt(blocks: Blocks) -> int:
    return blocks.check_wrong + blocks.zeros + blocks.broken_off + blocks.slipped


def _conversions(evidence: Evidence) -> Iterator[_Count]:
    # of one that never answered no conversion was lost
    done = [c for d in evidence.devices if d.verified for c in d.conversions]
    troubles = Counter(c.trouble for c in done if c.trouble)
    for kind, times in troubles.items():
        yield f"conversions ended by {kind}", times, len(done)
