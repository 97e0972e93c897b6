"""Rules about adapter and host: what spoils everything behind them."""

from __future__ import annotations

from collections.abc import Iterator

from harness.diagnosis.causes.noise import disturbed_slots
from harness.diagnosis.evidence.bus import AdapterFacts, Evidence
from harness.diagnosis.finding import Cause, Finding, FindingSeverity
from harness.diagnosis.signs.adapter import CONTROLS, LATE_MS, LATE_TIMES
from harness.diagnosis.signs.exact import by_chance, one_rate_by_chance
from harness.diagnosis.signs.sign import ERROR

_RATE_ALLOWANCE = 0.02
"""A device's own clock takes no part; 2 % is what slot and reset limits still bear."""

_SLOW_ROUND_TRIP_MS = 5.0
"""Between a latency timer of 1 ms and the usual default of 16 ms (common practice, no
source)."""

_ROUND_TRIPS_A_DEVICE = 58
"""Of a search: reset, then 57 positions that cannot be foreseen (driver.search)."""


def adapter_lost(evidence: Evidence) -> Iterator[Finding]:
    """The port went away while in use."""
    if evidence.lost:
        yield Finding(
            cause=Cause.ADAPTER,
            kind="lost",
            summary="the adapter went away while it was in use; what devices held is invalid",
            measured=(f"port lost {evidence.lost} times",),
            try_first="fit a short USB cable or a powered hub; then set handshake lines "
            "so that opening the port does not blink the bus supply",
        )


def blinking_supply(evidence: Evidence) -> Iterator[Finding]:
    """Volatile settings are gone each time the port is opened, and only then."""
    asked = [d for d in evidence.devices if d.openings]
    hit = [d for d in asked if d.openings > 1 and d.lost_at_openings == d.openings]
    if not hit:
        return
    yield Finding(
        cause=Cause.ADAPTER,
        kind="supply-blinks",
        summary="opening the port cuts the supply of the bus for a moment: whatever devices "
        "hold in volatile memory is invalid after it",
        measured=(
            f"settings gone in {len(hit)} of {len(asked)} devices after each of "
            f"{hit[0].openings} openings of the port",
            "settings kept while the port stayed open",
        ),
        ruled_out=("a restart by chance: it came with each opening",),
        try_first="feed the bus by a supply of its own, or set the handshake lines before "
        "the port is used; apply settings anew after each opening",
        severity=FindingSeverity.WARNING,
    )


def inverted_receiver(evidence: Evidence) -> Iterator[Finding]:
    """Each character echoes 00h, at any rate: the receiver sees the line upside down."""
    adapter = evidence.adapter
    if adapter is None:
        return
    ones, slow = adapter.ones, adapter.slow_ones
    if ones.usual == "00" and slow.usual == "00" and ones.share("00") > 0.8:
        yield Finding(
            cause=Cause.ADAPTER,
            kind="inverted",
            summary="every character comes back as 00h: the receive line is inverted",
            measured=(
                f"FFh echoes 00h in {ones.histogram['00']} of {ones.sent}",
                f"FFh at 9600 baud echoes 00h in {slow.histogram['00']} of {slow.sent}",
            ),
            ruled_out=("short to ground: it would give silence",),
            try_first="take the inverter out of the receive line, or use an adapter "
            "with logic levels",
        )


def terminal_echo(evidence: Evidence) -> Iterator[Finding]:
    """What was received is sent out again."""
    adapter = evidence.adapter
    if adapter is None:
        return
    quiet = adapter.quiet_ones
    if quiet.histogram and quiet.followed * 2 >= quiet.sent:
        zeros = adapter.zeros
        escaped = bool(zeros.histogram) and zeros.followed * 2 < zeros.sent
        yield Finding(
            cause=Cause.HOST,
            kind="terminal-layer" if escaped else "doubled-echo",
            summary="a second FFh follows each one received and nothing else is doubled: a "
            "terminal layer takes the echoes for text and escapes them"
            if escaped
            else "characters that were not sent follow each one sent: received characters are sent out again",
            measured=(
                f"{quiet.extra} extra characters behind {quiet.followed} of {quiet.sent} "
                f"single FFh, {zeros.extra} behind {zeros.followed} of {zeros.sent} "
                "single 00h",
            ),
            try_first="open the port raw, without marks for framing errors; bypass the layer "
            "in between"
            if escaped
            else "switch terminal echo off (another program uses the port as a terminal), "
            "or bypass the layer in between",
        )


def terminal_layer(evidence: Evidence) -> Iterator[Finding]:
    """Control characters never come back as sent, others of the same pulses always."""
    adapter = evidence.adapter
    if adapter is None or any(terminal_echo(evidence)):
        return
    changed = {
        sent: next(iter(echoes))
        for sent, echoes in adapter.characters.items()
        if sent in CONTROLS and sent not in echoes and len(echoes) == 1
    }
    if changed:
        told = ", ".join(f"{sent}h as {echo}" for sent, echo in changed.items())
        of = next(iter(adapter.characters.values()))
        yield Finding(
            cause=Cause.HOST,
            kind="terminal-layer",
            summary="characters that a terminal takes for controls never come back as sent, "
            "others do: a terminal layer stands between host and adapter",
            measured=(f"came back of each {sum(of.values())}: {told}",),
            try_first="open the port raw: no translation of line ends, no flow control",
        )


def packet_boundary(evidence: Evidence) -> Iterator[Finding]:
    """Bursts that end with a full packet hang, their neighbours never do."""
    adapter = evidence.adapter
    if adapter is None or not adapter.boundaries:
        return
    hung = [n for n, (whole, _) in adapter.boundaries.items() if not whole]
    well = [n for n, (whole, of) in adapter.boundaries.items() if whole == of]
    if hung and well:
        yield _full_packets_hang(hung, well, adapter.boundaries[hung[0]][1])


def _full_packets_hang(hung: list[int], well: list[int], tries: int) -> Finding:
    """Of so many bursts of each of these lengths."""
    keeps = max((n for n in well if n < min(hung)), default=min(well))
    return Finding(
        cause=Cause.ADAPTER,
        kind="packet-boundary",
        summary=f"bursts that end with a full packet are kept back until more follows: "
        f"{', '.join(map(str, hung))} characters hang, {', '.join(map(str, well))} do not",
        measured=(f"{tries} of {tries} bursts of each of these lengths",),
        try_first=f"write `max_burst: {min(keeps, 60)}` under `adapter` in the fixture, so that "
        "no burst ends with a full packet; begin again from a reset after one that hung",
    )


def wrong_rate(evidence: Evidence) -> Iterator[Finding]:
    """Framing cannot show a wrong rate, time can: sender and receiver share a clock."""
    adapter = evidence.adapter
    if adapter is None or adapter.measured_baud is None or not adapter.asked_baud:
        return
    error = adapter.measured_baud / adapter.asked_baud - 1
    if abs(error) > _RATE_ALLOWANCE + adapter.rate_doubt:
        slots_ms = 1e4 / adapter.measured_baud * 1e3
        yield Finding(
            cause=Cause.ADAPTER,
            kind="wrong-rate",
            summary=f"the adapter runs {error:+.1%} off the rate that was asked for: echoes "
            "look right and devices misread every slot",
            measured=(
                f"slot rate {adapter.measured_baud:.0f} baud, wanted {adapter.asked_baud:.0f}"
                f" (+-{adapter.rate_doubt:.1%})",
                f"1000 slots take {slots_ms:.1f} ms, wanted {1e7 / adapter.asked_baud:.1f} ms",
            ),
            ruled_out=("devices: they were not even needed for this",),
            try_first="set adapter.kind to the adapter's clock grid, or use another adapter",
        )


def lost_characters(evidence: Evidence) -> Iterator[Finding]:
    """Bursts come back short: as single characters do, or beyond them."""
    adapter = evidence.adapter
    if adapter is None or not adapter.bursts or _edges_or_noise(evidence, adapter):
        return
    longest = max(adapter.bursts)
    whole, tries = adapter.bursts[longest]
    if whole < tries and adapter.burst_missing:
        yield _drops(adapter)


def _drops(adapter: AdapterFacts) -> Finding:
    """What is lost, and the cure for it: shorter bursts help against their own losses only."""
    sizes, ones = adapter.bursts, adapter.ones
    longest, keeps = max(sizes), min(sizes)
    single = (ones.sent - ones.silent, ones.sent)
    kept = {1: single} | ({keeps: sizes[keeps]} if keeps < longest else {})
    chance = one_rate_by_chance(
        {n: count for n, count in sizes.items() if n not in kept}, kept
    )
    shorter = f"write `max_burst: {keeps}` under `adapter` in the fixture"
    if chance <= ERROR:
        summary = "long bursts lose characters between line and host"
        cure = f"{shorter}, or try another hub port"
    elif ones.silent:
        summary = (
            "characters are lost between line and host, single ones as those of bursts"
        )
        cure = "try another port, cable or hub, then another adapter; shorter bursts do not help"
    else:
        summary = (
            "characters of bursts are lost between line and host; so few that single "
        )
        summary += "ones may be lost as well"
        cure = f"{shorter}; where losses go on, try another port or cable"
    return Finding(
        cause=Cause.ADAPTER,
        kind="drops",
        summary=summary,
        measured=(
            f"{sizes[longest][0]} of {sizes[longest][1]} bursts of {longest} came back whole, "
            f"{sizes[keeps][0]} of {sizes[keeps][1]} of {keeps}",
            f"single characters: {single[0]} of {single[1]} echoed; all of this at one rate of "
            f"loss for each character: {by_chance(chance)}",
            f"{adapter.burst_missing} characters missing, {adapter.burst_extra} too many",
        ),
        ruled_out=("devices and line: echoes that came are unchanged",),
        try_first=cure,
    )


def _edges_or_noise(evidence: Evidence, adapter: AdapterFacts) -> bool:
    """True where slots come back changed: then characters merge or split."""
    line = evidence.line
    changed = line is not None and (
        line.ones.share("FF") < 1
        or line.zeros.share(line.zeros.usual) < 1
        or line.zeros.extra
    )
    return bool(
        adapter.ones.usual != "FF"
        or adapter.burst_extra
        or changed
        or disturbed_slots(evidence)
    )


def slow_round_trip(evidence: Evidence) -> Iterator[Finding]:
    """Late replies cost time and nothing else."""
    adapter = evidence.adapter
    if adapter is None or not adapter.round_trip_ms:
        return
    median, p95, longest = adapter.round_trip_ms
    if median < _SLOW_ROUND_TRIP_MS or any(inverted_receiver(evidence)):
        return
    devices = max(evidence.expected.devices, len(evidence.devices), 1)
    predicted_s = devices * _ROUND_TRIPS_A_DEVICE * median / 1e3
    yield Finding(
        cause=Cause.ADAPTER,
        kind="latency",
        summary=f"replies are held back: a search of {devices} devices takes about "
        f"{predicted_s:.1f} s; readings stay valid",
        measured=(
            f"round trip of one character: median {median:.1f} ms, 95 % {p95:.1f} ms, "
            f"longest {longest:.1f} ms",
        ),
        try_first="lower the adapter's latency timer (1 ms), batch slots",
        severity=FindingSeverity.WARNING,
    )


def late_host(evidence: Evidence) -> Iterator[Finding]:
    """Most replies are quick and a few are not: the host or a hub had other things to do.

    Gaps between slots are legal: a slot has a shortest recovery and no longest (data
    sheet of family 28h, part DS18B20, p. 19).
    """
    adapter = evidence.adapter
    if adapter is None or not adapter.round_trip_ms or any(inverted_receiver(evidence)):
        return
    median, p95, longest = adapter.round_trip_ms
    came = evidence.late.came if evidence.late else 0
    short = evidence.late.short if evidence.late else 0
    late = came or longest >= max(LATE_MS, LATE_TIMES * median)
    if not late or any(wrong_rate(evidence)):
        return  # at a wrong rate each burst takes longer than its time
    yield Finding(
        cause=Cause.HOST,
        kind="late-now-and-then",
        summary="some replies come much later than most: host or hub had other things to do; "
        "slots stay exact and readings valid, only the time of a run varies",
        measured=(
            f"round trip of one character: median {median:.1f} ms, 95 % {p95:.1f} ms, "
            f"longest {longest:.1f} ms",
        )
        + (
            (f"{came} of {short} bursts that came back short were whole later",)
            * bool(short)
        ),
        ruled_out=("late devices: a reply late at the host was no later on the line",),
        try_first="a port of its own without a hub, power saving off, fewer programs",
        # what was given up had to be asked for again
        severity=FindingSeverity.WARNING if came else FindingSeverity.NOTE,
    )


def push_pull_output(evidence: Evidence) -> Iterator[Finding]:
    """A line without its pull-up's supply cannot be high, unless somebody drives it."""
    adapter = evidence.adapter
    if adapter is None or adapter.echo_without_supply != "FF":
        return
    yield Finding(
        cause=Cause.ADAPTER,
        kind="push-pull",
        summary="the echo stays perfect with the bus supply off: the transmit output "
        "drives the line high and overrides the devices",
        measured=("1 of 1 FFh echoes FFh with the bus supply off",),
        try_first="put a diode or an open-drain stage between TX and the line",
    )


def holds_singles(evidence: Evidence) -> Iterator[Finding]:
    """Single characters bring nothing, a burst comes back: short writes are kept back."""
    adapter = evidence.adapter
    if not evidence.silent or adapter is None or not adapter.bursts:
        return
    size, (whole, _) = next(iter(adapter.bursts.items()))
    came = size - adapter.burst_missing
    if came < HELD_SHARE * size:
        return  # a line that goes low merges a burst into a character
    yield Finding(
        cause=Cause.ADAPTER,
        kind="holds-short-writes",
        summary="single characters bring no echo and a long burst does: the adapter, or what is "
        "between, passes on full packets only",
        measured=(
            f"0 of {adapter.ones.sent} single characters echoed, {came} of {size} in a burst"
            f"{', whole' if whole else ''}",
        ),
        ruled_out=(
            "a low line and an open receive lead: neither lets a burst through",
        ),
        try_first="switch off buffering on the way (a network bridge, a terminal program), or "
        "use another adapter",
    )


HELD_SHARE = 0.5
"""A line that stays low gives one character a burst, a deaf receiver none (arithmetic)."""


def silence(evidence: Evidence) -> Iterator[Finding]:
    """Nothing that was sent came back from the first character on."""
    if not evidence.silent or evidence.seen_low or evidence.adapter is None:
        return
    if any(holds_singles(evidence)):
        return
    yield Finding(
        cause=Cause.UNDECIDED,
        kind="silent",
        summary="nothing that is sent comes back; echoes alone cannot tell a low line "
        "from a deaf receiver",
        measured=(
            f"0 of {evidence.adapter.ones.sent} characters echoed at the slot rate, "
            f"0 of {evidence.adapter.slow_ones.sent} at 9600 baud",
        ),
        ruled_out=("a device that does not answer: its slots would still echo",),
        discriminators=(
            f"{Cause.BUS_WIRING} stuck-low: the idle line measures near 0 V; halve the "
            "wiring until it rises (a thermostat left in its own mode frees when cooled)",
            f"{Cause.ADAPTER} receive-open: the idle line measures near the supply and RX "
            "does not follow it",
            f"{Cause.SUPPLY} no-pull-up: the pull-up has no supply, or is not fitted",
            f"{Cause.BUS_WIRING} stuck-high: the line stays near the supply while TX is "
            "low: it is tied to the supply, or TX does not reach it",
        ),
        try_first="measure the idle line against ground: near 0 V look for a short or "
        "swapped leads, near the supply look at the RX lead",
    )


STEP_S = 0.1
"""A clock that is slewed goes 500 ppm apart at most (RFC 5905), 0.06 s in two minutes; what
goes further was set."""


def clock_step(evidence: Evidence) -> Iterator[Finding]:
    """The host's wall clock was set while we examined."""
    step_s = evidence.clock_step_s
    if step_s is None or abs(step_s) < STEP_S:
        return
    yield Finding(
        cause=Cause.HOST,
        kind="clock-step",
        summary="the host's wall clock was set during the examination: dates in the journal jump, "
        "and the clock of a device compared with it seems to",
        measured=(f"the wall clock went {step_s:+.3f} s beside the running time",),
        ruled_out=("waits and round trips: they go by the running time",),
        try_first="let the host's clock settle before a run; compare the clocks of devices again",
        severity=FindingSeverity.WARNING,
    )
