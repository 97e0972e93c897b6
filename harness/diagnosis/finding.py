"""What a diagnosis finds: causes, how sure, the numbers, and what to try first."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Annotated

from pydantic import AliasChoices, Field


class Cause(StrEnum):
    """Where a fault sits; the short list that every diagnosis ends on."""

    ADAPTER = "adapter"
    HOST = "host"
    BUS_WIRING = "bus wiring"
    NOISE = "noise"
    SUPPLY = "supply"
    DEVICE = "device"
    CONFIGURATION = "configuration"
    UNDECIDED = "undecided"


NO_VERDICT = frozenset({Cause.ADAPTER, Cause.HOST, Cause.UNDECIDED})
"""Causes that are no verdict on bus or devices: such a fault is an error, no failure."""


class Confidence(StrEnum):
    """How sure a finding is."""

    CERTAIN = "certain"
    """Every rival is excluded by a measurement that is named."""
    LIKELY = "likely"
    """It explains most; the rivals that stand are named."""
    UNDECIDED = "undecided"
    """A rival that stands explains as much."""
    POSSIBLE = "possible"
    """In journals of earlier versions only."""


class FindingSeverity(StrEnum):
    """What a finding means for readings.

    A fault spoils them, a warning means that the margin is small, a note only explains.
    """

    FAULT = "fault"
    WARNING = "warning"
    NOTE = "note"


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One cause that the evidence speaks for.

    Attributes:
        cause: where it sits.
        kind: sub-word, such as ``slow-edge``.
        confidence: how sure; the differential derives it, no cause declares it.
        summary: one sentence for a technician.
        measured: what was measured that says so, each with its number.
        try_first: one thing to do.
        ruled_out: what the same evidence speaks against.
        discriminators: of an undecided finding, each possible cause with what would
            show that it is that one.
        explains: observables that were seen and that it brings about.
        follows: findings that this one brings about; no second faults.
        severity: what it means for readings.
        device: ROM code in print form; empty if it is about the bus.
        rule: name of the rule; the table fills it in.
    """

    cause: Cause
    kind: str
    # the second names are those of journals of earlier versions
    confidence: Annotated[
        Confidence, Field(validation_alias=AliasChoices("confidence", "sure"))
    ] = Confidence.LIKELY
    summary: Annotated[str, Field(validation_alias=AliasChoices("summary", "says"))]
    measured: tuple[str, ...] = ()
    try_first: str
    ruled_out: tuple[str, ...] = ()
    discriminators: Annotated[
        tuple[str, ...],
        Field(validation_alias=AliasChoices("discriminators", "tells_apart")),
    ] = ()
    explains: tuple[str, ...] = ()
    follows: tuple[str, ...] = ()
    severity: Annotated[
        FindingSeverity, Field(validation_alias=AliasChoices("severity", "weight"))
    ] = FindingSeverity.FAULT
    device: str = ""
    rule: str = ""


_RANKS: dict[StrEnum, int] = {
    member: rank
    for kind in (FindingSeverity, Confidence)
    for rank, member in enumerate(kind)
}


def ranked(findings: list[Finding]) -> list[Finding]:
    """Gravest first, then what explains most, then surest; else in the rules' order."""
    return sorted(
        findings,
        key=lambda f: (_RANKS[f.severity], -len(f.explains), _RANKS[f.confidence]),
    )


_ALONE = 2
"""So many devices with the same trouble are still told one by one."""

_MOST_NUMBERS = 6
"""Devices whose numbers a gathered finding tells."""


def gathered(findings: Iterable[Finding]) -> list[Finding]:
    """The same trouble of many devices as one finding about the bus, where the first of them stood.

    What hits many at once is no matter of a single device (common practice, no
    source), and the page stays one page.
    """
    alike: dict[tuple[str, ...], list[Finding]] = {}
    for position, finding in enumerate(findings):
        key = (finding.cause, finding.kind, finding.severity, finding.confidence)
        own = () if finding.device else (str(position),)
        alike.setdefault((*key, *own), []).append(finding)
    return [
        told
        for group in alike.values()
        for told in (group if len(group) <= _ALONE else [_gather(group)])
    ]


def _gather(group: list[Finding]) -> Finding:
    first, more = group[0], len(group) - _MOST_NUMBERS
    numbers = [f"{f.device}: {f.measured[0]}" for f in group[:_MOST_NUMBERS]]
    if more > 0:
        numbers.append(
            f"and {more} more: " + ", ".join(f.device for f in group[-more:])
        )
    shared = f"look at what these {len(group)} share before any of them: supply, branch, ground"
    return replace(
        first,
        try_first=shared if first.device in first.try_first else first.try_first,
        summary=f"{len(group)} devices alike; of the first: {first.summary}",
        measured=(*numbers, *first.measured[1:]),
        device="",
    )
