"""The differential: suspicions held against their rivals, and how sure what stands is.

A suspicion comes from a cause's own words (``causes``). Here its row is held against
every observation; so is each rival, that is each row which brings about an observable
that was seen. What a measurement excludes is named with it. Confidence follows:

- certain: every rival is excluded by a measurement that is named.
- likely: rivals stand, and none explains as much.
- undecided: a rival that stands explains as much.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace

from harness.diagnosis.differential.cause_row import CauseRow
from harness.diagnosis.differential.rows.adapter import ADAPTER_ROWS
from harness.diagnosis.differential.rows.devices import DEVICE_ROWS
from harness.diagnosis.differential.rows.kinds import KIND_ROWS
from harness.diagnosis.differential.rows.line import LINE_ROWS
from harness.diagnosis.finding import Cause, Confidence, Finding
from harness.diagnosis.signs.sign import Observations, Sign

ROWS: tuple[CauseRow, ...] = (
    *ADAPTER_ROWS,
    *LINE_ROWS,
    *DEVICE_ROWS,
    *KIND_ROWS,
)

RIVALS = tuple(
    row
    for position, row in enumerate(ROWS)
    if not row.alike or row.alike not in {other.alike for other in ROWS[:position]}
)
"""Of kinds that name one mechanism the first."""

_BY_NAME = {row.name: row for row in ROWS}


def row_of(finding: Finding) -> CauseRow | None:
    """The row of a finding's cause; None for one without."""
    return _BY_NAME.get(f"{finding.cause} {finding.kind}")


def row_named(name: str) -> CauseRow:
    """The row of this key.

    Raises:
        KeyError: no cause has it.
    """
    return _BY_NAME[name]


BROUGHT_BY_MANY = frozenset(
    {Sign.SEARCH_BROKEN, Sign.BLOCK_WRONG, Sign.TORN, Sign.NOT_PROVED}
)
"""Observables that nearly every trouble brings about: they make nobody a rival of a cause
that was seen by others besides."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Rivals:
    """Rivals of a cause.

    Attributes:
        standing: nothing excludes them.
        excluded: what excludes each, in words.
    """

    standing: tuple[CauseRow, ...] = ()
    excluded: tuple[str, ...] = ()


def rivals_of(row: CauseRow, seen: Observations, device: str) -> Rivals:
    """Rows that bring about what was seen of this one, held against the observations."""
    explained = row.explained(seen, device)
    mine = explained - BROUGHT_BY_MANY or explained
    standing, excluded = [], []
    for other in RIVALS:
        same = other is row or (bool(row.alike) and other.alike == row.alike)
        if same or not mine & other.explained(seen, device):
            continue
        against = other.excluded_by(seen, device)
        if against is None:
            standing.append(other)
        else:
            excluded.append(f"{other.name}: {against.text}")
    return Rivals(standing=tuple(standing), excluded=tuple(excluded))


def weighed(findings: Iterable[Finding], seen: Observations) -> Iterator[Finding]:
    """Each suspicion that stands, with its rivals and how sure it is."""
    for finding in findings:
        row = row_of(finding)
        if row is None:
            yield _without_rivals(finding)
        elif row.excluded_by(seen, finding.device) is None:
            yield _with_rivals(finding, row, seen)


def _without_rivals(finding: Finding) -> Finding:
    """Nobody has listed its rivals, so that none of them was excluded."""
    undecided = finding.cause is Cause.UNDECIDED
    return replace(
        finding, confidence=Confidence.UNDECIDED if undecided else Confidence.LIKELY
    )


def _with_rivals(finding: Finding, row: CauseRow, seen: Observations) -> Finding:
    rivals = rivals_of(row, seen, finding.device)
    mine = row.explained(seen, finding.device)
    equal = any(
        mine <= other.explained(seen, finding.device) for other in rivals.standing
    )
    standing = bool(rivals.standing or finding.discriminators)
    # without an observable of its own nothing was measured that excludes a rival
    unmeasured = bool(row.shows) and not mine
    return replace(
        finding,
        explains=tuple(sorted(mine)),
        confidence=_confidence(standing=standing or unmeasured, equal=equal),
        ruled_out=rivals.excluded or finding.ruled_out,
        discriminators=(
            *finding.discriminators,
            *(f"{other.name}: {other.would_show}" for other in rivals.standing),
        ),
    )


def _confidence(*, standing: bool, equal: bool) -> Confidence:
    if not standing:
        return Confidence.CERTAIN
    return Confidence.UNDECIDED if equal else Confidence.LIKELY
