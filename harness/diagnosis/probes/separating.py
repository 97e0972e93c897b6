"""Probes that tell rivals apart, made only where both stand.

Each fills a part of the evidence of its own; what they cost is known beforehand.
"""

from __future__ import annotations

from collections import Counter

from harness.diagnosis.evidence.bus import Echoes, Histogram, SampleStep
from harness.diagnosis.probes.line import (
    LONG_RESET_BAUD,
    PULSE_BYTE,
    silence_everybody,
)
from harness.diagnosis.probes.raw_link import RawLink
from harness.driver.bus import RomCommand
from harness.driver.overdrive import overdrive_frames
from harness.errors import AdapterUnplugged, PortUnsuitable, SlotproofError
from harness.wire.romcode import RomCode
from harness.wire.slots.frames import CannotMake, SlotFrames

LADDER_BAUDS = (115_200, 76_800, 57_600)
"""First sample 4.3, 6.5 and 8.7 us after the release of an FFh slot: half a bit time. Beside
them stands the rate of the slots in use, whose sample is the one that errors come from."""

_WANTED_HITS = 16
"""Changed ones to wait for at the earliest sample. If the cause is an edge none is left at
the latest: by chance that is one in 2^16. If it is noise, as many are expected, and the
chance of so few that it looks like an edge is 1 % (Fisher's exact test)."""

_MOST_SLOTS = 20_000
"""1.7 s at 115200 baud, 3.5 s at 57600."""

BOUNDARY_SIZES = (62, 63, 64, 65, 66, 126, 128, 130)
"""Around the ends of one and two packets of 64 characters, with and without the two
status characters that common chips put in front (62)."""

_BOUNDARY_TRIES = 3

_CHARACTER_TRIES = 4
CHARACTERS = (0x0D, 0x0A, 0x11, 0x13, 0x03, 0x04, 0x1A, 0xFF, 0x0F, 0x1F, 0x3F, 0x7F, 0xF7, 0xE7)  # fmt: skip
"""What terminal layers take for controls, and as many others of like pulse lengths."""


def climb_ladder(link: RawLink, share: float, *, size: int) -> tuple[SampleStep, ...]:
    """FFh slots at the rate in use and others, no device addressed.

    Args:
        link: the raw link.
        share: of changed ones seen before; says how many slots are worth it.
        size: longest burst that comes back whole.
    """
    slots = min(_MOST_SLOTS, max(200, round(_WANTED_HITS / max(share, 1e-4))))
    own, bursts = link.bus.slots.request_baud, -(-slots // size)
    parts: dict[int, list[Echoes]] = {}
    refused: set[int] = set()
    for _ in range(bursts):
        # every rate in turn, so that noise which comes in bursts falls on all of them alike
        for baud in dict.fromkeys((own, *LADDER_BAUDS)):
            if baud not in refused:
                try:
                    silence_everybody(link)
                    echoes = link.burst(0xFF, baud, -(-slots // bursts), size=size)
                except PortUnsuitable:
                    refused.add(baud)
                else:
                    parts.setdefault(baud, []).append(echoes)
    return tuple(
        SampleStep(
            baud=baud,
            sample_us=round(0.5e6 / link.bus.adapter.grid.achieved(baud), 2),
            echoes=_summed(some),
        )
        for baud, some in parts.items()
    )


def _summed(parts: list[Echoes]) -> Echoes:
    counts = sum((Counter(part.histogram) for part in parts), Counter[str]())
    return Echoes(
        sent=sum(part.sent for part in parts),
        silent=sum(part.silent for part in parts),
        extra=sum(part.extra for part in parts),
        histogram=dict(counts),
    )


def around_packets(link: RawLink) -> dict[int, tuple[int, int]]:
    """Bursts of the lengths around full packets: how many came back whole at once."""
    baud, found = link.bus.slots.request_baud, {}
    longest = link.bus.adapter.max_burst
    for size in (size for size in BOUNDARY_SIZES if size <= longest):
        whole = 0
        for _ in range(_BOUNDARY_TRIES):
            silence_everybody(link)
            whole += link.send(b"\xff" * size, baud).whole
            link.bus.adapter.settle()
        found[size] = (whole, _BOUNDARY_TRIES)
    return found


def send_characters(link: RawLink) -> dict[str, Histogram]:
    """Single characters of many values, nobody addressed: what came back of each.

    Eight ones before each are no ROM command, so that no device listens to what the
    pulses of a character look like.
    """
    baud, found = link.bus.slots.request_baud, {}
    for value in CHARACTERS:
        echoes: Counter[str] = Counter()
        for _ in range(_CHARACTER_TRIES):
            silence_everybody(link)
            heard = link.send(bytes([value]), baud)
            echoes[(heard.echoes + heard.extra).hex().upper() or "none"] += 1
            link.bus.adapter.settle()
        found[f"{value:02X}"] = dict(echoes)
    return found


RESET_BAUD = 9600
"""F0h there is low for 521 us, the customary reset."""

LONGER_RESETS = ((PULSE_BYTE, LONG_RESET_BAUD), (0xF8, 4800))
"""Character and rate: low for 694 and 833 us. Up to 960 us a low is a reset and no loss of
supply (published limits)."""


def answers_after_pause(link: RawLink, rom: RomCode) -> bool:
    """Whether such a device answers behind a customary reset once the line had time to rise.

    Then the reset was long enough, and something held the line longer than searches wait.
    """
    return _answers_behind(link, rom, PULSE_BYTE, RESET_BAUD)


def answers_long_reset(link: RawLink, rom: RomCode) -> bool:
    """Whether a device that answered no search answers one behind a longer reset.

    A part that was left in overdrive, or wants a longer reset than it may, does.
    """
    return any(_answers_behind(link, rom, *reset) for reset in LONGER_RESETS)


def answers_overdrive(link: RawLink, rom: RomCode) -> bool | None:
    """Whether such a device answers a directed search at overdrive speed.

    No command goes ahead of it, so that only who is in overdrive already follows. None
    where the adapter, or the rise of this line, is too slow for that speed.
    """
    bus = link.bus
    try:
        slots, reset_frame = overdrive_frames(bus.adapter.grid)
        slots = bus.fitted(slots)
    except AdapterUnplugged:
        raise
    except (SlotproofError, CannotMake):
        bus.adapter.settle()
        return None  # too slow for it, or a line that holds no slot at the moment
    link.send(bytes([reset_frame.frame.byte]), reset_frame.request_baud)
    heard = link.send(_search_of(slots, rom), slots.request_baud)
    link.bus.adapter.settle()
    silence_everybody(link)
    if not heard.whole:
        return False
    return _answers_as(rom, slots.decode_bits(heard.echoes)[8:])


def answers_alarm_search(link: RawLink, rom: RomCode) -> bool:
    """Whether a device answers the conditional search, behind a reset held however long.

    It reads nothing: reading its status would clear what it signals (data sheet, parts
    DS1994, status register).
    """
    bus, frame = link.bus, link.bus.reset_frame
    link.send(bytes([frame.frame.byte]), frame.request_baud)
    link.wait(link.presence_s)
    search = _search_of(bus.slots, rom, RomCommand.CONDITIONAL_SEARCH)
    heard = link.send(search, bus.slots.request_baud)
    if not heard.whole:
        bus.adapter.settle()
        return False
    return _answers_as(rom, bus.slots.decode_bits(heard.echoes)[8:])


def _search_of(
    slots: SlotFrames, rom: RomCode, search: RomCommand = RomCommand.SEARCH
) -> bytes:
    command = [search >> position & 1 for position in range(8)]
    return slots.encode_bits(command + [n for bit in rom.bits for n in (1, 1, bit)])


def _answers_behind(link: RawLink, rom: RomCode, byte: int, baud: int) -> bool:
    slots = link.bus.slots
    link.send(bytes([byte]), baud)
    link.wait(link.presence_s)
    heard = link.send(_search_of(slots, rom), slots.request_baud)
    if not heard.whole:
        link.bus.adapter.settle()
        return False
    return _answers_as(rom, slots.decode_bits(heard.echoes)[8:])


def _answers_as(rom: RomCode, levels: list[int]) -> bool:
    """Whether triplets answer as a device does, alone or among others, who pull too."""
    pairs = zip(levels[0::3], levels[1::3], strict=True)
    return all(
        pair in {(b, 1 - b), (0, 0)} for pair, b in zip(pairs, rom.bits, strict=True)
    )


def share_changed(echoes: Echoes) -> float:
    """Share of ones that did not come back as FFh."""
    return 1 - echoes.share("FF") if echoes.histogram else 0.0
