"""Rules about the line: levels, edges, presence, and who else speaks on it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from harness.diagnosis.causes.adapter import wrong_rate
from harness.diagnosis.evidence.bus import (
    AdapterFacts,
    DeviceFacts,
    Evidence,
    LineEvidence,
    ResetFacts,
    SampleStep,
    ScanFacts,
)
from harness.diagnosis.finding import Cause, Finding, FindingSeverity
from harness.diagnosis.probes.line import RULER_BAUD
from harness.diagnosis.rise import device_share
from harness.diagnosis.signs.adapter import merged
from harness.diagnosis.signs.line import (
    LEAST_MARGIN_US,
    LONGEST_PRESENCE_US,
    SAMPLE_US,
    changed,
    errors_fall,
    low_at_the_end,
    pull_up_rise_us,
    slots_end_late,
)
from harness.digits import bound_text, span_text
from harness.records import Bound


def _held(adapter: AdapterFacts) -> bool:
    """True if all is low at any rate: nothing echoes, or one break for each write."""
    slow = adapter.slow_ones
    low = not slow.histogram or (slow.usual == "00" and merged(adapter))
    return adapter.ones.usual == "00" and low


def stuck_low(evidence: Evidence) -> Iterator[Finding]:
    """Echoes came, then none any more: the line went low and stayed."""
    adapter = evidence.adapter
    if adapter is None or evidence.silent:
        return
    silent = [r for r in evidence.resets if r.echoes.silent == r.echoes.sent]
    later = evidence.line is not None and not evidence.line.ones.histogram
    shorted = evidence.scans is not None and bool(
        {"line-shorted", "no-echo"} & set(evidence.scans.troubles)
    )
    held = _held(adapter)
    if not (silent or later or held or (shorted and not evidence.devices)):
        return
    yield Finding(
        cause=Cause.BUS_WIRING,
        kind="stuck-low",
        summary="the line is low and stays low"
        if held
        else "the line worked, then went low and stays low",
        measured=(
            f"{adapter.burst_missing} characters of bursts merged into one low",
            f"FFh echoes {adapter.ones.usual}h",
        )
        if held
        else (
            f"{adapter.ones.sent - adapter.ones.silent} of {adapter.ones.sent} single "
            "characters echoed at first",
            f"resets without any echo: {sum(r.echoes.silent for r in silent)}",
        ),
        ruled_out=("wrong rate and lost characters: those leave echoes",),
        discriminators=(
            f"{Cause.CONFIGURATION} thermostat: it frees when that device is cooled",
        ),
        try_first="halve the wiring until the line frees; check polarity of the last "
        "device put in; nothing is written meanwhile",
    )


def fell_low(evidence: Evidence) -> Iterator[Finding]:
    """Nothing comes back, and the last character before was a break: the line went low."""
    if not (evidence.silent and evidence.seen_low):
        return
    yield Finding(
        cause=Cause.BUS_WIRING,
        kind="stuck-low",
        summary="the line worked, then went low and stays low",
        measured=(
            "the last character heard was low to its end and not sent so; since then "
            f"0 of {evidence.adapter.ones.sent if evidence.adapter else 0} characters "
            "echoed",
        ),
        discriminators=(
            f"{Cause.ADAPTER} receive-open: the idle line measures near the supply and "
            "RX does not follow it",
            f"{Cause.CONFIGURATION} thermostat: it frees when that device is cooled",
        ),
        try_first="measure the idle line against ground: near 0 V halve the wiring "
        "until it rises; check polarity of the last device put in",
    )


def slow_edge(evidence: Evidence) -> Iterator[Finding]:
    """Ones come back late: resistor times capacitance is too large."""
    line = evidence.line
    if line is None or not line.ones.histogram or _upside_down(evidence):
        return
    margin_us = SAMPLE_US - line.crossing_us
    rise_us = span_text(*line.rise_us, from_zero=True)
    rise = f"rise to the receiver's threshold {rise_us} us"
    echoes = f"idle FFh slots at 115200 baud echo {_shown(line)}"
    if line.rise_us[0] >= pull_up_rise_us(evidence):
        presence = _rise_looks_like_presence(evidence, line)
        yield Finding(
            cause=Cause.BUS_WIRING,
            kind="pull-up",
            summary="the line rises far too slowly for its cable: the pull-up is too weak"
            + ("; what looks like presence is this slow rise" if presence else ""),
            measured=(rise, echoes),
            ruled_out=("presence: slots are as slow as the reset",) if presence else (),
            try_first="measure the pull-up resistor; fit 1 to 1.5 kohm; look for leakage "
            "if it comes with heat",
        )
    elif margin_us < LEAST_MARGIN_US and line.rise_us[0] > 0:
        share = device_share(evidence.expected.supply_v)
        late = line.rise_us[0] * share + 8.7 > SAMPLE_US
        spoilt = errors_fall(evidence.ladder) or bool(
            zeros_merge(evidence) and line.answers_in_zeros
        )
        fault = late or line.ones.share("FF") < 1 or spoilt
        yield Finding(
            cause=Cause.BUS_WIRING,
            kind="slow-edge",
            summary="rising edges are slow: devices that sample early take a one for a zero",
            measured=(
                rise,
                f"a device sees a one after {bound_text(line.crossing_us, Bound.AT_MOST)} "
                f"us, margin to {SAMPLE_US:.0f} us "
                f"{bound_text(margin_us, Bound.AT_LEAST)} us",
                echoes,
                *map(_step, evidence.ladder),
            ),
            ruled_out=("noise: every slot is slow in the same way",),
            try_first="fit a pull-up of 1.5 kohm or an active one, or make two shorter buses",
            severity=FindingSeverity.FAULT if fault else FindingSeverity.WARNING,
        )


def zeros_merge(evidence: Evidence) -> bool:
    """True if the line may not rise for a device between two zeros in a row.

    A 00h leaves it one stop bit. Zeros without a rise between them are a reset, which is
    answered.
    """
    line, adapter = evidence.line, evidence.adapter
    if line is None or adapter is None or not adapter.asked_baud:
        return False
    rise_us = line.crossing_us - 1e6 / RULER_BAUD
    return rise_us >= 1e6 / adapter.asked_baud


def _step(step: SampleStep) -> str:
    of = sum(step.echoes.histogram.values())
    return f"sampled {step.sample_us:.1f} us after the release {changed(step.echoes)} of {of} ones are low"


def _upside_down(evidence: Evidence) -> bool:
    adapter = evidence.adapter
    return adapter is not None and adapter.slow_ones.usual == "00"


def _shown(line: LineEvidence) -> str:
    return ", ".join(f"{echo}h {count}x" for echo, count in line.ones.histogram.items())


def _rise_looks_like_presence(evidence: Evidence, line: LineEvidence) -> bool:
    return any(
        reset.answered > 0.5 and line.rise_us[1] > reset.first_sample_us
        for reset in evidence.resets
    )


def stretched_reset(evidence: Evidence) -> Iterator[Finding]:
    """Resets end late and presence comes as a character of its own; slots are sound.

    00h after a reset that frees by itself is an interrupt pulse (data sheet, parts
    DS1992/DS1993, p. 13-18) or a slow device, no short.
    """
    line = evidence.line
    late = [r for r in evidence.resets if r.echoes.usual == "00" and r.echoes.followed]
    if line is None or line.ones.usual != "FF" or len(late) < len(evidence.resets):
        return
    asked = [d for d in evidence.devices if d.signals is not None]
    found = [d for d in asked if d.signals]
    alarm = (
        f"alarm search answered by {', '.join(d.name for d in found) or 'no device'}"
    )
    yield Finding(
        cause=Cause.DEVICE,
        kind="stretches-reset",
        summary="each reset is held low for longer, then released and answered: a device "
        "with an interrupt pending, or a slow one",
        measured=(
            *map(reset_shown, late),
            f"a character more behind {late[0].echoes.followed} of {late[0].echoes.sent} "
            "resets: presence",
            *((f"{alarm} of {len(asked)} devices",) if asked else ()),
        ),
        ruled_out=("short: the line is released again and slots are whole",),
        device=found[0].rom_code if len(found) == 1 else "",
        try_first=f"read the status of {found[0].name}, which clears its alarm, and look again"
        if found
        else "take devices off one by one; clear the alarm or interrupt of the device "
        "without which resets are short again",
    )


def long_presence(evidence: Evidence) -> Iterator[Finding]:
    """Somebody is still low when the last presence pulse within limits is over."""
    line, resets = evidence.line, evidence.resets
    if line is None or line.ones.usual != "FF":
        return
    late = [
        r
        for r in resets
        if r.echoes.usual
        and low_at_the_end(r, r.echoes.usual)
        and not r.echoes.followed
    ]
    if late:
        yield Finding(
            cause=Cause.DEVICE,
            kind="long-presence",
            summary="the line stays low after a reset for longer than any presence pulse within "
            "limits",
            measured=(
                *map(reset_shown, late),
                f"low more than {LONGEST_PRESENCE_US:.0f} us after the release",
            ),
            try_first="take devices off one by one: the one without which presence is short "
            "again is out of limits",
        )


def reset_shown(reset: ResetFacts) -> str:
    """A reset's rate, length and echoes, in words."""
    echoes = ", ".join(f"{e}h {n}x" for e, n in reset.echoes.histogram.items())
    return f"reset {reset.byte:02X}h at {reset.baud} baud ({reset.low_us:.0f} us) echoes {echoes}"


def nobody_answers(evidence: Evidence) -> Iterator[Finding]:
    """Echo, idle level, rate proved, resets at three rates, and no presence."""
    line, resets = evidence.line, evidence.resets
    if line is None or not resets or line.ones.usual != "FF":
        return
    if any(r.answered > 0.02 or not r.echoes.histogram for r in resets):
        return
    if any(wrong_rate(evidence)):
        return
    measured = tuple(map(reset_shown, resets))
    level = (
        f"{Cause.BUS_WIRING} low-level: a meter shows more than 0.4 V on the line during "
        "a long break (a silicon diode in TX, current through a shared ground wire)"
    )
    wiring = f"{Cause.ADAPTER} push-pull: shorting the data line by a finger does not change the echo"
    absent = f"{Cause.DEVICE} absent: a known-good device in the socket is found"
    if evidence.expected.devices >= 2:
        yield Finding(
            cause=Cause.BUS_WIRING,
            kind="low-level",
            summary=f"the adapter hears itself perfectly and none of {evidence.expected.devices} "
            "expected devices answers: lows do not reach them low enough, or a lead all "
            "share is open",
            measured=measured,
            ruled_out=(
                "single bad devices: they would not all be silent",
                "wrong rate: timed",
                "hidden presence: reset at three rates",
            ),
            discriminators=(level, wiring, absent),
            try_first="measure the line during a long break: above 0.4 V fit a small-signal "
            "barrier diode or an open-drain stage and a thicker ground; then check "
            "the common data and ground leads",
        )
        return
    yield Finding(
        cause=Cause.UNDECIDED,
        kind="nobody",
        summary="no device answers a reset; adapter and idle line are right",
        measured=measured,
        ruled_out=("wrong rate: timed", "hidden presence: reset at three rates"),
        discriminators=(absent, level, wiring),
        try_first="put a known-good device in; check its ground lead and data lead",
        severity=FindingSeverity.FAULT
        if evidence.expected.devices
        else FindingSeverity.NOTE,
    )


def presence_only(evidence: Evidence) -> Iterator[Finding]:
    """Resets are answered and no device ever answers by its code."""
    scans, resets = evidence.scans, evidence.resets
    answered = bool(resets) and min(r.answered for r in resets) > _MOSTLY
    if scans is None or not answered or _any_came(scans, evidence.devices):
        return
    tried = sum(d.verifies for d in evidence.devices)
    yield Finding(
        cause=Cause.UNDECIDED,
        kind="presence-only",
        summary="each reset is answered and no device answers a search: what pulls the line for a "
        "presence pulse is not seen, or not heard, in slots",
        measured=(
            *map(reset_shown, resets[:1]),
            f"0 of {scans.whole} searches found a device, 0 of {tried} directed searches",
        ),
        discriminators=(
            f"{Cause.ADAPTER} push-pull: with a device's data pin shorted by hand the echo "
            "does not change",
            f"{Cause.BUS_WIRING} low-level: a meter shows more than 0.4 V on the line during "
            "a long break",
            f"{Cause.DEVICE} absent: a known-good device in the socket is found",
        ),
        try_first="put an open-drain stage or a diode between TX and the line, if there is "
        "none; then a known-good device",
    )


def _any_came(scans: ScanFacts, devices: Sequence[DeviceFacts]) -> bool:
    """True if searches brought a code or broke off, or a device was verified."""
    came = scans.found or scans.rejected or scans.troubles
    return bool(came) or any(d.verified for d in devices)


_MOSTLY = 0.9
"""Share of resets that are answered while a device is there: what a noise of 1 in 10 spoils
is still this (own choice, no source)."""


def answers_in_zeros(evidence: Evidence) -> Iterator[Finding]:
    """Lows right after write-0 slots: a part in fast mode takes them for resets."""
    line, adapter = evidence.line, evidence.adapter
    if line is None or adapter is None or adapter.burst_extra:
        return
    if slots_end_late(evidence):
        return  # short lows end late too: what follows a long one is the line's
    before, lows = _pulled_at_first(adapter)
    if not before and zeros_merge(evidence):
        return
    if not line.answers_in_zeros and before * 2 < max(lows, 1):
        return
    yield _left_in_fast_mode(line, adapter)


def _left_in_fast_mode(line: LineEvidence, adapter: AdapterFacts) -> Finding:
    before, lows = _pulled_at_first(adapter)
    # the resets in between went up to 694 us
    after = line.answers_after_long_reset or 0
    cured = not after
    return Finding(
        cause=Cause.CONFIGURATION if cured else Cause.UNDECIDED,
        kind="left-in-fast-mode",
        summary="a device answers inside the slots of others: it is still in overdrive and takes "
        "each write-0 for a reset",
        measured=(
            f"pulled after {before} of {lows} lows of 49 us and more at first, after "
            f"{adapter.quiet_ones.followed} of {adapter.quiet_ones.sent} short ones",
            f"{line.answers_in_zeros} after {line.zeros.sent} write-0 slots later, "
            f"{after} after a reset of 694 us",
        ),
        discriminators=()
        if cured
        else (
            f"{Cause.CONFIGURATION} left-in-fast-mode: it stops after a long reset",
            f"{Cause.NOISE} spikes: they also come without write-0 slots",
        ),
        try_first="lengthen the reset (7200 baud), check the adapter's rate",
    )


def _pulled_at_first(adapter: AdapterFacts) -> tuple[int, int]:
    """Long lows that somebody pulled after, before any long reset, and how many were sent.

    None where short lows come back pulled too: that is no part in fast mode.
    """
    quiet, fast, zeros = adapter.quiet_ones, adapter.fast_resets, adapter.zeros
    if quiet.followed or quiet.share("FF") < 1:
        return 0, 0
    pulled = sum(n for echo, n in fast.histogram.items() if echo != "C0")
    return max((pulled, fast.sent), (zeros.followed, zeros.sent))


_LOW = 0.7
"""A search reads more ones than that: of each pair at least half, but for branches."""


def _read_well(evidence: Evidence) -> bool:
    """True if some device's blocks came whole: the line is not always low."""
    return any(d.blocks is not None and d.blocks.whole for d in evidence.devices)


def low_in_search(evidence: Evidence) -> Iterator[Finding]:
    """Both bits 0 at all positions: the line is low while devices should speak."""
    scans = evidence.scans
    if scans is None:
        return
    zero = scans.rejected.get("0" * 16, 0)
    low = scans.troubles.get("line-shorted", 0)
    if not low and scans.low_share > _LOW and _read_well(evidence):
        low = sum(scans.troubles.values())
    if not low and not zero:
        return
    some = bool(scans.found)
    if zero and some and zero == scans.whole:
        yield Finding(
            cause=Cause.DEVICE,
            kind="zero-rom",
            summary="a device answers with a ROM code of zeros beside others that are right",
            measured=(f"ROM code of zeros in {zero} of {scans.whole} scans",),
            ruled_out=("low line: other devices are found in the same scans",),
            try_first="take devices off one by one: the one without which it goes was "
            "never given its code",
        )
        return
    yield Finding(
        cause=Cause.BUS_WIRING,
        kind="low-in-search",
        summary="the line is low during the search: both bits read 0 at all 64 positions; "
        "family 00 is never a device",
        measured=(
            f"{low + zero} of {scans.scans} scans read zeros throughout",
            f"share of zeros or merged slots where a scan broke off: {scans.low_share:.0%}",
        ),
        ruled_out=("a device of family 00h: there is none",),
        try_first="look for moisture, a device that pulls while it is addressed, a slow edge",
    )
