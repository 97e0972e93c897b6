"""Observables of single devices, each beside that of the others."""

from __future__ import annotations

from collections.abc import Iterator

from harness.diagnosis.evidence.bus import (
    Blocks,
    Conversion,
    DeviceFacts,
    Evidence,
    ScanFacts,
)
from harness.diagnosis.signs.exact import by_chance, fewer_by_chance, so_many_of
from harness.diagnosis.signs.sign import ERROR, Observation, Sign

HIGHEST_DEGC = 125.0
"""End of the published range of the thermometers (data sheet family 28h, p. 1)."""

AGREE_K = 0.5
"""Two conversions of one probe in a row agree within this: the published error is 0.5 K
in all, and most of it is the same each time (data sheet family 28h, p. 1)."""

OPEN = "open"
"""Trouble of a conversion whose block reads as ones throughout: no device drives the line."""

TORN = ("check-value", "answer-impossible")


def observed(evidence: Evidence) -> Iterator[Observation]:
    """All of this subject."""
    yield from _all_silent(evidence)
    asked = [d for d in evidence.devices if d.signals is not None]
    hits = sum(bool(d.signals) for d in asked)
    text = f"{hits} of {len(asked)} devices answer the alarm search"
    yield Observation(sign=Sign.SIGNALS_NOW, hits=hits, of=len(asked), text=text)
    yield from _lows_missed(evidence)
    for device in evidence.devices:
        others = [d for d in evidence.devices if d is not device]
        yield from _searches(device, others, evidence)
        yield from _blocks(device)
        yield from _conversions(device)
        yield from _restarts(device)
        yield from _supply(device, others)
        yield from _answers(device, others)


def all_silent(evidence: Evidence) -> tuple[int, int]:
    """Resets that nobody answered, of those before searches, reads and conversions.

    Where no device was ever found it is (0, 0).
    """
    met = [d for d in evidence.devices if d.verified]
    if not met:
        return 0, 0
    counts = list(map(_silent_at, met))
    silent, of = sum(hits for hits, _ in counts), sum(n for _, n in counts)
    if evidence.scans is not None:
        silent += evidence.scans.troubles.get("no-presence", 0)
        of += evidence.scans.scans
    return silent, of


def _silent_at(device: DeviceFacts) -> tuple[int, int]:
    """The same of one device's searches, reads and conversions."""
    parts, done = blocks_of(device), device.conversions
    silent = device.nobody_there
    silent += sum(b.troubles.get("no-presence", 0) for b in parts)
    silent += sum(c.trouble == "no-presence" for c in done)
    return silent, device.verifies + sum(b.reads for b in parts) + len(done)


def _all_silent(evidence: Evidence) -> Iterator[Observation]:
    silent, of = all_silent(evidence)
    several = sum(bool(d.verified) for d in evidence.devices) > 1
    sign = Sign.ALL_SILENT if several else Sign.ONLY_ONE_SILENT
    text = f"{silent} of {of} resets before searches, reads and conversions without an answer"
    yield Observation(sign=sign, hits=silent, of=of, text=text)

    lost = sum(d.unanswered - d.nobody_there for d in evidence.devices if d.verified)
    alone = sum(d.nobody_there for d in evidence.devices if d.verified)
    # slots take ten times as long as the reset before them: what hits either at any time
    # breaks no more resets than searches
    chance = so_many_of(alone, alone + lost, 0.5)
    text = f"{alone} searches without presence, {lost} broken in their slots: {by_chance(chance)}"
    yield Observation(
        sign=Sign.SILENT_BEYOND, hits=int(chance <= ERROR), of=1, text=text
    )


def _lows_missed(evidence: Evidence) -> Iterator[Observation]:
    met = [d for d in evidence.devices if d.verified]
    for device in met:
        of = max(device.unanswered, device.lows_missed)
        text = f"{device.lows_missed} of {of} failed searches missed single lows of a device in step"
        yield Observation(
            sign=Sign.LOWS_MISSED,
            hits=device.lows_missed,
            of=of,
            text=text,
            chance=OUT_OF_STEP,
            device=device.rom_code,
        )
    failed = sum(d.unanswered - d.nobody_there for d in met)
    lifted = sum(d.zeros_lifted for d in met)
    text = f"a zero that the host wrote came back high in {lifted} of {failed} failed searches"
    yield Observation(
        sign=Sign.SEARCH_LIFTED, hits=lifted, of=max(failed, lifted), text=text
    )
    hit = sum(bool(d.lows_missed) for d in met)
    if len(met) > 1:
        text = f"lows of {hit} of {len(met)} devices missed while they were in step"
        yield Observation(
            sign=Sign.MISSED_BY_ALL, hits=int(hit == len(met)), of=1, text=text
        )


OUT_OF_STEP = 2.0**-8
"""Chance at most that a device which is out of step pulls at the right position in all eight
positions of its CRC (``probes.searches``)."""


def _of(
    sign: Sign, hits: int, of: int, device: DeviceFacts, text: str = ""
) -> Observation:
    told = text or f"{sign}: {hits} of {of}"
    return Observation(sign=sign, hits=hits, of=of, text=told, device=device.rom_code)


def scans_missed(device: DeviceFacts, scans: ScanFacts | None) -> tuple[int, int]:
    """Searches of the whole bus that did not find a device, and all that came to an end.

    (0, 0) of one that none of them found: that is no loss at times.
    """
    found = [device.rom_code in each for each in scans.each] if scans else []
    return (found.count(False), len(found)) if any(found) else (0, 0)


def _losses(device: DeviceFacts, evidence: Evidence) -> tuple[int, int]:
    """Searches of either kind that missed a device, and all of them.

    What nobody answers is no loss of one.
    """
    missed, scans = scans_missed(device, evidence.scans)
    lost = device.unanswered - device.nobody_there
    return lost + missed, lost + device.verified + scans


def _searches(
    device: DeviceFacts, others: list[DeviceFacts], evidence: Evidence
) -> Iterator[Observation]:
    # what nobody answers is no loss of this one, where others are on the bus
    common = device.nobody_there if any(d.verified for d in others) else 0
    mine = device.unanswered - common
    yield _of(Sign.SEARCH_LOST, mine, device.verified + mine, device)
    missed, scans = scans_missed(device, evidence.scans)
    yield _of(Sign.SCAN_MISSED, missed, scans, device)
    if device.answers_after_pause is not None:
        yield _of(Sign.PAUSE_HEARD, int(device.answers_after_pause), 1, device)
    if device.answers_long_reset is not None:
        yield _heard_otherwise(device)
    lost = sum(d.unanswered - d.nobody_there for d in others)
    theirs = sum(d.verified for d in others) + lost
    yield _of(Sign.OTHERS_LOST, lost, theirs, device)
    yield from _alone(device, others, evidence)


def _alone(
    device: DeviceFacts, others: list[DeviceFacts], evidence: Evidence
) -> Iterator[Observation]:
    mine, of = _losses(device, evidence)
    counts = [_losses(d, evidence) for d in others]
    lost, theirs = sum(h for h, _ in counts), sum(n for _, n in counts)
    if of and theirs and mine:
        chance = fewer_by_chance(lost, theirs, mine, of)
        text = (
            f"{mine} of {of} searches missed it, others {lost} of {theirs}: "
            f"{by_chance(chance)}"
        )
        yield _of(Sign.ALONE, int(chance <= ERROR), 1, device, text)


def _heard_otherwise(device: DeviceFacts) -> Observation:
    """Of a device that answers no customary reset: by a longer one, or at the other speed."""
    fast = device.answers_overdrive
    tried = "resets of 694 and 833 us" + (
        "" if fast is None else " and at overdrive speed"
    )
    heard = int(bool(device.answers_long_reset or fast))
    text = f"directed searches behind {tried} answered: {'yes' if heard else 'no'}"
    return _of(Sign.LONG_RESET_HEARD, heard, 1, device, text)


def blocks_of(device: DeviceFacts) -> list[Blocks]:
    """Repeated reads, before and after conversions."""
    return [b for b in (device.blocks, device.blocks_after) if b is not None]


def _blocks(device: DeviceFacts) -> Iterator[Observation]:
    both = blocks_of(device)
    reads = sum(b.reads for b in both)
    if not reads:
        return
    rows = {
        Sign.BLOCK_ZERO: sum(b.zeros for b in both),
        Sign.BLOCK_WRONG: sum(b.check_wrong for b in both),
        Sign.CONSTANTS_MOVED: sum(b.moved for b in both),
        Sign.SLIPPED: sum(b.slipped for b in both),
    }
    for sign, hits in rows.items():
        yield _of(sign, hits, reads, device)
    unread = [c for c in device.conversions if c.trouble == OPEN]
    open_ = len(unread) + sum(b.ones + b.broken_off for b in both)
    yield _of(Sign.BLOCK_OPEN, open_, reads + len(device.conversions), device)
    same = max(both, key=lambda b: b.check_wrong)
    steady = same.check_wrong if same.distinct_wrong <= 2 else 0
    yield _of(Sign.SAME_WRONG_BLOCK, steady, same.reads, device)
    bits = 72 * reads
    up, down = sum(b.flips_up for b in both), sum(b.flips_down for b in both)
    yield _of(
        Sign.FLIPS_UP, up, bits, device, f"{up} bits turned 0 to 1 in {reads} blocks"
    )
    yield _of(
        Sign.FLIPS_DOWN,
        down,
        bits,
        device,
        f"{down} bits turned 1 to 0 in {reads} blocks",
    )


def converted(device: DeviceFacts) -> list[Conversion]:
    """Conversions whose command was not seen to be lost, with a block."""
    return [
        c
        for c in device.conversions
        if c.value_degc is not None and c.heard is not False
    ]


POLL_MS = 25.0
"""What a poll and a late host add to the time of a conversion (own choice; a latency timer
adds 16 ms, from memory, and a poll comes every 8 ms)."""


SEEN_BUSY_MS = 15.0
"""Busy for longer than a poll and a late host take, seen: a device with a supply of its
own. On bus power the polling itself reads as done at once, since nobody pulls the line."""


def is_late(conversion: Conversion, longest_ms: float | None) -> bool:
    """True if busy lasted longer than published, or did not end."""
    if longest_ms is None:
        return False
    took_ms = conversion.took_ms
    return took_ms is None or took_ms > longest_ms + POLL_MS


def measured_values(device: DeviceFacts) -> list[float]:
    """Values of conversions that nothing shows to be older: heard, and no restart since."""
    return [
        c.value_degc
        for c in converted(device)
        if c.value_degc is not None and not c.power_on and c.marker_kept is not False
    ]


def _conversions(device: DeviceFacts) -> Iterator[Observation]:
    longest_ms = device.longest_ms
    rows = {
        Sign.BUSY_LONG: [is_late(c, longest_ms) for c in _watched(device) if c.heard],
        Sign.POWER_ON_VALUE: [c.power_on for c in converted(device)],
        Sign.POWER_ON_TOGETHER: [c.power_on for c in converted(device) if not c.alone],
        Sign.MARKER_GONE: [c.marker_kept is False for c in _marked(device)],
        Sign.NEVER_BEGAN: _never_began(device),
        Sign.BUSY_SEEN: [_is_seen_busy(c) for c in _watched(device)],
        Sign.NOT_HEARD: [c.heard is False for c in _asked(device)],
        **_measured(device),
    }
    for sign, each in rows.items():
        yield _of(sign, sum(each), len(each), device)


def _measured(device: DeviceFacts) -> dict[Sign, list[bool]]:
    """Of each measured value: above the range; and of those inside, off their middle."""
    values = measured_values(device)
    inside = sorted(v for v in values if v <= HIGHEST_DEGC)
    middle = inside[len(inside) // 2] if inside else 0.0
    return {
        Sign.ABOVE_RANGE: [v > HIGHEST_DEGC for v in values],
        Sign.VALUES_JUMP: [abs(v - middle) > AGREE_K for v in inside],
    }


def _never_began(device: DeviceFacts) -> list[bool]:
    """Of each value: that of power-on, with the marker still there."""
    whole = [c for c in device.conversions if c.value_degc is not None]
    return [bool(c.power_on and c.marker_kept) for c in whole]


def _marked(device: DeviceFacts) -> list[Conversion]:
    return [c for c in device.conversions if c.marker_kept is not None]


def _watched(device: DeviceFacts) -> list[Conversion]:
    """Conversions that were looked at for busy to their end, with nothing in the way."""
    lone = [c for c in device.conversions if c.alone and not c.trouble]
    return [c for c in lone if c.heard is not None]


def _is_seen_busy(conversion: Conversion) -> bool:
    return conversion.took_ms is not None and conversion.took_ms > SEEN_BUSY_MS


def _asked(device: DeviceFacts) -> list[Conversion]:
    """What lives on the line cannot pull it for busy: nothing is missed by it."""
    if device.on_parasite:
        return []
    return [c for c in device.conversions if c.heard is not None]


def _restarts(device: DeviceFacts) -> Iterator[Observation]:
    """Restarts in conversions against those in pauses as long."""
    marked = _marked(device)
    gone = sum(c.marker_kept is False for c in marked)
    idle, looks = device.idle_losses, device.idle_looks
    yield _of(Sign.IDLE_RESTART, idle, looks, device)
    if gone and looks:
        chance = fewer_by_chance(idle, looks, gone, len(marked))
        text = (
            f"settings gone after {gone} of {len(marked)} conversions and {idle} of {looks} "
            f"pauses as long: {by_chance(chance)}"
        )
        yield _of(Sign.RESTARTS_IN_WORK, int(chance <= ERROR), 1, device, text)


def _supply(device: DeviceFacts, others: list[DeviceFacts]) -> Iterator[Observation]:
    answers = device.supply_answers
    yield _of(Sign.SAYS_BUS_POWER, answers.count(0), len(answers), device)
    theirs = [a for d in others for a in d.supply_answers]
    yield _of(Sign.OTHERS_BUS_POWER, theirs.count(0), len(theirs), device)


def _torn(device: DeviceFacts) -> tuple[int, int]:
    readings = [r for r in device.readings if r.tries]
    return (
        sum(r.troubles.get(kind, 0) for r in readings for kind in TORN),
        sum(r.tries for r in readings),
    )


def _answers(device: DeviceFacts, others: list[DeviceFacts]) -> Iterator[Observation]:
    hits, of = _torn(device)
    yield _of(Sign.TORN, hits, of, device)
    pairs = [_torn(d) for d in others]
    wrong = [b.check_wrong for d in others for b in blocks_of(d)]
    reads = [b.reads for d in others for b in blocks_of(d)]
    hits = sum(h for h, _ in pairs) + sum(wrong)
    theirs = sum(n for _, n in pairs) + sum(reads)
    yield _of(Sign.OTHERS_TORN, hits, theirs, device)
    mine, tries = _torn(device)
    if mine and theirs:
        chance = fewer_by_chance(hits, theirs, mine, tries)
        text = f"{mine} of {tries} answers, of other devices {hits} of {theirs}: {by_chance(chance)}"
        yield _of(Sign.TORN_ALONE, int(chance <= ERROR), 1, device, text)
