"""Findings from a recording of the line: what its records say about host, line, devices.

A recording shows what happened and asks nothing, so a cause is certain only where the
recording itself excludes every other: a low that the host alone makes is the host's.
What it cannot tell (supply, adapter, stores) has no finding here.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from math import log

from harness.diagnosis.finding import (
    Cause,
    Confidence,
    Finding,
    FindingSeverity,
    ranked,
)
from harness.families.kind_facts import NOT_AS_SHEET
from harness.recordings.record.quantity import (
    JudgedQuantity,
    LimitStanding,
    ValueOwner,
)
from harness.recordings.record.sentences import (
    beyond_text,
    outside_sentence,
    owned_name,
    quantity_name,
)
from harness.recordings.record.shown import AnalogFacts, TraceFacts, WrongAt

_MOST_STORES = 5

SAMPLE_US = 15.0
"""A device and a host sample no earlier than this after the edge of a slot (data sheet
family 28h, part DS18B20, p. 15-16): a one must be high by then."""


def findings_of(
    facts: TraceFacts, quantities: Iterable[JudgedQuantity]
) -> tuple[Finding, ...]:
    """What a recording speaks for, most severe first.

    Args:
        facts: the recording in numbers.
        quantities: its quantities, judged.
    """
    known = list(quantities)
    found = [
        *_times(facts, known),
        *_levels(known),
        *_edge(facts, known),
        *_noise(facts),
        *_second_host(facts),
        *_stores(facts),
        *_devices(facts),
    ]
    return tuple(ranked(found))


def _is_read_well(facts: TraceFacts) -> bool:
    return not facts.wrong_count


def _times(facts: TraceFacts, known: list[JudgedQuantity]) -> Iterator[Finding]:
    """Times outside their limits: a fault if something is read wrong, else a warning."""
    severity = (
        FindingSeverity.WARNING if _is_read_well(facts) else FindingSeverity.FAULT
    )
    for judged in known:
        row = judged.row
        if judged.standing is not LimitStanding.OUTSIDE or row.unit != "us":
            continue
        owners = {ValueOwner.HOST: Cause.HOST, ValueOwner.DEVICE: Cause.DEVICE}
        cause = owners.get(row.side, Cause.UNDECIDED)
        confidence = (
            Confidence.UNDECIDED if cause is Cause.UNDECIDED else Confidence.CERTAIN
        )
        yield Finding(
            cause=cause,
            kind="timing",
            confidence=confidence,
            summary=f"{judged.outside} of {judged.count} values of {owned_name(row)} are "
            f"{beyond_text(judged)}",
            measured=(f"{quantity_name(row)}: margin {judged.margin:.3g} us",),
            try_first=_mend(judged)
            if cause is Cause.HOST
            else "record again with one device, to see whose it is",
            severity=severity,
        )


def _mend(judged: JudgedQuantity) -> str:
    """Which way the host's program has to change a time."""
    low, high = judged.row.loosest_low, judged.row.loosest_high
    is_short = low is not None and judged.minimum < low
    is_long = high is not None and judged.maximum > high
    if is_short == is_long:
        return "look at the pictures: some are too short and some too long"
    return f"{'lengthen' if is_short else 'shorten'} it in the host's program"


def _levels(known: list[JudgedQuantity]) -> Iterator[Finding]:
    for judged in known:
        row = judged.row
        if judged.standing is not LimitStanding.OUTSIDE or row.unit != "V":
            continue
        is_low = row.name.startswith("low level")
        yield Finding(
            cause=Cause.BUS_WIRING if is_low else Cause.SUPPLY,
            kind="low-voltage" if is_low else "high-voltage",
            confidence=Confidence.LIKELY,
            summary=outside_sentence(judged),
            measured=(f"{row.name} {judged.median:.3g} V",),
            try_first="a higher pull-up resistance, or a stronger output stage"
            if is_low
            else "measure the pull-up's supply, and look for a load on the line",
        )


def _whole_rise(analog: AnalogFacts) -> float:
    """How much longer an exponential takes from its low level than between thresholds."""
    high_v = analog.high_v
    if not analog.low_v < analog.falls_below_v < analog.rises_above_v < high_v:
        return 1.0
    between = log((high_v - analog.falls_below_v) / (high_v - analog.rises_above_v))
    return log((high_v - analog.low_v) / (high_v - analog.rises_above_v)) / between


def _edge(facts: TraceFacts, known: list[JudgedQuantity]) -> Iterator[Finding]:
    """A rise that takes a one beyond the instant at which it is sampled."""
    named = {(q.row.name, q.row.overdrive): q for q in known}
    rise = named.get(("rise time", False))
    low = named.get(("read low", False)) or named.get(("write-1 low", False))
    if rise is None or low is None or facts.analog is None:
        return
    high_us = low.maximum + _whole_rise(facts.analog) * rise.median
    if high_us <= SAMPLE_US:
        return
    yield Finding(
        cause=Cause.BUS_WIRING,
        kind="slow-edge",
        confidence=Confidence.LIKELY,
        summary=f"a one is high only {high_us:.3g} us after its slot began, later than the "
        f"{SAMPLE_US:g} us at which it may be sampled",
        measured=(
            f"rise between the thresholds in {rise.median:.3g} us",
            f"{low.row.name} up to {low.maximum:.3g} us",
        ),
        try_first="lower pull-up resistance, shorter cable, or fewer devices",
    )


def _noise(facts: TraceFacts) -> Iterator[Finding]:
    count = facts.glitches + facts.spikes
    if not count:
        return
    yield Finding(
        cause=Cause.NOISE,
        kind="glitches",
        confidence=Confidence.LIKELY,
        summary=f"{facts.glitches} lows too short and too near to their neighbour to be "
        f"slots, {facts.spikes} spikes within lows, in {facts.duration_s:.3g} s",
        measured=(f"{facts.checks} CRCs hold, {facts.wrong_count} things are wrong",),
        try_first="look at the probe's ground first, then at the line for reflections",
        severity=FindingSeverity.NOTE
        if _is_read_well(facts)
        else FindingSeverity.WARNING,
    )


def _second_host(facts: TraceFacts) -> Iterator[Finding]:
    """Resets of another length that end transactions within a byte."""
    found = facts.interruptions
    if not found:
        return
    first = found[0]
    yield Finding(
        cause=Cause.HOST,
        kind="second-master",
        confidence=Confidence.LIKELY if len(found) > 1 else Confidence.UNDECIDED,
        summary=f"resets of another length end {len(found)} transactions within a byte, as a "
        "second host on the line would",
        measured=(
            f"the first at {first.at_s:.6f} s: reset low {first.reset_us:.4g} us, while "
            f"{first.own_reset_us:.4g} us began that transaction",
        ),
        try_first="look for a second controller on the line, or a second task of the host",
        discriminators=(
            "a second host: the line stays busy while the first one is held in reset",
            "one host that gives up and starts again: its program has two reset times",
        ),
        severity=FindingSeverity.FAULT
        if facts.wrong_count
        else FindingSeverity.WARNING,
    )


_REFUSALS = (
    "authorisation: the address and status that the host sent differ from what the "
    "scratchpad read",
    "protection: the page's protection is read as set",
    "supply: the line is not high enough while the device writes",
)


def _stores(facts: TraceFacts) -> Iterator[Finding]:
    """Stores that a device did not confirm; why, no recording shows alone."""
    of_device: dict[str, list[WrongAt]] = {}
    for refused in facts.refused:
        of_device.setdefault(refused.rom, []).append(refused)
    for rom, found in of_device.items():
        yield Finding(
            cause=Cause.UNDECIDED,
            kind="refused-store",
            confidence=Confidence.UNDECIDED,
            summary=(
                f"{len(found)} store{'s are' if len(found) > 1 else ' is'} not confirmed "
                f"by the device {rom}"
            ).rstrip(),
            measured=tuple(
                f"{each.at_s:.6f} s: {each.what}" for each in found[:_MOST_STORES]
            ),
            try_first="read back what was to be stored, then its protection",
            discriminators=_REFUSALS,
            severity=FindingSeverity.WARNING,
            device=rom,
        )


def _devices(facts: TraceFacts) -> Iterator[Finding]:
    for seen in facts.devices:
        for note in seen.notes:
            if note.startswith(NOT_AS_SHEET):
                yield Finding(
                    cause=Cause.DEVICE,
                    kind="data-sheet",
                    confidence=Confidence.CERTAIN,
                    summary=f"the device {seen.rom} {note}",
                    measured=(f"{seen.checks} CRCs of it hold",),
                    try_first="ask the supplier where the device comes from; qualify it as the device that it is",
                    severity=FindingSeverity.NOTE,
                    device=seen.rom,
                )
