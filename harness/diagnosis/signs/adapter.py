"""Observables of adapter and host."""

from __future__ import annotations

from collections.abc import Iterator

from harness.diagnosis.evidence.bus import AdapterFacts, Echoes, Evidence
from harness.diagnosis.signs.exact import by_chance, fewer_by_chance
from harness.diagnosis.signs.sign import ERROR, Observation, Sign

RATE_ALLOWANCE = 0.02
"""A device's own clock takes no part; 2 % is what slot and reset limits still bear: the
customary reset of 500 us may be 4 % short of 480 us, a read slot sampled at 13.0 us 2 us
late (published limits)."""

LATE_MS, LATE_TIMES = 20.0, 10.0
"""A USB host asks each device once in a frame of 1 ms and a latency timer adds 16 ms at
most: what comes later waited for the host. And so many times as late as most (own choice,
no source)."""

HELD_MS = 5.0
"""Between a latency timer of 1 ms and the usual default of 16 ms (common practice, no
source)."""

CONTROLS = frozenset({"03", "04", "0A", "0D", "11", "13", "1A", "FF"})
"""What terminal layers take for end of text, line ends, flow control or a mark (POSIX
general terminal interface, special characters)."""

PORT_FRAME_BITS = 10
"""Start, eight data bits, stop."""


def observed(evidence: Evidence) -> Iterator[Observation]:
    """All of this subject."""
    if evidence.lost:
        text = f"port lost {evidence.lost} times"
        yield Observation(
            sign=Sign.PORT_LOST, hits=evidence.lost, of=evidence.lost, text=text
        )
    if evidence.line is not None:
        hits, text = int(bool(evidence.not_ready)), evidence.not_ready or "passed"
        told = f"{Sign.NOT_PROVED}: {text}"
        yield Observation(sign=Sign.NOT_PROVED, hits=hits, of=1, text=told)
    if evidence.adapter is not None:
        yield from _single(evidence.adapter)
        yield from _pulled(evidence.adapter)
        yield from _rates(evidence.adapter)
        yield from _bursts(evidence.adapter)
        yield from _times(evidence.adapter)
        yield from _characters(evidence.adapter)
    if late := evidence.late:
        text = f"{Sign.CAME_LATE}: {late.came} of {late.short} short ones"
        yield Observation(sign=Sign.CAME_LATE, hits=late.came, of=late.short, text=text)
    yield from _openings(evidence)


def _single(adapter: AdapterFacts) -> Iterator[Observation]:
    ones, slow = adapter.ones, adapter.slow_ones
    rows = (
        (Sign.NO_ECHO, ones.silent if not ones.histogram else 0, ones.sent),
        (Sign.SINGLE_LOST, ones.silent if ones.histogram else 0, ones.sent),
        (Sign.ECHO_LOW, ones.histogram.get("00", 0), ones.sent - ones.silent),
        (Sign.SLOW_ECHO_LOW, slow.histogram.get("00", 0), slow.sent - slow.silent),
        (Sign.EXTRA_AFTER_FF, adapter.quiet_ones.followed, adapter.quiet_ones.sent),
        (Sign.EXTRA_AFTER_00, adapter.zeros.followed, adapter.zeros.sent),
    )
    for sign, hits, of in rows:
        yield Observation(sign=sign, hits=hits, of=of, text=f"{sign}: {hits} of {of}")


def pulled(echoes: Echoes) -> int:
    """Resets of overdrive that somebody pulled after, or that rose late."""
    return sum(n for echo, n in echoes.histogram.items() if echo != "C0")


def _pulled(adapter: AdapterFacts) -> Iterator[Observation]:
    rows = (
        (Sign.PULLED_IN_ZEROS, adapter.fast_resets, "at first"),
        (
            Sign.PULLED_FAST_AFTER,
            adapter.fast_resets_after,
            "after one of 694 us",
        ),
    )
    if adapter.quiet_ones.share("FF") < 1:
        return  # short lows come back pulled too: long ones say nothing of their own
    for sign, echoes, when in rows:
        hits = pulled(echoes)
        text = f"pulled after {hits} of {echoes.sent} lows of 49 us {when}"
        yield Observation(sign=sign, hits=hits, of=echoes.sent, text=text)


def rate_error(measured: float | None, asked: float, doubt: float) -> float:
    """Relative error of a rate beyond its doubt and what limits bear; 0 within that."""
    if measured is None or not asked:
        return 0.0
    error = measured / asked - 1
    return error if abs(error) > RATE_ALLOWANCE + doubt else 0.0


def _rates(adapter: AdapterFacts) -> Iterator[Observation]:
    rows = (
        (Sign.RATE_OFF, "slots", adapter.measured_baud, adapter.asked_baud, adapter.rate_doubt),
        (Sign.RESET_RATE_OFF, "resets", adapter.measured_reset_baud, 9600.0, adapter.reset_rate_doubt),
    )  # fmt: skip
    for sign, what, measured, asked, doubt in rows:
        if measured is not None:
            off = rate_error(measured, asked, doubt)
            text = f"rate of the {what} by time {measured:.0f} baud (+-{doubt:.1%}), wanted {asked:.0f}"
            yield Observation(sign=sign, hits=int(bool(off)), of=1, text=text)
    if adapter.measured_baud is not None and adapter.measured_reset_baud is not None:
        bits = frame_bits(adapter)
        longer = bits is not None and bits != PORT_FRAME_BITS
        both = f"{adapter.measured_reset_baud:.0f} and {adapter.measured_baud:.0f} baud"
        text = f"rates of resets and slots by time {both}: "
        text += f"{bits} bits a character" if longer else "no whole number of bits"
        yield Observation(sign=Sign.FRAME_LONGER, hits=int(longer), of=1, text=text)
    if adapter.echo_without_supply is not None:
        high = adapter.echo_without_supply == "FF"
        text = f"FFh echoes {adapter.echo_without_supply} with the bus supply off"
        yield Observation(sign=Sign.HIGH_UNFED, hits=int(high), of=1, text=text)


def frame_bits(adapter: AdapterFacts) -> int | None:
    """Bits of a character on the line, if both rates are off by one ratio; else None.

    A wrong frame and a wrong clock give the same time where the ratio is that of whole
    bits; a wrong divisor of the slot rate leaves the resets right.
    """
    slots, resets = adapter.measured_baud, adapter.measured_reset_baud
    if slots is None or resets is None or not adapter.asked_baud:
        return None
    ratio, other = adapter.asked_baud / slots, 9600 / resets
    doubt = adapter.rate_doubt + adapter.reset_rate_doubt + 0.003
    bits = round(PORT_FRAME_BITS * ratio)
    agree = abs(ratio - other) <= doubt
    whole = abs(PORT_FRAME_BITS * ratio - bits) <= PORT_FRAME_BITS * doubt
    return bits if agree and whole else None


def _bursts(adapter: AdapterFacts) -> Iterator[Observation]:
    if adapter.bursts:
        longest = max(adapter.bursts)
        whole, tries = adapter.bursts[longest]
        short = tries - whole if adapter.burst_missing else 0
        yield Observation(
            sign=Sign.BURST_SHORT,
            hits=short,
            of=tries,
            text=f"{whole} of {tries} bursts of {longest} came back whole",
        )
        sent = sum(size * of for size, (_, of) in adapter.bursts.items())
        merged = adapter.burst_missing if adapter.burst_missing > 0.8 * sent else 0
        each = whole if adapter.ones.usual == "00" else 0
        yield Observation(
            sign=Sign.EACH_LOW,
            hits=each,
            of=tries,
            text=f"{each} of {tries} bursts of FFh came back as one 00h for each",
        )
        yield Observation(
            sign=Sign.ECHOES_MERGED,
            hits=merged,
            of=sent,
            text=f"{adapter.burst_missing} of {sent} characters of bursts came back as none",
        )
    if adapter.boundaries:
        yield _boundary(adapter)


def merged(adapter: AdapterFacts) -> bool:
    """True if no burst brings more than one character for each time that it is sent.

    So answers a line that stays low: one break, however much is sent.
    """
    times = sum(of for _, of in adapter.bursts.values())
    sent = sum(size * of for size, (_, of) in adapter.bursts.items())
    came = sent - adapter.burst_missing + adapter.burst_extra
    return adapter.ones.usual == "00" and sent > 0 and came <= times


def _boundary(adapter: AdapterFacts) -> Observation:
    """Full packets hang and their neighbours do not: Fisher's exact test, one-sided."""
    hung = {size: of - whole for size, (whole, of) in adapter.boundaries.items()}
    always = [n for n, times in hung.items() if times == adapter.boundaries[n][1]]
    never = [n for n, times in hung.items() if not times]
    sharp = bool(always) and bool(never) and len(always) + len(never) == len(hung)
    text = f"bursts of {', '.join(map(str, always)) or 'no length'} hang each time, "
    text += f"of {', '.join(map(str, never)) or 'no length'} never"
    return Observation(sign=Sign.BOUNDARY, hits=int(sharp), of=1, text=text)


def _times(adapter: AdapterFacts) -> Iterator[Observation]:
    if not adapter.round_trip_ms:
        return
    median, p95, longest = adapter.round_trip_ms
    text = (
        f"round trip of one character: median {median:.1f} ms, 95 % {p95:.1f} ms, "
        f"longest {longest:.1f} ms"
    )
    held = median >= HELD_MS
    late = longest >= max(LATE_MS, LATE_TIMES * median)
    yield Observation(sign=Sign.REPLIES_HELD, hits=int(held), of=1, text=text)
    yield Observation(sign=Sign.REPLIES_LATE, hits=int(late), of=1, text=text)


def _characters(adapter: AdapterFacts) -> Iterator[Observation]:
    changed = {
        sent: sum(n for echo, n in echoes.items() if echo != sent)
        for sent, echoes in adapter.characters.items()
    }
    for sign, mine in ((Sign.CONTROL_CHANGED, True), (Sign.OTHERS_CHANGED, False)):
        rows = [sent for sent in changed if (sent in CONTROLS) == mine]
        always = [
            sent
            for sent in rows
            if changed[sent] == sum(adapter.characters[sent].values())
        ]
        text = (
            f"{', '.join(f'{s}h' for s in always) or 'none'} of {len(rows)} characters"
        )
        text += f" {'that terminals take for controls' if mine else 'of other kinds'} never came back"
        yield Observation(sign=sign, hits=len(always), of=len(rows), text=text)


def _openings(evidence: Evidence) -> Iterator[Observation]:
    asked = [d for d in evidence.devices if d.openings]
    hits, of = sum(d.lost_at_openings for d in asked), sum(d.openings for d in asked)
    text = f"settings gone in {hits} of {of} looks right after the port was opened"
    yield Observation(sign=Sign.LOST_AT_OPENING, hits=hits, of=of, text=text)
    if of and hits:
        kept = [c.marker_kept for d in asked for c in d.conversions]
        gone, looks = kept.count(False), len(kept) - kept.count(None)
        # all losses at openings, by lot among all looks
        chance = fewer_by_chance(gone, looks, hits, of)
        text += f", in {gone} of {looks} at other times: {by_chance(chance)}"
        only = int(chance <= ERROR)
        yield Observation(sign=Sign.ONLY_AT_OPENING, hits=only, of=1, text=text)
