"""Rules about supply and settings: right check bytes on values that cannot be true."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from harness.diagnosis.causes.devices import clone_like
from harness.diagnosis.evidence.bus import Conversion, DeviceFacts, Evidence
from harness.diagnosis.finding import Cause, Finding, FindingSeverity
from harness.diagnosis.signs.devices import SEEN_BUSY_MS, measured_values
from harness.errors import ExtraEcho
from harness.wire.ratings import outside_range

_HIGHEST_DEGC = 125.0
"""End of the published range of the thermometers."""

_AGREE_K = 0.5
"""Two conversions of one probe in a row agree within this (field practice)."""


def _converted(device: DeviceFacts) -> list[Conversion]:
    """Conversions whose command was not seen to be lost, with a block."""
    return [
        c
        for c in device.conversions
        if c.value_degc is not None and c.heard is not False
    ]


def fed_outside(evidence: Evidence) -> Iterator[Finding]:
    """An instrument feeds the line beyond what a kind is made for."""
    expected = evidence.expected
    if expected.built_for_v is None:
        return
    families = sorted({device.family for device in evidence.devices})
    said = [outside_range(code, supply_v=expected.supply_v) for code in families]
    if any(said):
        yield Finding(
            cause=Cause.SUPPLY,
            kind="outside-range",
            summary="an instrument feeds the line with what these devices are not made for",
            measured=tuple(filter(None, said)),
            try_first="set the supply within the range, or take what comes here for no "
            "fault of the devices",
            severity=FindingSeverity.WARNING,
        )


def with_supply(finding: Finding, evidence: Evidence) -> Finding:
    """A finding on supply, with what feeds the line where an instrument set it."""
    expected = evidence.expected
    if finding.cause is not Cause.SUPPLY or expected.built_for_v is None:
        return finding
    line = (
        f"supply in force: {expected.supply_v:g} V, set by an instrument (built for "
        f"{expected.built_for_v:g} V)"
    )
    return replace(finding, measured=(*finding.measured, line))


def given_up(evidence: Evidence) -> Iterator[Finding]:
    """Values above the range: a conversion broken off for lack of supply."""
    victims = {
        d.name: [
            c.value_degc
            for c in _converted(d)
            if c.value_degc is not None and c.value_degc > _HIGHEST_DEGC
        ]
        for d in evidence.devices
    }
    victims = {name: values for name, values in victims.items() if values}
    if victims:
        yield Finding(
            cause=Cause.SUPPLY,
            kind="supply-pin-open",
            summary="conversions were given up for lack of supply: values above +125 degC",
            measured=tuple(
                f"{name}: {len(v)} values, such as {v[0]:.2f} degC"
                for name, v in victims.items()
            ),
            ruled_out=("transport: the CRCs are right",),
            try_first="tie the supply pin to ground at the probe (or feed it), convert one "
            "at a time",
        )


def starved(evidence: Evidence) -> Iterator[Finding]:
    """Bus-powered devices that never finish: the pull-up cannot feed a conversion."""
    fed = [d for d in evidence.devices if d.on_parasite and _converted(d)]
    if not fed or _minority(evidence, fed):
        return
    never = [d for d in fed if _never_finishes(d)]
    if never == fed:
        yield _cannot_feed(never)
    elif len(fed) > 1 and all(map(_starves_beside_others, fed)):
        yield _feeds_one_at_a_time(evidence, fed)


def _cannot_feed(never: list[DeviceFacts]) -> Finding:
    return Finding(
        cause=Cause.SUPPLY,
        kind="no-strong-pull-up",
        summary="no bus-powered device ever finishes a conversion: the line cannot feed it",
        measured=tuple(
            f"{d.name}: power-on value after {len(_converted(d))} of "
            f"{len(d.conversions)} conversions, fed from the data line"
            for d in never
        ),
        ruled_out=("one bad probe: all bus-powered ones show it",)
        if len(never) > 1
        else (),
        try_first="run the third wire, or fit 1 kohm or a strong pull-up and convert one "
        "device at a time",
    )


def _feeds_one_at_a_time(evidence: Evidence, fed: list[DeviceFacts]) -> Finding:
    """What converts while the others idle, and restarts while they convert too."""
    expected = evidence.expected
    most_ma = 1e3 * expected.supply_v / expected.pull_up_ohm
    troubles = {c.trouble for d in fed for c in _together(d)}
    sank = "the line sank so low meanwhile that the adapter took it for characters"
    return Finding(
        cause=Cause.SUPPLY,
        kind="no-strong-pull-up",
        summary=f"the line feeds one conversion at a time, and not {len(fed)} at once",
        measured=(
            *(_alone_and_together(d) for d in fed),
            f"{len(fed)} conversions share {most_ma:.1f} mA, the most that "
            f"{expected.pull_up_ohm:g} ohm let through at {expected.supply_v:g} V",
            *((sank,) if ExtraEcho.kind in troubles else ()),
        ),
        ruled_out=(
            "one bad probe: all bus-powered ones show it",
            "no supply at all: each converts by itself",
        ),
        try_first="convert one device at a time, or fit a strong pull-up or the third wire",
    )


def _alone_and_together(device: DeviceFacts) -> str:
    return (
        f"{device.name}: power-on value after {len(_together(device))} of "
        f"{len(_together(device))} conversions of all at once, after 0 of "
        f"{len(_alone(device))} by itself"
    )


def _together(device: DeviceFacts) -> list[Conversion]:
    return [c for c in _converted(device) if not c.alone]


def _alone(device: DeviceFacts) -> list[Conversion]:
    return [c for c in _converted(device) if c.alone]


def _starves_beside_others(device: DeviceFacts) -> bool:
    """True if it restarts in each conversion of all, and in none by itself.

    Each conversion takes its 1 to 1.5 mA (data sheet family 28h, DC characteristics) of
    what the pull-up lets through, so what is left of the voltage falls with their number.
    """
    together, alone = _together(device), _alone(device)
    starved = bool(together) and all(map(_restarted_in, together))
    return starved and bool(alone) and not any(c.power_on for c in alone)


def _never_finishes(device: DeviceFacts) -> bool:
    return all(c.power_on for c in _converted(device))


def _minority(evidence: Evidence, fed: list[DeviceFacts]) -> bool:
    """True if most thermometers have their own supply and these were not declared."""
    asked = [d for d in evidence.devices if d.on_parasite is not None]
    undeclared = [d for d in fed if d.rom_code not in evidence.expected.parasite]
    return bool(undeclared) and len(fed) * 2 <= len(asked)


def _says_so_only(device: DeviceFacts) -> bool:
    """True if the device behaves as one with a supply of its own."""
    return any(
        c.took_ms is not None and c.took_ms > SEEN_BUSY_MS and not c.power_on
        for c in device.conversions
    )


def _lives_on_the_line(device: DeviceFacts) -> bool:
    """True if it behaves as one without a supply of its own, whatever it says.

    It cannot pull the line for busy, and its power-on value comes after each conversion.
    Some clones answer the power query wrongly (public survey text).
    """
    heard = [c.heard for c in device.conversions if c.alone and c.heard is not None]
    is_silent = bool(heard) and not any(heard)
    done = [c for c in device.conversions if c.value_degc is not None]
    return is_silent and bool(done) and all(map(_restarted_in, done))


def _restarted_in(conversion: Conversion) -> bool:
    """True if the device restarted meanwhile; one that is only deaf keeps its marker."""
    return conversion.power_on and conversion.marker_kept is not True


def _is_fed_from_line(device: DeviceFacts) -> bool:
    by_line = device.on_parasite or _lives_on_the_line(device)
    return by_line and not _says_so_only(device)


def _converts_all_the_same(device: DeviceFacts) -> bool:
    """True if each of its conversions came out: the line feeds them well enough.

    That spoils no reading, and may be how it is meant to be wired.
    """
    done = _converted(device)
    return bool(done) and not any(c.power_on for c in done)


def third_wire(evidence: Evidence) -> Iterator[Finding]:
    """One device says bus power among others with their own supply."""
    asked = [d for d in evidence.devices if d.on_parasite is not None]
    undeclared = (d for d in asked if d.rom_code not in evidence.expected.parasite)
    fed = [d for d in undeclared if _is_fed_from_line(d)]
    if not fed or len(fed) * 2 > len(asked):
        return
    for device in fed:
        if _converts_all_the_same(device):
            continue
        bad = sum(c.power_on for c in _converted(device))
        yield Finding(
            cause=Cause.SUPPLY,
            kind="third-wire",
            summary=f"{device.name} is fed from the data line while others have their own supply",
            measured=(
                "single power queries: "
                + " ".join(
                    f"{d.socket or d.rom_code[-6:]}={int(not d.on_parasite)}"
                    for d in asked
                ),
                f"{device.name}: power-on value after {bad} of {len(device.conversions)} conversions",
            ),
            ruled_out=("the common supply: the other devices have it",),
            try_first=f"check the supply wire at {device.name}",
            device=device.rom_code,
        )


def says_bus_power(evidence: Evidence) -> Iterator[Finding]:
    """Undeclared bus power of devices whose conversions come out all the same."""
    if any(starved(evidence)):
        return
    reported = {f.device for f in third_wire(evidence)}
    reported |= {f.device for f in clone_like(evidence)}  # it is told there
    undeclared = set(evidence.expected.rom_codes) - set(evidence.expected.parasite)
    for device in evidence.devices:
        code = device.rom_code
        if not device.on_parasite or code not in undeclared - reported:
            continue
        fed = _says_so_only(device)
        busy = [c.took_ms for c in device.conversions if c.took_ms is not None]
        yield Finding(
            cause=Cause.DEVICE if fed else Cause.SUPPLY,
            kind="says-bus-power" if fed else "supply-differs",
            summary=f"{device.name} reports that it is fed from the data line"
            + (
                " and pulls that line for busy, as only a device with a supply of its own can"
                if fed
                else ", which the fixture does not declare; each of its conversions came out"
            ),
            measured=(
                f"power query: bus power in {device.supply_answers.count(0)} of "
                f"{len(device.supply_answers)}",
                f"busy seen for {max(busy):.0f} ms" if fed else "busy never seen",
            ),
            try_first="do not trust the power query of this device; its readings are valid"
            if fed
            else "correct expect.supply of its socket, or check the supply wire there",
            device=code,
            # where it has a supply all readings are as they should be
            severity=FindingSeverity.NOTE if fed else FindingSeverity.WARNING,
        )


def restarted(evidence: Evidence) -> Iterator[Finding]:
    """The power-on value after a conversion, or the marker gone with it."""
    for device in evidence.devices:
        if device.on_parasite:
            continue
        done = _converted(device)
        # the marker still there: it did not restart, it never converted
        hit = [c for c in done if c.power_on and c.marker_kept is not True]
        if not (device.blocks and device.blocks.whole):
            # it was not there before: what gets power for the first time restarted nothing
            hit = [c for c in hit if c.marker_kept is False]
        if not hit:
            continue
        gone = sum(c.marker_kept is False for c in hit)
        yield Finding(
            cause=Cause.SUPPLY,
            kind="restart",
            summary=f"{device.name} restarted while it converted: 85 degC is its power-on value",
            measured=(
                f"power-on value after {len(hit)} of {len(done)} conversions",
                f"marker in the alarm bytes gone in {gone} of them",
            ),
            ruled_out=("transport: the CRCs are right",)
            + (("a true 85 degC: the marker is gone",) if gone else ()),
            try_first=f"reseat {device.name}, 100 nF at the probe",
            device=device.rom_code,
        )


def jumps(evidence: Evidence) -> Iterator[Finding]:
    """Readings of one probe that do not agree with each other, check bytes right."""
    for device in evidence.devices:
        values = [v for v in measured_values(device) if v <= _HIGHEST_DEGC]
        if len(values) < 2:
            continue
        middle = sorted(values)[len(values) // 2]
        off = [v for v in values if abs(v - middle) > _AGREE_K]
        if off:
            yield Finding(
                cause=Cause.SUPPLY,
                kind="brown-out",
                summary=f"readings of {device.name} jump although every CRC is right",
                measured=(
                    f"{len(off)} of {len(values)} conversions more than {_AGREE_K} K off "
                    f"{middle:.2f} degC, lowest {min(values):.2f}, highest {max(values):.2f}",
                    "fed from the data line" if device.on_parasite else "own supply",
                ),
                ruled_out=("transport: the CRCs are right",),
                try_first="power the probes by the third wire, or convert fewer at a time",
                device=device.rom_code,
            )


def reloaded(evidence: Evidence) -> Iterator[Finding]:
    """Volatile settings went back to the stored ones while nothing converted."""
    for device in evidence.devices:
        silently = [
            c for c in device.conversions if c.marker_kept is False and not c.power_on
        ]
        if device.settings_kept is False or silently:
            yield Finding(
                cause=Cause.CONFIGURATION,
                kind="reloaded",
                summary=f"settings of {device.name} went back to the stored ones on their own: "
                "it restarted between two reads",
                measured=(
                    "at a later read 0 of 2 alarm bytes were as written"
                    if device.settings_kept is False
                    else f"settings gone after {len(silently)} conversions",
                ),
                ruled_out=("a lost write: it was read back",)
                if device.settings_kept is False
                else (),
                try_first="store the settings once, or write them before each batch; wait by "
                "the configuration just read; look for supply dips",
                device=device.rom_code,
            )


def alarm_search(evidence: Evidence) -> Iterator[Finding]:
    """Alarm flags change only at a conversion."""
    alarms = evidence.alarms
    if alarms is None or not alarms.before:
        return
    stale = not alarms.after
    yield Finding(
        cause=Cause.CONFIGURATION if stale else Cause.DEVICE,
        kind="alarm-stale" if stale else "alarm-wrong",
        summary="the alarm search disagrees with reading and thresholds"
        + (" until the next conversion" if stale else " after a conversion too"),
        measured=(
            f"disagree before: {', '.join(alarms.before)}",
            f"after a conversion: {', '.join(alarms.after) or 'no device'}",
        ),
        try_first="convert after each change of thresholds, then search"
        if stale
        else "replace the device, compare with a known-good one",
        severity=FindingSeverity.WARNING if stale else FindingSeverity.FAULT,
    )
