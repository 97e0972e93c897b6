"""Rules about noise: bits that change at random, slots that slip, commands that are lost."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence

from harness.diagnosis.evidence.bus import Blocks, DeviceFacts, Evidence, ScanFacts
from harness.diagnosis.finding import Cause, Finding, FindingSeverity
from harness.diagnosis.probes.thermometer_blocks import is_slip
from harness.diagnosis.signs.exact import fewer_by_chance
from harness.diagnosis.signs.sign import ERROR
from harness.wire.romcode import RomCode

_MOST = 0.4
"""More slots changed than this is no noise but a state of the line."""


def spikes(evidence: Evidence) -> Iterator[Finding]:
    """Some slots of many come back changed, the others are right."""
    line = evidence.line
    if line is None or line.ones.share("FF") < 1 - _MOST:
        return
    down = sum(line.ones.histogram.values()) - line.ones.histogram.get("FF", 0)
    lifted = sum(line.zeros.histogram.values()) - line.zeros.histogram.get(
        line.zeros.usual, 0
    )
    up, fell = _flips(evidence)
    missed, raised = lows_missed(evidence), zeros_lifted(evidence)
    disturbed = disturbed_slots(evidence)
    split = line.ones.extra + (evidence.adapter.burst_extra if evidence.adapter else 0)
    # a lost character alone is the adapter's, beside changed ones it was split or merged
    hit = disturbed + missed + raised
    merged = line.ones.silent + line.zeros.silent if hit else 0
    total = down + lifted + split + merged
    if not total + missed + raised and disturbed < 2:
        return
    if not lifted + missed + raised and total + disturbed <= len(evidence.pulls):
        return  # no more than the long pulls that were heard: each lowers a slot at least
    yield Finding(
        cause=Cause.NOISE,
        kind=_direction(lifted + up + missed + raised, down + fell),
        summary="single slots come back changed among many that are right",
        measured=(
            f"{down} of {line.ones.sent} ones pulled low, {lifted} of {line.zeros.sent} "
            f"zeros lifted, {split} characters too many, {merged} merged, no device addressed",
            f"blocks read again: {up} bits 0 to 1, {fell} bits 1 to 0",
            f"failed directed searches: in {raised} a zero that the host wrote came back high, "
            f"{missed} missed single lows of a device in step",
            f"{disturbed} transactions broken off by a changed slot",
        ),
        ruled_out=(
            "slow edge: most slots are whole",
            "a single device: none was addressed",
        ),
        try_first="twisted pair, a ferrite, a ground wire of its own; compare the times with "
        "what switches nearby",
    )


def lows_missed(evidence: Evidence) -> int:
    """Searches that missed single lows of devices; 0 where one device alone has them."""
    counts = [
        (d.lows_missed, d.verified + d.lows_missed)
        for d in evidence.devices
        if d.verified
    ]
    return 0 if of_one_only(counts) else sum(hits for hits, _ in counts)


def zeros_lifted(evidence: Evidence) -> int:
    """Searches in which a zero that the host wrote came back high."""
    return sum(d.zeros_lifted for d in evidence.devices)


def _direction(up: int, down: int) -> str:
    if up and not down:
        return "lifted-lows"
    if down and not up:
        return "pulled-highs"
    return "spikes"


def flipped_blocks(evidence: Evidence) -> Iterator[Finding]:
    """Blocks whose bits turn now and then, while slots with no device addressed come back right.

    What hits the lows of devices shows in no slot that only the host pulls low.
    """
    hit = [(d, b) for d, b in _all_blocks(evidence) if b.flips_up + b.flips_down]
    if not hit or any(spikes(evidence)) or _of_one_only(evidence):
        return
    up, down = _flips(evidence)
    if not up + down:
        return
    one_way = 2 * 0.5 ** (up + down) <= ERROR and not (up and down)
    kind = _direction(up, down) if one_way else "spikes"
    yield Finding(
        cause=Cause.NOISE,
        kind=kind,
        summary={
            "lifted-lows": "lows of devices are lifted now and then: noise on ground or supply",
            "pulled-highs": "highs are pulled down now and then while devices speak",
        }.get(kind, "bits of blocks turn both ways, now and then"),
        measured=(
            f"{up} bits turned 0 to 1 and {down} 1 to 0 in {sum(b.check_wrong for _, b in hit)} "
            f"of {sum(b.reads for _, b in _all_blocks(evidence))} blocks; no slot was changed "
            "with no device addressed",
            *(f"{d.name}: {b.check_wrong} of {b.reads} blocks" for d, b in hit[:4]),
        ),
        ruled_out=("weak pull-up, slow edges: they turn ones to zeros",)
        if kind == "lifted-lows"
        else (),
        try_first="a ground wire and a supply of its own for what switches nearby, a filter; "
        "read while it is in a steady state",
        device=hit[0][0].rom_code if len({d.rom_code for d, _ in hit}) == 1 else "",
    )


def _of_one_only(evidence: Evidence) -> bool:
    """True if one device alone has them, by more than chance: its branch or itself."""
    shares = [
        (sum(b.check_wrong for b in both), sum(b.reads for b in both))
        for d in evidence.devices
        if (both := [b for b in (d.blocks, d.blocks_after) if b is not None])
    ]
    return of_one_only(shares)


def of_one_only(shares: Sequence[tuple[int, int]]) -> bool:
    """True if one device has more hits of its tries than the others, by more than chance."""
    worst = max(shares, key=lambda s: s[0] / max(s[1], 1), default=(0, 0))
    others = [s for s in shares if s is not worst]
    hits, of = sum(h for h, _ in others), sum(n for _, n in others)
    return bool(of) and fewer_by_chance(hits, of, *worst) <= ERROR


def _all_blocks(evidence: Evidence) -> list[tuple[DeviceFacts, Blocks]]:
    return [
        (device, blocks)
        for device in evidence.devices
        for blocks in (device.blocks, device.blocks_after)
        if blocks is not None
    ]


def _flips(evidence: Evidence) -> tuple[int, int]:
    blocks = [b for _, b in _all_blocks(evidence) if b.whole]
    return sum(b.flips_up for b in blocks), sum(b.flips_down for b in blocks)


def disturbed_slots(evidence: Evidence) -> int:
    """Transactions that a changed slot broke off; an adapter that drops does not."""
    troubles: Counter[str] = Counter()
    for _, blocks in _all_blocks(evidence):
        troubles.update(blocks.troubles)
    if evidence.scans is not None:
        troubles.update(evidence.scans.troubles)
        troubles["slot-disturbed"] += evidence.scans.disturbed_passes
    return troubles["slot-disturbed"] + troubles["reset-disturbed"]


def slipped_slot(evidence: Evidence) -> Iterator[Finding]:
    """The right bits one position on: half of such blocks keep a right check value."""
    blocks = [(d, b) for d, b in _all_blocks(evidence) if b.slipped]
    codes = _slipped_codes(evidence)
    if not blocks and not codes:
        return
    measured = [
        f"{d.name}: {b.slipped} of {b.reads} blocks moved by one slot"
        for d, b in blocks
    ]
    measured += [f"ROM code {bad} is {good} moved by one slot" for bad, good in codes]
    yield Finding(
        cause=Cause.NOISE,
        kind="slip",
        summary="host and device counted slots differently by one; the CRC need not "
        "show it",
        measured=tuple(measured),
        ruled_out=("a device of another kind: the same bits stand one position on",),
        try_first="never accept on the CRC alone; look at edges and noise",
    )


def _slipped_codes(evidence: Evidence) -> list[tuple[str, str]]:
    scans = evidence.scans
    if scans is None:
        return []
    good = [RomCode.parse(c) for c in {*scans.found, *evidence.expected.rom_codes}]
    odd = map(RomCode.parse, {*scans.found, *scans.rejected})
    unsteady = [rom for rom in odd if any(rom.wire) and not _is_steady(rom, scans)]
    return sorted(
        (str(bad), str(rom))
        for bad in unsteady
        for rom in good
        if bad != rom and is_slip(rom.wire, bad.wire)
    )


def _is_steady(rom: RomCode, scans: ScanFacts) -> bool:
    """True if every whole scan found the code, and none rejected it."""
    code = str(rom)
    return scans.found.get(code, 0) >= scans.whole and code not in scans.rejected


def phantoms(evidence: Evidence) -> Iterator[Finding]:
    """Codes that no directed search proves, or that come in some scans only."""
    scans = evidence.scans
    if scans is None:
        return
    slipped = {bad for bad, _ in _slipped_codes(evidence)}
    rare = {c for c, times in scans.found.items() if times < max(2, scans.whole)}
    unproved = {d.rom_code for d in evidence.devices if not d.verified}
    unproved &= rare - set(evidence.expected.rom_codes)
    fleeting = {c for c, times in scans.rejected.items() if times < scans.whole}
    codes = sorted((unproved | fleeting) - slipped - {"0" * 16})
    if codes:
        yield Finding(
            cause=Cause.NOISE,
            kind="phantom",
            summary="ROM codes appear once and no directed search proves them",
            measured=(
                f"{len(codes)} phantoms in {scans.scans} scans: {', '.join(codes[:4])}",
            ),
            ruled_out=("new devices: one must be found again and answer",),
            try_first="look at noise and edges; the inventory stays as it is",
        )


LOST_AT_TIMES = 0.8
"""Most that is lost now and then: what spoils four of five commands leaves no search of 200
slots whole. 21 in a row are lost so in one of a hundred cases."""


def _heard(device: DeviceFacts) -> list[bool]:
    """Whether busy was seen, of each convert command that was addressed to this device."""
    return [c.heard for c in device.conversions if c.heard is not None]


def command_not_heard(evidence: Evidence) -> Iterator[Finding]:
    """A convert command without busy: the old value would pass for a new one.

    A device fed from the data line cannot pull it low while it converts.
    """
    for device in evidence.devices:
        heard = _heard(device)
        deaf = heard.count(False)
        is_read = device.blocks is not None and device.blocks.whole
        if device.on_parasite or not deaf or not is_read:
            continue
        always = deaf == len(heard) and LOST_AT_TIMES**deaf <= ERROR
        yield Finding(
            cause=Cause.DEVICE if always else Cause.NOISE,
            kind="deaf-to-convert" if always else "command-lost",
            summary=f"{device.name} did not start on a convert command: its reading is an old one",
            measured=(f"busy not seen after {deaf} of {len(heard)} convert commands",),
            ruled_out=("a damaged reading: the block's CRC is right",),
            try_first="send the command again when busy is not seen; look at this device's "
            "branch",
            device=device.rom_code,
            severity=FindingSeverity.FAULT,
        )
