"""Causes of presence: absent, lost at times, by one, by all; and the inventory."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence

from harness.diagnosis.causes.devices import doubled, impossible_code
from harness.diagnosis.causes.kinds import odd_answer
from harness.diagnosis.causes.line import answers_in_zeros, reset_shown
from harness.diagnosis.causes.rest import ENOUGH
from harness.diagnosis.evidence.bus import DeviceFacts, Evidence, ScanFacts
from harness.diagnosis.finding import Cause, Finding, FindingSeverity
from harness.diagnosis.inventory import Membership
from harness.diagnosis.signs.devices import OPEN, all_silent, scans_missed
from harness.diagnosis.signs.exact import fewer_by_chance
from harness.diagnosis.signs.sign import ERROR


def wants_long_reset(evidence: Evidence) -> Iterator[Finding]:
    """Silent after customary resets, there after a longer one or at overdrive speed."""
    heard = [d for d in evidence.devices if d.answers_long_reset or d.answers_overdrive]
    if len(heard) > 1 and any(answers_in_zeros(evidence)):
        # one of them pulls in the slots of all, who are heard once it has left that mode
        heard = [d for d in heard if d.answers_overdrive]
    for device in heard:
        long = "yes" if device.answers_long_reset else "no"
        fast = {True: "yes", False: "no", None: "not tried"}
        yield Finding(
            cause=Cause.CONFIGURATION,
            kind="left-in-fast-mode",
            summary=f"{device.name} is there and takes no customary reset: it was left in fast "
            "mode, or wants a longer low",
            measured=(
                f"0 of {device.verifies} directed searches behind customary resets; behind "
                f"resets of 694 and 833 us: {long}; at overdrive speed: "
                f"{fast[device.answers_overdrive]}",
            ),
            try_first="lengthen the reset (7200 baud), check the adapter's rate",
            device=device.rom_code,
        )


_UNDER_ANOTHER_CODE = (
    f"{Cause.DEVICE} rom-code: it is there under the odd code or answer below; it goes with "
    "that part",
)


def replaced(evidence: Evidence) -> dict[str, str]:
    """ROM code that is missing -> the one code of another kind that came in its place.

    Only where one is missing and one is new: which of several sits where no bus tells.
    """
    standing = evidence.inventory
    new = [c for c, s in standing.items() if s == Membership.UNLISTED_FAMILY]
    others = [c for c, s in standing.items() if s == Membership.NEWCOMER]
    gone = [c for c, s in standing.items() if s == Membership.MISSING]
    return {gone[0]: new[0]} if len(new) == len(gone) == 1 and not others else {}


def other_family(evidence: Evidence) -> Iterator[Finding]:
    """A kind that nobody expects, and one of those expected is missing: one finding."""
    for code, new in replaced(evidence).items():
        socket = evidence.expected.rom_codes.get(code, "")
        yield Finding(
            cause=Cause.CONFIGURATION,
            kind="family-changed",
            summary=f"at {socket or 'the place'} of {code} the family changed from {code[-2:]}h to "
            f"{new[-2:]}h: {new} answers there; it is read by the rules of its own family",
            measured=(
                f"{code}: 0 directed searches answered, {new}: in "
                f"{evidence.scans.found.get(new, 0) if evidence.scans else 0} scans and proved",
            ),
            discriminators=(
                f"{Cause.DEVICE} absent: {code} is found with a known-good device beside "
                f"{new}, which sits elsewhere",
            ),
            try_first=f"write {new} into the fixture's socket, or put a {code[-2:]}h part back",
            device=new,
            severity=FindingSeverity.WARNING,
        )


def missing(evidence: Evidence) -> Iterator[Finding]:
    """Expected, never found, while others answer."""
    others = [d for d in evidence.devices if d.verified]
    gone = list(_never_found(evidence))
    if not gone or not others:
        return
    discriminators = _UNDER_ANOTHER_CODE if _may_be_disguised(evidence) else ()
    for device in gone:
        yield Finding(
            cause=Cause.DEVICE,
            kind="absent",
            summary=f"{device.name} does not answer; {len(others)} others do",
            measured=(
                f"0 of {device.verifies} directed searches answered, others "
                f"{sum(d.verified for d in others)} of {sum(d.verifies for d in others)}",
            ),
            discriminators=discriminators,
            try_first=f"reseat {device.name}: its ground lead, then its data lead",
            device=device.rom_code,
        )


def _never_found(evidence: Evidence) -> Iterator[DeviceFacts]:
    """Expected devices that neither a scan nor any directed search found."""
    scans, elsewhere = evidence.scans, replaced(evidence)
    scanned = {*scans.found, *scans.last} if scans else set()
    for device in evidence.devices:
        code = device.rom_code
        is_expected = code in evidence.expected.rom_codes and code not in elsewhere
        answers = (
            device.verified or device.answers_long_reset or device.answers_overdrive
        )
        if is_expected and device.verifies and not answers and code not in scanned:
            yield device


def _may_be_disguised(evidence: Evidence) -> bool:
    """True if a device under an impossible code, or under another's, may be the one."""
    return (
        any(doubled(evidence))
        or any(odd_answer(evidence))
        or any(impossible_code(evidence))
        or bool(evidence.scans and evidence.scans.rejected)
    )


def flaky_branch(evidence: Evidence) -> Iterator[Finding]:
    """Some devices are found now and then, the others always."""
    known = [d for d in evidence.devices if d.verifies >= 5 and d.verified]
    flaky = _standing_out(known, evidence)
    if not flaky:
        return
    lost = sum(_lost(d, evidence)[0] for d in flaky)
    yield Finding(
        cause=Cause.BUS_WIRING,
        kind="branch",
        summary="one branch loses its devices now and then: reflections on a stub, or a loose "
        "contact there; the inventory stays as it is",
        measured=tuple(_missed_at_times(flaky, evidence.scans)),
        ruled_out=(
            "adapter and common wiring: other devices are found far more often",
        ),
        try_first="daisy-chain, or 100 to 150 ohm in series at each branch; reseat that branch",
        device=flaky[0].rom_code if len(flaky) == 1 else "",
        severity=FindingSeverity.FAULT if lost >= ENOUGH else FindingSeverity.WARNING,
    )


def _missed_at_times(
    flaky: Sequence[DeviceFacts], scans: ScanFacts | None
) -> Iterator[str]:
    for device in flaky:
        missed, of = scans_missed(device, scans)
        yield (
            f"{device.name} found in {device.verified} of {device.verifies} directed "
            f"searches, missed by {missed} of {of} of the whole bus"
        )
    ends = scans.dead_ends if scans else {}
    yield f"dead ends at positions {', '.join(map(str, ends)) or 'none'}"


def _standing_out(
    devices: Sequence[DeviceFacts], evidence: Evidence
) -> list[DeviceFacts]:
    """Devices that searches miss, by more than chance or with none of the others missed.

    At least half as often as the one that is missed most: what hits one branch hits all
    of its devices.
    """
    counts = {d.rom_code: _lost(d, evidence) for d in devices}
    worst = max(counts, key=lambda code: _share(counts[code]), default="")
    if not worst or not counts[worst][0] or len(devices) < 2:
        return []
    flaky = [
        d for d in devices if 2 * _share(counts[d.rom_code]) >= _share(counts[worst])
    ]
    others = [
        n for code, n in counts.items() if code not in {d.rom_code for d in flaky}
    ]
    hits, of = sum(h for h, _ in others), sum(n for _, n in others)
    if not of or (hits and fewer_by_chance(hits, of, *counts[worst]) > ERROR):
        return []
    return flaky


def _share(count: tuple[int, int]) -> float:
    return count[0] / max(count[1], 1)


def _lost(device: DeviceFacts, evidence: Evidence) -> tuple[int, int]:
    """Searches of either kind that missed it, and all, but those that nobody answered."""
    lost = device.unanswered - device.nobody_there
    missed, scans = scans_missed(device, evidence.scans)
    return lost + missed, device.verified + lost + scans


def common_loss(evidence: Evidence) -> Iterator[Finding]:
    """Several devices are missed by the same scans, or resets that nobody answers."""
    silent, of = all_silent(evidence)
    if silent >= _NOT_BY_CHANCE:
        met = [d for d in evidence.devices if d.verified]
        yield _nobody_at_times(silent, of, met[0] if len(met) == 1 else None)
        return
    scans = evidence.scans
    if scans is not None and len(scans.each) >= 3:
        yield from _missed_together(scans.each)


def _missed_together(scans: Sequence[Collection[str]]) -> Iterator[Finding]:
    """Several devices that exactly the same scans miss."""
    codes = sorted(set().union(*scans))
    missed = {code: tuple(code not in scan for scan in scans) for code in codes}
    losers = {code: pattern for code, pattern in missed.items() if any(pattern)}
    if len(losers) < 2 or len(set(losers.values())) != 1:
        return
    pattern = next(iter(losers.values()))
    if not pattern[-1] or not _once_gone(pattern):
        yield _lost_together(losers, pattern, len(codes))


_NOT_BY_CHANCE = 2
"""Once may be a device being plugged in, whose empty store holds the line (data sheets on
presence)."""


def _nobody_at_times(silent: int, of: int, only: DeviceFacts | None) -> Finding:
    """Of all at once, or of the only device, which cannot be told from it."""
    measured = (f"{silent} of {of} resets without an answer, echoes right",)
    if only is not None:
        return Finding(
            cause=Cause.DEVICE,
            kind="loose-contact",
            summary=f"{only.name} comes and goes: at times it answers no reset, at others it does",
            measured=measured,
            try_first=f"reseat {only.name}, then its connector to the bus",
            device=only.rom_code,
        )
    return Finding(
        cause=Cause.BUS_WIRING,
        kind="common-loss",
        summary="at times none of several devices answers a reset, at others all do: one common "
        "cause, not as many faults; the inventory stays as it is",
        measured=measured,
        try_first="reseat what these devices share: connector, ground, supply",
    )


def _once_gone(pattern: tuple[bool, ...]) -> bool:
    """True if from the first miss on nothing was found any more."""
    return all(pattern[pattern.index(True) :])


def _lost_together(
    losers: dict[str, tuple[bool, ...]], pattern: tuple[bool, ...], of: int
) -> Finding:
    lost = sum(pattern)
    return Finding(
        cause=Cause.BUS_WIRING,
        kind="common-loss",
        summary=f"{len(losers)} of {of} devices are missed by the same scans: one common cause, "
        "not as many faults; the inventory stays as it is",
        measured=(
            f"{', '.join(losers)}: all missed in {lost} of {len(pattern)} scans, all found in "
            f"the other {len(pattern) - lost}",
        ),
        try_first="reseat what these devices share: connector, ground, supply",
    )


def loose_contact(evidence: Evidence) -> Iterator[Finding]:
    """A device that is there and at times is not, or restarts besides."""
    for device in evidence.devices:
        ones, reads = _reads_without_device(device)
        missed, scans = scans_missed(device, evidence.scans)
        restarts = sum(c.marker_kept is False for c in device.conversions)
        lost = device.unanswered
        if not device.verified or not (ones or (lost and restarts)):
            continue
        yield Finding(
            cause=Cause.DEVICE,
            kind="loose-contact",
            summary=f"{device.name} comes and goes: at times no device drives the line in its answers",
            measured=(
                f"{ones} of {reads} blocks all FFh or ones from some bit on, {restarts} "
                "restarts",
                f"directed searches answered: {device.verified} of {device.verifies}, missed by "
                f"{missed} of {scans} searches of the bus",
            ),
            ruled_out=("a value of -0.06 degC: its CRC would be C9h",),
            try_first=f"reseat {device.name}: look for a broken ground wire",
            device=device.rom_code,
        )


def _reads_without_device(device: DeviceFacts) -> tuple[int, int]:
    """Block reads that ended in ones, and all block reads."""
    both = [b for b in (device.blocks, device.blocks_after) if b is not None]
    unread = sum(c.trouble == OPEN for c in device.conversions)
    reads = sum(b.reads for b in both) + len(device.conversions)
    return unread + sum(b.ones + b.broken_off for b in both), reads


def unlisted(evidence: Evidence) -> Iterator[Finding]:
    """Devices that are there, proved, and in no socket of the fixture."""
    if not evidence.expected.rom_codes:
        return
    extra = {
        code: standing
        for code, standing in evidence.inventory.items()
        if standing in {Membership.NEWCOMER, Membership.UNLISTED_FAMILY}
        and code not in replaced(evidence).values()
    }
    if extra:
        yield Finding(
            cause=Cause.CONFIGURATION,
            kind="unlisted",
            summary="devices answer that the fixture does not list",
            measured=tuple(f"{code}: {what}" for code, what in extra.items()),
            try_first="add them to the fixture's sockets, or take them off the bus",
            severity=FindingSeverity.NOTE,
        )


def came_or_went(evidence: Evidence) -> Iterator[Finding]:
    """Between the first and the last scan of one examination."""
    scans = evidence.scans
    if scans is None or scans.whole < 2:
        return
    flaky = {d.rom_code for d in evidence.devices if 0 < d.verified < d.verifies}
    # a code that no fixture names and one scan alone found is no device yet
    fleeting = {code for code, times in scans.found.items() if times == 1}
    fleeting -= set(evidence.expected.rom_codes)
    came = sorted(set(scans.last) - set(scans.first) - flaky - fleeting)
    went = sorted(set(scans.first) - set(scans.last) - flaky)
    if came:
        yield Finding(
            cause=Cause.DEVICE,
            kind="attached",
            summary="a device was plugged in during the examination: its presence pulse and its "
            "empty store spoil one transaction",
            measured=(f"new since the first scan: {', '.join(came)}",),
            try_first="plug between runs; scan again",
            severity=FindingSeverity.NOTE,
        )
    yield from _vanished(went, scans)


def _vanished(went: list[str], scans: ScanFacts) -> Iterator[Finding]:
    if len(went) > 1:
        yield Finding(
            cause=Cause.SUPPLY,
            kind="vanished-together",
            summary=f"{len(went)} devices vanished together",
            measured=(f"gone since the first scan: {', '.join(went)}",),
            ruled_out=("single devices: they do not fail together",),
            try_first="look at the branch or supply that these devices share",
        )
    elif went:
        yield Finding(
            cause=Cause.DEVICE,
            kind="vanished",
            summary=f"{went[0]} vanished during the examination",
            measured=(
                f"found in {scans.found.get(went[0], 0)} of {scans.whole} scans",
            ),
            try_first="reseat that device; one scan takes no device off the inventory",
            device=went[0],
        )


def late_presence(evidence: Evidence) -> Iterator[Finding]:
    """Presence lies between two samples of the customary reset character."""
    customary = [r for r in evidence.resets if r.baud == 9600]
    others = [r for r in evidence.resets if r.baud != 9600 and r.answered > 0.9]
    if customary and customary[0].answered < 0.1 and others:
        seen = others[0]
        yield Finding(
            cause=Cause.DEVICE,
            kind="late-presence",
            summary="a device answers with a late, short presence pulse, within limits; the "
            "customary reset at 9600 baud misses it",
            measured=tuple(map(reset_shown, (customary[0], seen))),
            ruled_out=("absent device: it answers at another rate",),
            try_first="nothing: the resets of this harness sample where no presence hides",
            severity=FindingSeverity.NOTE,
        )
