"""Observables of the line: resets, slots, edges, searches."""

from __future__ import annotations

from collections.abc import Iterator

from harness.diagnosis.evidence.bus import (
    Echoes,
    Evidence,
    IdleFacts,
    LineEvidence,
    ResetFacts,
    SampleStep,
    ScanFacts,
)
from harness.diagnosis.rise import slower_by
from harness.diagnosis.signs.exact import (
    by_chance,
    fewer_by_chance,
    so_few_of_halves,
    so_many_common,
    so_many_of,
)
from harness.diagnosis.signs.sign import ERROR, Observation, Sign
from harness.digits import bound_text, span_text
from harness.records import Bound

_SUSTAINED = 0.9
"""Share of changed ones that is a state of the line and no event: more than any spike
train within limits makes; a longer sample of it belongs to the ladder."""


SAMPLE_US = 15.0
"""A device may sample a write-1 slot as early as this (published limit)."""

LEAST_MARGIN_US = 2.0
"""Less than this before a device samples is thin (own choice, no source)."""

_PULL_UP_RISE_US = 30.0
"""100 m of cable on 4.7 kohm and 5 V rise in about 7 us to the receiver's threshold; only a
resistor some times too large takes so long (arithmetic)."""


def pull_up_rise_us(evidence: Evidence) -> float:
    """A rise that no cable makes, with the supply in force."""
    return _PULL_UP_RISE_US * slower_by(evidence.expected.supply_v)


LONGEST_PRESENCE_US = 300.0
"""Of a presence pulse, its longest wait and length: 60 and 240 us (published limits)."""


def low_at_the_end(reset: ResetFacts, echo: str) -> bool:
    """True if a sample later than any presence may last found the line low."""
    zeros = 8 - reset.byte.bit_count()
    value, bit_us = int(echo, 16), 2 * reset.first_sample_us
    return any(
        not value >> bit & 1
        for bit in range(zeros, 8)
        if (bit - zeros + 0.5) * bit_us > LONGEST_PRESENCE_US
    )


def observed(evidence: Evidence) -> Iterator[Observation]:
    """All of this subject."""
    yield from _resets(evidence)
    yield from _slots(evidence)
    yield from _ladder(evidence.ladder)
    if evidence.scans is not None:
        yield from _scans(evidence.scans)
        yield from _together(evidence)
    if evidence.idle is not None:
        yield from _idle(evidence.idle)
    yield from _pulls(evidence)


def slots_end_late(evidence: Evidence) -> bool:
    """True if short lows usually come back longer, at the ruler's rate or the slots' own."""
    line, adapter = evidence.line, evidence.adapter
    ones = [part.ones.usual for part in (line, adapter) if part is not None]
    return any(usual not in {"", "FF"} for usual in ones)


def pulls_tell(evidence: Evidence) -> bool:
    """True if a stray character can only be a pull of the line.

    Not where resets are held low or the host repeats what it hears: then they come with
    each.
    """
    adapter = evidence.adapter
    if slots_end_late(evidence):
        return False
    followed = adapter is not None and (
        adapter.quiet_ones.followed or adapter.zeros.followed
    )
    return not followed and not any(r.echoes.followed for r in evidence.resets)


def _pulls(evidence: Evidence) -> Iterator[Observation]:
    if evidence.probes and pulls_tell(evidence):
        hits = len(evidence.pulls)
        took_s = sum(probe.took_s for probe in evidence.probes)
        text = f"{hits} long pulls in {took_s:.0f} s that no device was asked for"
        yield Observation(
            sign=Sign.PULLED_MEANWHILE, hits=hits, of=max(hits, 1), text=text
        )
        yield from _pulls_in_work(evidence)


def _pulls_in_work(evidence: Evidence) -> Iterator[Observation]:
    """Pulls that fall into one probe, such as conversions: by lot as many as its time.

    As many chances as probes: the least is taken that often (Bonferroni). More of them
    while we listen are no work: every pull is heard then, and within traffic not each.
    """
    until_s, of = 0.0, len(evidence.pulls)
    total_s = sum(probe.took_s for probe in evidence.probes)
    found = []
    for probe in evidence.probes:
        since_s, until_s = until_s, until_s + probe.took_s
        inside = sum(since_s <= at_s <= until_s for at_s in evidence.pulls)
        if inside and total_s and probe.name != LISTENING:
            share = probe.took_s / total_s
            chance = so_many_of(inside, of, share) * len(evidence.probes)
            found.append((min(1.0, chance), inside, share, probe.name))
    if found:
        chance, inside, share, name = min(found)
        text = f"{inside} of {of} long pulls in the probe {name}, {share:.0%} of the time: {by_chance(chance)}"
        yield Observation(
            sign=Sign.PULLS_IN_WORK, hits=int(chance <= ERROR), of=1, text=text
        )


def changed(echoes: Echoes) -> int:
    """Ones that did not come back as FFh."""
    return sum(n for echo, n in echoes.histogram.items() if echo != "FF")


def late_only(echo: str) -> bool:
    """True if a changed FFh is low from its first data bit on and high from there.

    So reads a late rise: 1, 2, 4 ... low bits at the start. A spike may hit any bit.
    """
    low = ~int(echo, 16) & 0xFF
    return (low & (low + 1)) == 0


def _resets(evidence: Evidence) -> Iterator[Observation]:
    resets = evidence.resets
    if not resets:
        return
    came = sum(sum(r.echoes.histogram.values()) for r in resets)
    quiet = sum(r.echoes.histogram.get(r.silence, 0) for r in resets)
    yield Observation(
        sign=Sign.PRESENCE, hits=came - quiet, of=came, text=f"{came - quiet} of {came} resets answered"
    )  # fmt: skip
    long = sum(
        n
        for r in resets
        for echo, n in r.echoes.histogram.items()
        if low_at_the_end(r, echo)
    )
    yield Observation(
        sign=Sign.PRESENCE_LONG, hits=long, of=came, text=f"line low more than {LONGEST_PRESENCE_US:.0f} us after the release in {long} of {came} resets"
    )  # fmt: skip
    held = sum(r.echoes.followed for r in resets if r.echoes.usual == "00")
    sent = sum(r.echoes.sent for r in resets)
    yield Observation(
        sign=Sign.RESET_HELD, hits=held, of=sent, text=f"{held} of {sent} resets held low, then presence"
    )  # fmt: skip


def _slots(evidence: Evidence) -> Iterator[Observation]:
    line = evidence.line
    if line is None:
        return
    ones, zeros = line.ones, line.zeros
    of = sum(ones.histogram.values())
    hits = changed(ones)
    yield Observation(
        sign=Sign.ONES_CHANGED, hits=hits, of=of, text=f"{hits} of {of} ones pulled low"
    )
    anywhere = sum(
        n for echo, n in ones.histogram.items() if echo != "FF" and not late_only(echo)
    )
    yield Observation(
        sign=Sign.HIT_ANYWHERE, hits=anywhere, of=of, text=f"{anywhere} of {of} ones low in their middle"
    )  # fmt: skip
    sent = sum(zeros.histogram.values())
    lifted = sent - zeros.histogram.get(zeros.usual, 0)
    yield Observation(
        sign=Sign.ZEROS_LIFTED, hits=lifted, of=sent, text=f"{lifted} of {sent} zeros lifted"
    )  # fmt: skip
    yield Observation(
        sign=Sign.SLOTS_HIT, hits=hits + lifted, of=of + sent, text=f"{hits} ones and {lifted} zeros of {of + sent} slots came back changed"
    )  # fmt: skip
    lost = ones.silent + zeros.silent
    seen = hits + lifted + sum(d.zeros_lifted for d in evidence.devices)
    events = lost + seen
    # of the samples of an FFh and a 00h slot that a spike can hit, eight change it and
    # one, in the start bit, loses it: noise changes more than it loses
    unchanged = lost and so_few_of_halves(seen, events) <= ERROR
    yield Observation(
        sign=Sign.LOST_UNCHANGED, hits=int(bool(unchanged)), of=1, text=f"{lost} of {ones.sent + zeros.sent} slots lost, {seen} changed"
    )  # fmt: skip
    yield from _rise(line, pull_up_rise_us(evidence))
    if line.answers_after_long_reset is not None:
        hits = line.answers_after_long_reset
        yield Observation(
            sign=Sign.PULLED_AFTER_LONG_RESET,
            hits=hits,
            of=64,
            text=f"{hits} pulls after 64 zeros behind a reset of 694 us",
        )


def is_thin(line: LineEvidence) -> bool:
    """True if a device that samples early may take a one for a zero."""
    return SAMPLE_US - line.crossing_us < LEAST_MARGIN_US


def _rise(line: LineEvidence, longest_us: float) -> Iterator[Observation]:
    low_us, high_us = line.rise_us
    rise = f"rise to the receiver's threshold {span_text(low_us, high_us, from_zero=True)} us"
    yield Observation(
        sign=Sign.RISE_LONG, hits=int(low_us >= longest_us), of=1, text=rise
    )
    margin_us = SAMPLE_US - line.crossing_us
    thin = is_thin(line)
    text = (
        f"{rise}, {bound_text(margin_us, Bound.AT_LEAST)} us before a device may sample"
    )
    yield Observation(sign=Sign.MARGIN_THIN, hits=int(thin), of=1, text=text)


def _idle(idle: IdleFacts) -> Iterator[Observation]:
    clusters = clusters_of(idle)
    sizes = [size for _, size in clusters]
    text = f"{sum(sizes)} characters in {len(clusters)} groups in {idle.for_s:.1f} s of silence"
    pulls = len(clusters) if long_pulls(idle) else 0
    short = len(clusters) - pulls
    yield Observation(
        sign=Sign.IDLE_CHARACTERS, hits=short, of=max(len(clusters), 1), text=text
    )
    whole = [n for at_s, n in clusters if heard_whole(idle, at_s)] or sizes
    even = transacts(idle) and len(whole) > 1 and max(whole) <= min(whole) * 1.3
    yield Observation(
        sign=Sign.IDLE_TRANSACTIONS,
        hits=len(whole) if even else 0,
        of=max(len(whole), 1),
        text=text,
    )
    uneven = len(whole) > 1 and max(whole) > min(whole) * 1.3
    yield Observation(sign=Sign.IDLE_UNEVEN, hits=int(uneven), of=1, text=text)
    yield Observation(
        sign=Sign.IDLE_PULLS, hits=pulls, of=max(len(clusters), 1), text=text
    )


LISTENING = "idle line"
"""Name of the probe that sends nothing."""

_CLUSTER_S = 0.075
"""Characters no further apart belong to one transaction: a poll of 50 ms and half of one,
since a transaction of some milliseconds lies in two neighbouring polls at most."""

MANY = 16
"""Characters of a reset and one byte of command at least: somebody transacts."""


def heard_whole(idle: IdleFacts, at_s: float) -> bool:
    """False for a burst that listening may have begun or ended in."""
    return _CLUSTER_S < at_s < idle.for_s - _CLUSTER_S


_MOST_OF_A_PULL = 4
"""A pull of the line is one character of zeros; the presence pulses behind it may lie
apart, since they begin 15 to 60 us and end 75 to 300 us after it."""


def long_pulls(idle: IdleFacts) -> bool:
    """True if each group has a low of nine bits or longer and few characters besides.

    No spike is so long.
    """
    clusters = clusters_of(idle)
    return (
        bool(clusters)
        and _long_lows(idle) >= len(clusters)
        and max(size for _, size in clusters) <= _MOST_OF_A_PULL
    )


def _long_lows(idle: IdleFacts) -> int:
    """Characters low for eight bits and more, 56 us at the slot rate: no spike is so long."""
    return idle.values.get("00", 0) + idle.values.get("80", 0)


def transacts(idle: IdleFacts) -> bool:
    """True if each group is as long as a transaction and may begin with a reset."""
    clusters = clusters_of(idle)
    whole = [n for at_s, n in clusters if heard_whole(idle, at_s)]
    whole = whole or [n for _, n in clusters]
    return bool(whole) and min(whole) >= MANY and _long_lows(idle) >= len(whole)


def clusters_of(idle: IdleFacts) -> list[tuple[float, int]]:
    """Groups of characters: when each began, and its size."""
    found: list[tuple[float, int]] = []
    last_s = -1.0
    for at_s, size in idle.arrivals:
        if found and at_s - last_s <= _CLUSTER_S:
            found[-1] = (found[-1][0], found[-1][1] + size)
        else:
            found.append((at_s, size))
        last_s = at_s
    return found


def errors_fall(steps: tuple[SampleStep, ...]) -> bool:
    """True if changed ones get fewer by the latest sample, by more than chance."""
    return any(o.sign is Sign.ERRORS_FALL and o.hits for o in _ladder(steps))


def _ladder(steps: tuple[SampleStep, ...]) -> Iterator[Observation]:
    """Changed ones at the earliest sample against the latest.

    An edge is over by the later sample; noise is as frequent there, or more so where it
    comes by time, since the slot lasts longer.
    """
    if len(steps) < 2:
        return
    early, late = (max(steps, key=lambda s: s.baud), min(steps, key=lambda s: s.baud))
    counts = [
        (changed(s.echoes), sum(s.echoes.histogram.values())) for s in (early, late)
    ]
    (hits, of), (late_hits, late_of) = counts
    text = (
        f"ones changed: {hits} of {of} sampled {early.sample_us:.1f} us after the release, "
        f"{late_hits} of {late_of} at {late.sample_us:.1f} us"
    )
    if not of or not late_of or not hits + late_hits:
        return
    # an edge that is over in some slots at the early sample is over in all at the late one
    edge = not late_hits or hits >= _SUSTAINED * of
    falls = edge and fewer_by_chance(late_hits, late_of, hits, of) <= ERROR
    stays = not falls and late_hits > 0 and hits < _SUSTAINED * of
    yield Observation(sign=Sign.ERRORS_FALL, hits=int(falls), of=1, text=text)
    yield Observation(sign=Sign.ERRORS_STAY, hits=int(stays), of=1, text=text)


def _scans(scans: ScanFacts) -> Iterator[Observation]:
    broken = sum(scans.troubles.values())
    yield Observation(
        sign=Sign.SEARCH_BROKEN, hits=broken, of=scans.scans, text=f"{broken} of {scans.scans} searches ended in an error"
    )  # fmt: skip
    zero = scans.rejected.get("0" * 16, 0)
    yield Observation(
        sign=Sign.ZERO_CODE, hits=zero, of=scans.whole, text=f"ROM code of zeros in {zero} of {scans.whole} scans"
    )  # fmt: skip
    beside = zero if scans.found and zero == scans.whole else 0
    yield Observation(
        sign=Sign.ZERO_BESIDE, hits=beside, of=scans.whole, text=f"right ROM codes beside it in {beside} of {scans.whole} scans"
    )  # fmt: skip
    others = {c: n for c, n in scans.rejected.items() if c != "0" * 16}
    stays = sum(n == scans.whole for n in others.values()) if scans.whole > 1 else 0
    yield Observation(
        sign=Sign.ODD_CODE_STAYS, hits=stays, of=max(len(others), 1), text=f"{stays} impossible ROM codes in all of {scans.whole} scans"
    )  # fmt: skip
    yield Observation(
        sign=Sign.ODD_CODE_FLEETS, hits=len(others) - stays, of=max(len(others), 1), text=f"{len(others) - stays} impossible ROM codes in some of {scans.whole} scans"
    )  # fmt: skip


def _together(evidence: Evidence) -> Iterator[Observation]:
    """Devices missed by the same looks: the exact test that each misses by itself.

    Each keeps its own number of misses; the chance that so many of them fall together
    with those of the one that misses most is hypergeometric.
    """
    n, missed = _misses(evidence)
    losers = {
        code: set(rounds) for code, rounds in missed.items() if 0 < len(rounds) < n
    }
    if n < 2:
        return
    chance = _together_by_chance(n, list(losers.values()))
    same = len(losers) > 1 and chance <= ERROR
    common = len(set.intersection(*losers.values())) if losers else 0
    text = (
        f"{len(losers)} of {len(missed)} devices missed at times in {n} looks, all of these "
        f"in {common}: {by_chance(chance)}"
    )
    for device in ("", *missed):
        hit = same and (not device or device in losers)
        yield Observation(
            sign=Sign.LOST_TOGETHER, hits=int(hit), of=1, text=text, device=device
        )


def _together_by_chance(n: int, losers: list[set[int]]) -> float:
    """Chance of so many misses in common with the one that misses most of n looks."""
    worst = max(losers, key=len, default=set())
    chance = 1.0
    for rounds in losers:
        if rounds is not worst:
            chance *= so_many_common(len(rounds & worst), n, len(rounds), len(worst))
    return chance


def _misses(evidence: Evidence) -> tuple[int, dict[str, tuple[int, ...]]]:
    """Looks at every device, and which of them missed which: rounds, or else scans."""
    if looks := evidence.looks:
        return looks.rounds, looks.missed
    each = evidence.scans.each if evidence.scans else ()
    codes = sorted({code for scan in each for code in scan})
    return len(each), {
        c: tuple(k for k, scan in enumerate(each) if c not in scan) for c in codes
    }
