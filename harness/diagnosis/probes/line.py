"""Probes of adapter, idle line, resets and edges; none of them needs a device."""

from __future__ import annotations

import statistics
from collections import Counter
from contextlib import suppress

from harness.diagnosis.effort import Effort
from harness.diagnosis.evidence.bus import (
    AdapterFacts,
    Echoes,
    Evidence,
    IdleFacts,
    LineEvidence,
    ResetFacts,
)
from harness.diagnosis.probes.raw_link import RawLink
from harness.diagnosis.rise import device_share
from harness.errors import CannotSwitch, PortUnsuitable

RULER_BAUD = 115_200
FINE_RULER_BAUD = 230_400

_SINGLES = 200
"""Round trips of one character: enough for a 95 % quantile (common practice, no source)."""

_SLOW_BAUD = 9600
_ZEROS = 10
_ECHO_PAUSE_S = 0.02
"""A terminal that answers its own echo does so within some milliseconds."""

_PACKET = 62
"""Characters of a full USB packet of the commonest chip: no latency timer at its end."""
_RATE_SLOTS = (48 * _PACKET, 16 * _PACKET, 4 * _PACKET)
_RESET_BURSTS = (3 * _PACKET,)
"""Of resets: 0.19 s at 9600 baud, 0.13 s longer than one packet, so that 1 ms of the host
is a doubt of 0.8 %."""
_RATE_TRIES = 4
_PATIENCE_S = 4 * _PACKET * 10 / 1200
"""A burst that no usual patience hears whole may be one at a lower rate: the shortest that
is timed at 1200 baud, the lowest in common use, 2.1 s."""
_HOST_JITTER_S = 0.001
"""What a host may be late in seeing the last character of a burst (one USB frame)."""

_BURSTS = (512, 256, 128, 64, 32, 16)
_BURST_TRIES = 8
_PATIENT = 512
"""Characters of the burst that is tried where single ones bring nothing: eight packets of
64, the largest of a common chip."""

FAST_RESET_BYTE = 0xC0
"""Low for seven bits, 49 us at 142,857 baud: a reset to whoever is in overdrive (48 to
80 us), sampled 0.5 and 1.5 bits after the release, one of which lies in its presence."""

PULSE_BYTE = 0xF0
LONG_RESET_BAUD = 7200
_RESET_RATES = (9600, LONG_RESET_BAUD)
"""F0h there is low for 521 and 694 us; 7200 baud samples at 69 us, where every presence
pulse within limits is low."""


def examine_adapter(link: RawLink) -> AdapterFacts:
    """Echo, round trips, rate, bursts; stops early where nothing comes back."""
    baud = link.bus.slots.request_baud
    link.bus.adapter.settle()
    ones, trips_s = link.singly(0xFF, baud, _SINGLES)
    zeros, _ = link.singly(0x00, baud, _ZEROS, pause_s=_ECHO_PAUSE_S)
    quiet, _ = link.singly(0xFF, baud, _ZEROS, pause_s=_ECHO_PAUSE_S)
    fast, _ = link.singly(FAST_RESET_BYTE, baud, _ZEROS, pause_s=_ECHO_PAUSE_S)
    after = Echoes(sent=0)
    if fast.share(f"{FAST_RESET_BYTE:02X}") < 1:
        link.send(bytes([PULSE_BYTE]), _RESET_RATES[-1])
        link.wait(link.presence_s)
        link.send(b"\xff" * 8, baud)
        after, _ = link.singly(FAST_RESET_BYTE, baud, _ZEROS, pause_s=_ECHO_PAUSE_S)
    slow, _ = link.singly(0xFF, _SLOW_BAUD, 4)  # last: 104 us may end overdrive
    trips_ms = sorted(trip * 1e3 for trip in trips_s)
    link.held_s = statistics.median(trips_s) if trips_s else 0.0
    bursts: dict[int, tuple[int, int]] = {}
    missing = extra = 0
    measured, doubt, resets, reset_doubt = None, 0.0, None, 0.0
    if ones.histogram and not ones.extra and not quiet.followed * 2 > quiet.sent:
        bursts, missing, extra = _bursts(link, baud)
        late_s = (trips_ms[-1] - statistics.median(trips_ms)) / 1e3
        end_s = max(late_s, _timer_s(link, baud))
        measured, doubt = _rate(link, baud, end_s)
        if measured is None:
            with link.patient(_PATIENCE_S):
                measured, doubt = _rate(link, baud, end_s, sizes=_RATE_SLOTS[-1:])
        resets, reset_doubt = _rate(
            link, _SLOW_BAUD, late_s, byte=PULSE_BYTE, sizes=_RESET_BURSTS, tries=2
        )
    if not ones.histogram:
        # one that answers whole packets only is no silent one
        heard = link.send(b"\xff" * _PATIENT, baud)
        missing, extra = _PATIENT - len(heard.echoes), len(heard.extra)
        bursts = {_PATIENT: (int(heard.whole), 1)} if heard.echoes else {}
        link.bus.adapter.settle()
    unfed = _echo_without_supply(link, baud) if ones.histogram else None
    link.send(b"\xff", baud)  # the idle line is heard at this rate
    return AdapterFacts(
        ones=ones,
        slow_ones=slow,
        zeros=zeros,
        quiet_ones=quiet,
        fast_resets=fast,
        fast_resets_after=after,
        round_trip_ms=(
            round(statistics.median(trips_ms), 3),
            round(trips_ms[int(0.95 * len(trips_ms))], 3),
            round(trips_ms[-1], 3),
        )
        if trips_ms
        else (),
        asked_baud=round(link.bus.adapter.grid.achieved(baud), 1),
        measured_baud=round(measured, 1) if measured else None,
        rate_doubt=round(doubt, 5),
        measured_reset_baud=round(resets, 1) if resets else None,
        reset_rate_doubt=round(reset_doubt, 5),
        bursts=bursts,
        burst_missing=missing,
        burst_extra=extra,
        echo_without_supply=unfed,
    )


def longest_whole(bursts: dict[int, tuple[int, int]]) -> int:
    """The longest burst of which all came back whole; the shortest tried otherwise."""
    return next(
        (size for size, (whole, tries) in bursts.items() if whole == tries),
        min(bursts, default=_BURSTS[-1]),
    )


def _bursts(link: RawLink, baud: int) -> tuple[dict[int, tuple[int, int]], int, int]:
    """Halve the burst until all are whole; also characters lost and in excess.

    Beyond the adapter's longest burst, several go out, which proves nothing of one.
    """
    found = {}
    missing = extra = 0
    longest = link.bus.adapter.max_burst
    for size in [size for size in _BURSTS if size <= longest] or [longest]:
        whole = 0
        for _ in range(_BURST_TRIES):
            heard = link.send(b"\xff" * size, baud)
            whole += heard.whole
            if not heard.whole:
                late = link.bus.adapter.settle()
                link.quiet()
                extra += len(heard.extra) + len(late)
                missing += size - len(heard.echoes)
        found[size] = (whole, _BURST_TRIES)
        if whole == _BURST_TRIES:
            break
    return found, missing, extra


def _timer_s(link: RawLink, baud: int) -> float:
    """What the adapter's timer may add to the end of one burst and not of another.

    A timer that is longer than a packet takes never runs out in whole packets; a shorter
    one cuts them, and the rest of each burst waits for it.
    """
    return link.held_s if link.held_s < _PACKET * 10 / baud + _HOST_JITTER_S else 0.0


def _rate(
    link: RawLink,
    baud: int,
    late_s: float,
    *,
    byte: int = 0xFF,
    sizes: tuple[int, ...] = _RATE_SLOTS,
    tries: int = _RATE_TRIES,
) -> tuple[float | None, float]:
    """Rate by the difference of a long and a short burst of whole packets.

    A busy host only ever makes a burst longer, so the shortest of a few counts; where
    single replies come late by ``late_s``, even that one may be so late. What the
    adapter would send as several bursts has the host's pauses in it and is no measure.
    """
    longest = link.bus.adapter.max_burst
    able = [size for size in sizes if size <= longest]
    short_s = _whole_bursts_s(link, baud, _PACKET, byte, tries) if able else []
    for size in able if short_s else ():
        long_s = _whole_bursts_s(link, baud, size, byte, tries)
        if long_s:
            needed_s = max(min(long_s) - min(short_s), 1e-6)
            spread_s = min(long_s[1:], default=long_s[0]) - min(long_s)
            doubt = (max(spread_s, 0.0) + max(late_s, _HOST_JITTER_S)) / needed_s
            return 10 * (size - _PACKET) / needed_s, doubt
    return None, 0.0


def _whole_bursts_s(
    link: RawLink, baud: int, size: int, byte: int, tries: int
) -> list[float]:
    """Times of a few bursts, those that did not come back whole left out."""
    took_s = []
    for _ in range(tries):
        heard = link.send(bytes([byte]) * size, baud)
        if heard.whole:
            took_s.append(heard.took_s)
        else:
            link.quiet()
    return sorted(took_s)


def _echo_without_supply(link: RawLink, baud: int) -> str | None:
    """An open-drain line cannot stay high without its pull-up's supply."""
    adapter = link.bus.adapter
    supply, _ = adapter.switches
    if adapter.switching.supply_on is None or not supply:
        return None
    try:
        adapter.switch(supply=False)
        link.wait(0.3)
        heard = link.send(b"\xff", baud)
    except CannotSwitch:
        return None
    finally:
        with suppress(CannotSwitch):
            adapter.switch(supply=True)
        link.wait(0.1)
    return heard.echoes.hex().upper() or "none"


def listen(link: RawLink, for_s: float) -> IdleFacts:
    """Nothing is sent; whoever speaks now was not asked."""
    clock = link.bus.clock
    link.quiet()
    started_s = clock.now_s()
    arrivals: list[tuple[float, int]] = []
    values: Counter[str] = Counter()
    while clock.now_s() - started_s < for_s:
        came = link.wait(0.05)
        if came:
            arrivals.append((round(clock.now_s() - started_s, 3), len(came)))
            values.update(f"{value:02X}" for value in came)
    return IdleFacts(
        for_s=round(clock.now_s() - started_s, 3),
        arrivals=tuple(arrivals),
        values=dict(values),
    )


def examine_resets(link: RawLink, times: int) -> tuple[ResetFacts, ...]:
    """Resets by the chosen character, then by F0h at 9600 and 7200 baud."""
    chosen = link.bus.reset_frame
    rows = [
        (chosen.request_baud, chosen.frame.byte, chosen.frame.zeros),
        *((baud, PULSE_BYTE, 4) for baud in _RESET_RATES),
    ]
    found = []
    for baud, byte, zeros in rows:
        echoes, _ = link.singly(byte, baud, times, pause_s=link.presence_s)
        real = link.bus.adapter.grid.achieved(baud)
        found.append(
            ResetFacts(
                baud=baud,
                byte=byte,
                low_us=round((1 + zeros) * 1e6 / real, 1),
                first_sample_us=round(0.5e6 / real, 1),
                echoes=echoes,
            )
        )
    return tuple(found)


def examine_line(
    link: RawLink, effort: Effort, known: Evidence, size: int
) -> LineEvidence:
    """Edges and lifted lows, with nobody addressed.

    Eight ones are no ROM command: after them all devices wait for the next reset.
    """
    silence_everybody(link)
    ones = link.burst(0xFF, RULER_BAUD, effort.slots, size=size)
    fine, grid = None, link.bus.adapter.grid
    # an adapter that may make another rate of it than asked for is no ruler
    if grid.free:
        with suppress(PortUnsuitable):
            fine = link.burst(0xFF, FINE_RULER_BAUD, 64, size=min(size, 64))
    rise_us = _rise_us(ones, fine)
    zero = link.bus.slots.write_0_byte
    silence_everybody(link)
    zeros, answers = _zeros(link, zero, effort.slots // 4, size=size)
    after = None
    if answers:
        link.send(bytes([PULSE_BYTE]), _RESET_RATES[-1])
        link.wait(0.002)
        link.send(b"\xff" * 8, link.bus.slots.request_baud)
        after = _zeros(link, zero, 64, size=size)[1]
    ratio = device_share(known.expected.supply_v)
    return LineEvidence(
        ones=ones,
        fine_ones=fine,
        zeros=zeros,
        rise_us=rise_us,
        crossing_us=round(1e6 / RULER_BAUD + ratio * rise_us[1], 2),
        answers_in_zeros=answers,
        answers_after_long_reset=after,
    )


def _zeros(link: RawLink, byte: int, slots: int, *, size: int) -> tuple[Echoes, int]:
    echoes = link.burst(byte, link.bus.slots.request_baud, slots, size=min(size, 64))
    return echoes, echoes.extra


def silence_everybody(link: RawLink) -> None:
    """A reset and eight ones, which are no ROM command: all wait for the next reset."""
    frame = link.bus.reset_frame
    link.send(bytes([frame.frame.byte]), frame.request_baud)
    link.wait(0.002)
    link.send(b"\xff" * 8, link.bus.slots.request_baud)


def released_us(echo: str, baud: int) -> tuple[float, float]:
    """When the line had risen after the release of an FFh slot, by its graded echo.

    Data bit i is sampled at (i + 1.5) bit times and the slot is released at 1.
    """
    bit_us = 1e6 / baud
    value = int(echo, 16) if echo else 0xFF
    low = next((bit for bit in range(8) if value >> bit & 1), 8)
    return (max(0.0, (low - 0.5) * bit_us), (low + 0.5) * bit_us)


def _rise_us(ones: Echoes, fine: Echoes | None) -> tuple[float, float]:
    coarse = released_us(ones.usual, RULER_BAUD)
    if fine is None or not fine.histogram:
        return coarse
    exact = released_us(fine.usual, FINE_RULER_BAUD)
    low, high = max(coarse[0], exact[0]), min(coarse[1], exact[1])
    return (round(low, 2), round(high, 2)) if low < high else coarse
