"""The title of each cause in words for a technician; no screen shows its key.

The key of a cause (``supply third-wire``) is for journals, rules and tests. Whoever reads
a screen or a page reads its title.
"""

from __future__ import annotations

import re

from harness.diagnosis.finding import Cause

TITLES = {
    # adapter and host
    "adapter drops": "adapter loses characters of long bursts",
    "adapter framing": "characters too long (parity or a second stop bit)",
    "adapter holds-short-writes": "adapter holds short bursts back",
    "adapter inverted": "receive line (RX) inverted",
    "adapter latency": "adapter holds replies back (latency timer)",
    "adapter lost": "adapter disconnected while in use",
    "adapter packet-boundary": "adapter holds back bursts that end with a full USB packet",
    "adapter push-pull": "transmit output (TX) drives the line high (not open drain)",
    "adapter receive-open": "receive lead (RX) open",
    "adapter stalls": "adapter passes some replies on late",
    "adapter supply-blinks": "opening the port interrupts the bus supply",
    "adapter wrong-rate": "adapter runs at a wrong baud rate",
    "host clock-step": "wall clock of the host set while the examination ran",
    "host doubled-echo": "received characters are sent out again (terminal echo)",
    "host late-now-and-then": "host reads some replies late",
    "host second-master": "second master, or one host that begins again",
    "host terminal-layer": "terminal layer of the host changes characters",
    "host timing": "host keeps a time outside its limits",
    # line, wiring and noise
    "bus wiring branch": "bad branch or stub",
    "bus wiring common-loss": "several devices missed at the same times (one common cause)",
    "bus wiring low-in-search": "data line low during searches",
    "bus wiring low-level": "lows do not reach the devices (level too high, or a common "
    "lead open)",
    "bus wiring low-voltage": "low level outside its limits",
    "bus wiring low-while-reading": "data line low while this device is read",
    "bus wiring output-load": "load holds the output low",
    "bus wiring pull-up": "pull-up far too weak",
    "bus wiring second-master": "second master on the bus",
    "bus wiring slow-edge": "rising edges too slow",
    "bus wiring stuck-high": "data line stuck high",
    "bus wiring stuck-low": "data line stuck low",
    "noise address-damaged": "command or address damaged on the way to the device",
    "noise command-lost": "device misses some convert commands",
    "noise constants-moved": "bits slipped or flipped although the CRC holds",
    "noise glitches": "short lows and spikes on the line",
    "noise idle-spikes": "noise spikes on the idle line",
    "noise lifted-lows": "noise lifts zeros to ones",
    "noise phantom": "ROM codes of devices that do not exist",
    "noise pulled-highs": "noise pulls ones to zeros",
    "noise slip": "host and device one time slot apart",
    "noise spikes": "noise changes bits",
    "noise torn-answer": "some answers damaged on the line",
    # supply
    "supply brown-out": "supply too weak during conversions",
    "supply fed-from-elsewhere": "line fed by another supply",
    "supply high-voltage": "high level outside its limits",
    "supply no-pull-up": "pull-up without supply, or not fitted",
    "supply no-strong-pull-up": "no strong pull-up for conversions on bus power",
    "supply outside-range": "supply voltage outside the range of these devices",
    "supply own-cell": "cell of the device empty",
    "supply restart": "device restarts (supply interrupted)",
    "supply slow-conversion": "conversion too long (resistance in the supply lead)",
    "supply store-dip": "store not completed (supply of the device)",
    "supply supply-differs": "supply of the device not as declared",
    "supply supply-pin-open": "supply pin left open",
    "supply third-wire": "supply wire of the device open",
    "supply vanished-together": "several devices lost at once (common supply)",
    # devices
    "device absent": "device absent",
    "device alarm-wrong": "alarm search disagrees with the reading",
    "device attached": "device plugged in during the examination",
    "device clock-drift": "clock of the device runs fast or slow",
    "device comes-and-goes": "line pulled low while idle, as by a device that gains contact",
    "device current-moves": "current reading not steady at no load",
    "device damaged-memory": "memory of the device damaged",
    "device data-sheet": "device does not behave as its data sheet says",
    "device dead": "device defective",
    "device deaf-to-commands": "device ignores its function commands",
    "device deaf-to-convert": "device ignores the convert command",
    "device duplicate": "two devices with one ROM code",
    "device late-presence": "presence pulse late, within its limits",
    "device long-presence": "presence pulse too long",
    "device loose-contact": "loose contact at this device",
    "device no-samples": "logger takes no samples",
    "device odd-answer": "device gives impossible answers",
    "device odd-block": "content of the memory not as the data sheet says",
    "device rom-code": "device with an invalid ROM code",
    "device says-bus-power": "device reports bus power although it has a supply",
    "device signals": "device signals on the line (alarm or interrupt)",
    "device slow-conversion": "conversion too long (the device itself)",
    "device stretches-reset": "resets held low for longer than the host holds them",
    "device true-85": "temperature really at 85 degC",
    "device vanished": "device lost during the examination",
    "device timing": "device keeps a time outside its limits",
    "device wanders": "readings of the device vary by themselves",
    "device weak-low": "device does not pull the line low enough",
    "device worn": "memory row worn out",
    "device wrong-check": "CRC of the device's answers always wrong",
    "device zero-rom": "device with a ROM code of zeros",
    # settings of devices
    "configuration alarm-stale": "alarm flag from before the last change of thresholds",
    "configuration clock-off": "clock of the device not set to the host's",
    "configuration clone-like": "conversion time of a clone",
    "configuration current-offset": "current offset not trimmed",
    "configuration family-changed": "device of another family in this socket",
    "configuration left-in-fast-mode": "device still in overdrive speed",
    "configuration mission-not-started": "mission of the logger not started",
    "configuration off-sheet": "constants of the device differ from its data sheet",
    "configuration oscillator-off": "clock oscillator of the device off",
    "configuration reloaded": "settings back to the stored ones",
    "configuration store-protected": "memory row protected",
    "configuration store-row": "store does not begin on a memory row",
    "configuration supply-differs": "supply declared wrongly in the fixture",
    "configuration thermostat": "thermostat output on the data line",
    "configuration toggled": "output toggled by an access to the device",
    "configuration unlisted": "devices that the fixture does not list",
    # what the numbers do not decide
    "undecided current-flows": "current measured, perhaps of a real load",
    "undecided nobody": "no device answers a reset",
    "undecided odd-answer": "impossible answers of several devices",
    "undecided presence-only": "presence pulse, but no device found by a search",
    "undecided refused-store": "stores that the device does not confirm",
    "undecided silent": "no echo (data line low, or receive lead open)",
    "undecided timing": "a time outside its limits",
    "undecided unexplained": "errors whose cause was not found",
    "undecided wrong-check": "CRCs of several devices' answers wrong",
}
"""Key of each cause to its title, without a capital: it also stands inside a sentence."""

_KEY = re.compile(rf"^({'|'.join(Cause)})(?: \(([a-z-]+)\)| ([a-z0-9-]+))?: ", re.ASCII)
"""How a sentence of a finding names another cause: its key, then what is said of it."""


def title_of(cause: str, kind: str) -> str:
    """The title of a cause; of one that an other version knew, its words.

    Args:
        cause: where it sits, as in ``Finding``.
        kind: its sub-word.
    """
    return TITLES.get(f"{cause} {kind}") or f"{cause}: {kind.replace('-', ' ')}"


def with_title(text: str) -> str:
    """A sentence of a finding with the title of the cause that it begins with.

    Args:
        text: such as ``supply restart: the supply at the probe dips``; one that begins
            with no key stays as it is.
    """
    found = _KEY.match(text)
    if found is None:
        return text
    cause, *kinds = found.groups()
    kind = next(filter(None, kinds), "")
    title = title_of(cause, kind) if kind else cause
    return f"{title}: {text[found.end() :]}"
