"""Rules about what devices of any kind say of themselves: answers, supply, outputs."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from itertools import pairwise

from harness.diagnosis.evidence.bus import DeviceFacts, Evidence
from harness.diagnosis.evidence.kinds import KindReading
from harness.diagnosis.finding import Cause, Finding, FindingSeverity
from harness.families.kind_facts import ChannelFacts
from harness.records import Scalar

_DEAF = frozenset({"device-absent", "still-busy"})
_TORN = ("check-value", "answer-impossible")

_SURE_FOUND = 0.99
"""As ``rules_devices``: a device found so often in directed searches is there."""


_RESTARTED = (
    f"{Cause.SUPPLY} restart: the output is off after each power-up; look for a dip"
)


def _there(device: DeviceFacts) -> bool:
    return device.verified >= _SURE_FOUND * device.verifies > 0


def toggled(evidence: Evidence) -> Iterator[Finding]:
    """What only the host may move did move, and this host did not move it.

    Source: data sheet of family 05h (part DS2405), p. 1: each match of the ROM code
    toggles the output.
    """
    for device in evidence.devices:
        for name in dict.fromkeys(r.quantity for r in device.readings if r.watched):
            seen = _values_of(device, name)
            moves = sum(a != b for a, b in pairwise(seen))
            if moves:
                yield _moved(device, name, seen, moves)


def _values_of(device: DeviceFacts, name: str) -> list[Scalar | None]:
    """What a quantity read at first and later, where it could be read."""
    both = (*device.readings, *device.later)
    return [r.value for r in both if r.quantity == name and r.values]


def _moved(
    device: DeviceFacts, name: str, seen: list[Scalar | None], moves: int
) -> Finding:
    restarts = moves == 1 and seen[-1] == 1
    ours = device.matches % 2
    return Finding(
        cause=Cause.CONFIGURATION,
        kind="toggled",
        summary=f"{name} of {device.name} changed during the examination: each match "
        "toggles its output, and "
        + ("the examination itself" if ours else "another host")
        + " addressed it",
        measured=(
            f"{name} read {', '.join(map(str, seen))}: {moves} changes in "
            f"{len(seen)} looks by search, {device.matches} matches by this program",
        ),
        ruled_out=()
        if ours
        else ("this program: its own matches do not explain the change",),
        discriminators=(_RESTARTED,) if restarts else (),
        try_first="take this device out of every program and controller that polls "
        "by ROM code; sense it by search",
        device=device.rom_code,
    )


def deaf_to_commands(evidence: Evidence) -> Iterator[Finding]:
    """It answers its ROM code each time, and none of its function commands."""
    for device in evidence.devices:
        asked = [r for r in device.readings if r.tries]
        if not asked or not _there(device) or not all(map(_is_unanswered, asked)):
            continue
        tries = sum(r.tries for r in asked)
        yield Finding(
            cause=Cause.DEVICE,
            kind="deaf-to-commands",
            summary=f"{device.name} answers its ROM code and none of its function commands",
            measured=(
                f"directed searches answered: {device.verified} of {device.verifies}",
                f"0 of {tries} questions answered ({len(asked)} quantities)",
            ),
            ruled_out=("line and contact: the searches go through them too",),
            discriminators=(
                f"{Cause.SUPPLY} own-cell: a device with a cell of its own keeps its ROM code "
                "on the line's power; measure the cell",
                f"{Cause.DEVICE} dead: a known-good device in the socket answers",
            ),
            try_first="measure the device's own supply or cell, then replace the device",
            device=device.rom_code,
        )


def _is_unanswered(reading: KindReading) -> bool:
    """True if no try brought a value, and all ended in silence."""
    troubles = set(reading.troubles)
    return not reading.values and bool(troubles) and troubles <= _DEAF


def odd_answer(evidence: Evidence) -> Iterator[Finding]:
    """The same question, asked again and again, never brings an answer that can be."""
    for device in evidence.devices:
        rows = _never_right(device)
        if not rows or not _there(device):
            continue
        checks = any(r.always("check-value") for r in rows)
        others = _others_wrong(evidence, device)
        yield Finding(
            cause=Cause.UNDECIDED if others else Cause.DEVICE,
            kind="wrong-check" if checks else "odd-answer",
            summary=f"{device.name} never answers {rows[0].quantity} as it must: "
            f"{rows[0].said}",
            measured=tuple(
                f"{r.quantity}: {r.tries} of {r.tries} answers impossible" for r in rows
            ),
            ruled_out=("noise and edges: other devices answer right on the same line",)
            if not others and _others_right(evidence, device)
            else (),
            discriminators=(
                f"{Cause.DEVICE}: a known-good device in its socket answers right",
                f"{Cause.NOISE}: other devices fail as often",
                f"{Cause.DEVICE} duplicate: with one of two devices of this code taken off "
                "the answer is right",
            ),
            try_first="put a known-good device in its socket and ask the same again",
            device=device.rom_code,
        )


def _never_right(device: DeviceFacts) -> list[KindReading]:
    """Quantities whose every answer was torn in the same way, kind by kind."""
    return [r for trouble in _TORN for r in device.readings if r.always(trouble)]


def _others_wrong(evidence: Evidence, device: DeviceFacts) -> bool:
    return any(
        _there(other) and _never_right(other)
        for other in evidence.devices
        if other is not device
    )


def _others_right(evidence: Evidence, device: DeviceFacts) -> bool:
    return any(
        (other.blocks is not None and other.blocks.whole)
        or any(r.values for r in other.readings)
        for other in evidence.devices
        if other is not device
    )


def address_damaged(evidence: Evidence) -> Iterator[Finding]:
    """An answer whose check value is right for a command or address one flip away."""
    stated = [
        (d.name, d.rom_code, r.facts) for d in evidence.devices for r in d.readings
    ]
    if failed := evidence.failed:
        stated.append((failed.name, failed.device, failed.facts))
    for name, code, facts in stated:
        if facts.heard and facts.meant:
            yield Finding(
                cause=Cause.NOISE,
                kind="address-damaged",
                summary=f"{name} heard {facts.heard} in place of {facts.meant}: the command or "
                "address was damaged on the way out, its answer was not",
                measured=(
                    f"the CRC-16 of the answer is right for {facts.heard}; by chance for one "
                    "of 24 flips in 24 of 65,536",
                ),
                ruled_out=("damage to the answer: its CRC fits",),
                try_first="look at edges and noise; what was written may have gone elsewhere: "
                "read it back",
                device=code,
            )


def torn_answer(evidence: Evidence) -> Iterator[Finding]:
    """Answers that did not hold, and did when they were asked for again."""
    for device in evidence.devices:
        torn = [r for r in device.readings if r.values and _torn(r)]
        if torn:
            bad = sum(map(_torn, torn))
            yield Finding(
                cause=Cause.NOISE,
                kind="torn-answer",
                summary=f"{device.name}: answers did not hold and did on repeating: "
                f"{torn[0].said}",
                measured=(
                    f"{bad} of {sum(r.tries for r in torn)} answers to "
                    f"{', '.join(r.quantity for r in torn)} torn",
                ),
                ruled_out=("the device: the same question is answered right too",),
                try_first="look at edges and noise; count retries, they are no plain pass",
                device=device.rom_code,
                severity=FindingSeverity.WARNING,
            )


def _torn(reading: KindReading) -> int:
    """Answers to a quantity that were torn."""
    return sum(reading.troubles.get(kind, 0) for kind in _TORN)


def supply_differs(evidence: Evidence) -> Iterator[Finding]:
    """The answer to the power query is not what the fixture declares.

    A fault where it spoils the conversions of everybody: what lives on the data line
    drags it down when all convert at once.
    """
    spoilt, common = _spoilt_together(evidence)
    for device in evidence.devices:
        asked = device.reading("power_supply")
        if asked is None or device.rom_code not in evidence.expected.rom_codes:
            continue
        declared = device.rom_code in evidence.expected.parasite
        wanted, other = _SUPPLIES[::-1] if declared else _SUPPLIES
        if asked.value != other:
            continue
        measured = [f"power query: {other} in {len(asked.values)} of {asked.tries}"]
        if spoilt:
            measured.append(f"conversions of all at once spoilt: {spoilt} of {common}")
        found = Finding(
            cause=Cause.CONFIGURATION,
            kind="supply-differs",
            summary=f"{device.name} says its supply is {other}, the fixture says {wanted}",
            measured=tuple(measured),
            try_first="correct expect.supply of its socket",
            device=device.rom_code,
            severity=FindingSeverity.NOTE,
        )
        yield found if declared else _undeclared(found, device, spoilt=spoilt)


def _spoilt_together(evidence: Evidence) -> tuple[int, int]:
    """Conversions of all at once: those that were spoilt, and all of them."""
    common = [c for d in evidence.devices for c in d.conversions if not c.alone]
    return sum(bool(c.trouble) for c in common), len(common)


def _undeclared(found: Finding, device: DeviceFacts, *, spoilt: int) -> Finding:
    """The finding for a device that lives on the data line and was not declared so."""
    return replace(
        found,
        cause=Cause.SUPPLY,
        discriminators=(
            f"{Cause.SUPPLY}: its supply pin measures near 0 V",
            f"{Cause.CONFIGURATION}: it is meant to live on the data line; then "
            "expect.supply of its socket is parasite",
        ),
        try_first=f"measure the supply pin of {device.name}, check its supply lead",
        severity=FindingSeverity.FAULT if spoilt else FindingSeverity.WARNING,
    )


_SUPPLIES = ("external", "parasite")
"""Answers to the power query."""


def load_at_output(evidence: Evidence) -> Iterator[Finding]:
    """Latch and pin of a switch are two bits: off, and low all the same.

    Source: data sheet of family 3Ah (part DS2413), PIO access read.
    """
    for device in evidence.devices:
        ports = device.reading("ports")
        for name, row in _channels(ports):
            if row.latch == 1 and row.pin == 0:
                yield Finding(
                    cause=Cause.BUS_WIRING,
                    kind="output-load",
                    summary=f"output {name.upper()} of {device.name} is off and its pin is "
                    "low: something at the output holds it",
                    measured=(f"channel {name}: latch 1, pin 0",),
                    ruled_out=("the switch: its latch is as commanded",),
                    try_first=f"test output {name.upper()} with its load off",
                    device=device.rom_code,
                )


def _channels(ports: KindReading | None) -> list[tuple[str, ChannelFacts]]:
    if ports is None or not ports.values:
        return []
    return list(ports.facts.channels.items())
