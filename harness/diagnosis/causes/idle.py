"""Causes that speak by themselves: on the idle line, and while others are asked."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

from harness.diagnosis.causes.adapter import terminal_echo
from harness.diagnosis.causes.presence import came_or_went
from harness.diagnosis.evidence.bus import Evidence
from harness.diagnosis.finding import Cause, Finding, FindingSeverity
from harness.diagnosis.signs.line import (
    clusters_of,
    heard_whole,
    long_pulls,
    pulls_tell,
    transacts,
)


def foreign_traffic(evidence: Evidence) -> Iterator[Finding]:
    """Characters arrive while nothing is sent."""
    idle = evidence.idle
    if idle is None or not idle.arrivals or any(terminal_echo(evidence)):
        return
    clusters = clusters_of(idle)
    sizes = [size for _, size in clusters]
    gaps = [later[0] - sooner[0] for sooner, later in pairwise(clusters)]
    whole = [size for at_s, size in clusters if heard_whole(idle, at_s)] or sizes
    even = max(whole) <= min(whole) * 1.3
    if transacts(idle) and even:
        period = f", every {sum(gaps) / len(gaps):.2f} s" if gaps else ""
        yield Finding(
            cause=Cause.BUS_WIRING,
            kind="second-master",
            summary="another host sends resets and commands on this bus",
            measured=(
                f"{len(clusters)} bursts of {min(sizes)} to {max(sizes)} characters in "
                f"{idle.for_s:.1f} s of silence{period}",
            ),
            ruled_out=("noise: its bursts differ in length",),
            try_first="remove the other controller: one master only",
        )
    elif long_pulls(idle):
        again = len(clusters) > 2
        yield Finding(
            cause=Cause.DEVICE,
            kind="comes-and-goes" if again else "signals",
            summary="the line is pulled low while idle, as by devices that get power or contact"
            if again
            else "the line went low while idle: a device signals, or one was plugged in",
            measured=(
                f"{len(clusters)} lone pulls of 60 us or more in {idle.for_s:.1f} s",
            ),
            ruled_out=("spikes: those are short",),
            try_first="look for a loose contact, a supply that dips, a device that signals"
            if again
            else "plug between runs; look for a device whose alarm pulls the line",
            severity=FindingSeverity.FAULT if again else FindingSeverity.NOTE,
        )
    else:
        yield Finding(
            cause=Cause.NOISE,
            kind="idle-spikes",
            summary="spikes on the idle line are taken for characters",
            measured=(
                f"{sum(sizes)} characters in {len(clusters)} groups in {idle.for_s:.1f} s",
            ),
            try_first="twisted pair, a ferrite, a ground wire of its own; note what "
            "switches at these times",
        )


def pulled_meanwhile(evidence: Evidence) -> Iterator[Finding]:
    """Lone long pulls while something else was examined: what speaks does not wait for us."""
    if not evidence.pulls or not pulls_tell(evidence):
        return
    if any(foreign_traffic(evidence)) or evidence.lost:
        return
    again = len(evidence.pulls) > 2
    if not again and any(f.kind == "attached" for f in came_or_went(evidence)):
        return  # the newcomer's own
    took_s = sum(probe.took_s for probe in evidence.probes)
    when = ", ".join(f"{at_s:.1f}" for at_s in evidence.pulls[:5])
    yield Finding(
        cause=Cause.DEVICE,
        kind="comes-and-goes" if again else "signals",
        summary="the line is pulled low while idle while others are asked, as by devices that get "
        "power or contact, or by a device whose output signals"
        if again
        else "the line was pulled low by a device that was not addressed: a device signals, or one "
        "was plugged in",
        measured=(
            f"{len(evidence.pulls)} long pulls in {took_s:.0f} s, the first at {when} s; each "
            "spoils what was asked then",
        ),
        ruled_out=("spikes: those are short",),
        try_first="look for a loose contact, a supply that dips, a device that signals"
        if again
        else "plug between runs; look for a device whose alarm pulls the line",
        severity=FindingSeverity.FAULT if again else FindingSeverity.NOTE,
    )
