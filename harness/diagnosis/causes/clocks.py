"""Rules about clocks and missions of loggers: oscillator, samples, drift.

Sources: data sheets of families 21h (part DS1921G) and 41h (part DS1922L) on oscillator,
mission flags and accuracy, from memory.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from harness.diagnosis.evidence.bus import DeviceFacts, Evidence
from harness.diagnosis.evidence.kinds import FailedCheck
from harness.diagnosis.finding import Cause, Finding, FindingSeverity
from harness.families.kind_facts import KindFacts

_MOST_PPM = 46.0
"""2 minutes a month, what the data sheets of loggers and clocks promise at 25 degC."""

_NO_CRYSTAL_PPM = 500.0
"""More is no drift of a watch crystal: somebody set the clock so (common practice)."""

_DAY_S, _MONTH_S = 86_400.0, 30 * 86_400.0
_SECOND_S = 2.0
"""Both ends of a comparison are read to the second."""

_WORTH_A_NOTE_S = 5.0
_OFF_S = 60.0
"""Stamps off by a minute are the symptom that people report."""


def oscillator_off(evidence: Evidence) -> Iterator[Finding]:
    """The clock stands: a running mission takes no samples, the next one would not.

    Parts are shipped so, which spoils nothing as long as no mission was begun.
    """
    for device in evidence.devices:
        seen = device.reading("oscillator")
        if seen is None or seen.value != "off":
            continue
        mission = device.reading("mission")
        facts = mission.facts if mission else KindFacts()
        running = mission is not None and mission.value == "running"
        severity = (
            FindingSeverity.NOTE if _is_fresh(device) else FindingSeverity.WARNING
        )
        yield _stands(
            device.name,
            device.rom_code,
            measured=(_switch_of(seen.facts), *_mission_flags(facts)),
            severity=FindingSeverity.FAULT if running else severity,
            mission=mission is not None,
            running=running,
        )


def _is_fresh(device: DeviceFacts) -> bool:
    """True of a logger that took no sample and whose memory was never cleared."""
    mission = device.reading("mission")
    cleared = device.reading("memory_cleared")
    if mission is None or mission.facts.samples:
        return False
    return cleared is None or cleared.value is not True


def _switch_of(facts: KindFacts) -> str:
    """The byte that switches the oscillator, in words."""
    return f"byte {facts.byte or '?'}h, {facts.place}"


def _mission_flags(facts: KindFacts) -> tuple[str, ...]:
    if facts.samples is None:
        return ()
    flag, cleared = int(bool(facts.mission)), int(bool(facts.cleared))
    return (
        f"mission flag {flag}, memory-clear flag {cleared}, sample counter "
        f"{facts.samples}",
    )


def _stands(
    name: str,
    rom_code: str,
    *,
    measured: tuple[str, ...],
    severity: FindingSeverity,
    mission: bool,
    running: bool,
) -> Finding:
    if running:
        means = "the mission in progress takes no samples"
    elif mission:
        means = "a mission started now would take no samples"
    else:
        means = "its time stands still"
    return Finding(
        cause=Cause.CONFIGURATION,
        kind="oscillator-off",
        summary=f"the clock oscillator of {name} is off: {means}",
        measured=measured,
        ruled_out=("cell and crystal: they were not started",),
        try_first="start the oscillator (check clock_set does), wait a second, then clear "
        "and start the mission anew"
        if mission
        else "set the clock with its oscillator on",
        device=rom_code,
        severity=severity,
    )


def mission_stalled(evidence: Evidence) -> Iterator[Finding]:
    """The mission runs, the oscillator too, and the sample counter does not follow."""
    for device in evidence.devices:
        mission = device.reading("mission")
        if mission is None or mission.value != "running":
            continue
        facts = mission.facts
        taken, due = facts.samples or 0, facts.samples_due or 0
        if facts.oscillator == "on" and taken + 1 < due:
            yield _no_samples(
                device.name,
                device.rom_code,
                f"{taken} samples {facts.since_start_s or 0:.0f} s after the start by the "
                f"device's clock, {due} were due (period {facts.period_s or 0:g} s)",
                facts,
            )


def _no_samples(name: str, rom_code: str, measured: str, facts: KindFacts) -> Finding:
    return Finding(
        cause=Cause.DEVICE,
        kind="no-samples",
        summary=f"the mission of {name} runs and takes no samples",
        measured=(
            measured,
            f"{_switch_of(facts)}: it is on",
        ),
        ruled_out=("oscillator off: its bit says on",),
        try_first="the cell is empty or the converter dead: replace the unit",
        device=rom_code,
    )


def clock_off(evidence: Evidence) -> Iterator[Finding]:
    """The device's clock against the host's calendar."""
    for device in evidence.devices:
        seen = device.reading("clock_offset")
        if seen is None or not seen.numbers:
            continue
        offset_s = seen.numbers[-1]
        since_s = seen.facts.since_start_s or 0.0
        running = bool(seen.facts.mission)
        ppm = offset_s / since_s * 1e6 if running and since_s >= _DAY_S else None
        if ppm is not None and abs(ppm) <= _NO_CRYSTAL_PPM:
            yield from _drifted(device, offset_s, since_s, ppm)
        elif abs(offset_s) >= _OFF_S:
            yield _off(device, offset_s, running=running)


def _off(device: DeviceFacts, offset_s: float, *, running: bool) -> Finding:
    return Finding(
        cause=Cause.CONFIGURATION,
        kind="clock-off",
        summary=f"the clock of {device.name} is not that of the host"
        + ("; stamps of the mission in progress are off" if running else ""),
        measured=(f"device minus host, UTC: {_shown(offset_s)}",),
        discriminators=(
            f"{Cause.CONFIGURATION}: it was never set, to local time, or counts "
            "from another day; the offset stays the same",
            f"{Cause.DEVICE}: check clock_drift over half an hour and more shows "
            "a rate beyond doubt",
        ),
        try_first="set it by check clock_set before the next mission; correct "
        "stamps by the offset",
        device=device.rom_code,
        severity=FindingSeverity.WARNING if running else FindingSeverity.NOTE,
    )


def _shown(offset_s: float) -> str:
    days = f" ({offset_s / _DAY_S:+.0f} days)" if abs(offset_s) >= _DAY_S else ""
    return f"{offset_s:+.0f} s{days}"


def _drifted(
    device: DeviceFacts, offset_s: float, since_s: float, ppm: float
) -> Iterator[Finding]:
    doubt_ppm = _SECOND_S / since_s * 1e6
    beyond = abs(ppm) > _MOST_PPM + doubt_ppm
    if not beyond and abs(offset_s) < _WORTH_A_NOTE_S:
        return
    yield _drift(
        device.name,
        device.rom_code,
        measured=(
            f"device minus host, UTC: {offset_s:+.0f} s, {since_s / _DAY_S:.1f} days after "
            "the mission began",
            f"{ppm:+.0f} ppm (+-{doubt_ppm:.0f}) if it was right then, limit "
            f"{_MOST_PPM:.0f}",
        ),
        ppm=ppm,
        beyond=beyond,
    )


def _drift(
    name: str, rom_code: str, *, measured: tuple[str, ...], ppm: float, beyond: bool
) -> Finding:
    month_s = ppm * 1e-6 * _MONTH_S
    return Finding(
        cause=Cause.DEVICE,
        kind="clock-drift",
        summary=f"the clock of {name} drifts "
        + ("beyond its limit" if beyond else "within its limit")
        + f": {month_s:+.0f} s in 30 days",
        measured=measured,
        ruled_out=("oscillator off: the clock moves",),
        discriminators=(
            f"{Cause.CONFIGURATION}: it was set wrong at the start; check clock_drift "
            "then shows a small rate",
        ),
        try_first="measure its rate by check clock_drift; if it stays replace the unit "
        "(cell, crystal), and correct its stamps"
        if beyond
        else "correct the stamps by this rate, set the clock before the next mission",
        device=rom_code,
        severity=FindingSeverity.FAULT if beyond else FindingSeverity.NOTE,
    )


def failed_mission(evidence: Evidence) -> Iterator[Finding]:
    """A check of a mission or of a clock that did not pass."""
    failed = evidence.failed
    if failed is None:
        return
    facts = failed.facts
    if facts.oscillator == "off" or (
        not facts.oscillator and facts.place.endswith(" runs")
    ):
        yield _stands(
            failed.name,
            failed.device,
            measured=(
                _switch_of(facts),
                *_mission_flags(facts),
            ),
            severity=FindingSeverity.FAULT,
            mission=facts.samples is not None,
            running=bool(facts.mission),
        )
    elif facts.oscillator == "on":
        yield from _did_not_sample(failed)
    elif "clock_drift" in failed.beyond:
        ppm = float(failed.values["clock_drift"])
        yield _measured_rate(
            _drift(
                failed.name,
                failed.device,
                measured=(
                    f"{ppm:+.1f} ppm against the host, limit {_MOST_PPM:.0f} unless the "
                    "plan says otherwise",
                ),
                ppm=ppm,
                beyond=True,
            )
        )


def _did_not_sample(failed: FailedCheck) -> Iterator[Finding]:
    facts = failed.facts
    if facts.mission:
        yield _no_samples(
            failed.name,
            failed.device,
            f"sample counter {facts.samples or 0}: {failed.says}",
            facts,
        )
        return
    yield Finding(
        cause=Cause.CONFIGURATION,
        kind="mission-not-started",
        summary=f"the mission of {failed.name} did not begin: its flag stayed 0",
        measured=_mission_flags(facts),
        ruled_out=("oscillator off: its bit says on",),
        try_first="clear memory right before the start: the flag of a cleared memory must "
        "be 1 then; start again",
        device=failed.device,
    )


def _measured_rate(finding: Finding) -> Finding:
    """A measured rate needs no supposition about when the clock was set."""
    return replace(finding, discriminators=())
