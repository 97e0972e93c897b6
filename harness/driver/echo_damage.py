"""Identifies what an adapter, or the host's port, does to the characters of its echo.

Each kind of damage is a change of what was sent; the one that makes exactly what came
back has a name and a cure. What none of them makes is reported by count and values.

Source of the kinds: termios(3) (ISTRIP, INPCK, IGNPAR, PARMRK, ICRNL, INLCR, IGNCR, IXON,
ECHO), RFC 854 (FFh doubled), RFC 1055 (C0h and DBh escaped), RFC 1662 (7Dh and 7Eh escaped).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from harness.wire.slots.frames import PULSE_BYTES

_FORMAT = "set the port to 8 data bits and no parity, input unprocessed (raw)"
_RAW = "set the port raw: no flow control, no translation; look for a terminal program or a server between"
_LINES = "check how TX and RX reach the line: polarity, wiring, and what answers instead of the bus"


@dataclass(frozen=True, slots=True, kw_only=True)
class Damage:
    """What came back instead of what was sent.

    Attributes:
        name: a short fixed word for the kind.
        what: the damage in a sentence.
        hint: what to change.
        sent, got: characters sent and received.
    """

    name: str
    what: str
    hint: str
    sent: bytes
    got: bytes

    @property
    def is_named(self) -> bool:
        """True if one change explains every character."""
        return self.name not in {"lost", "surplus", "changed", "silent"}

    @property
    def is_slow_edge(self) -> bool:
        """True if a slow rise of the line explains it: a matter of the line."""
        return self.name == "slow-edge"


def _map(table: Mapping[int, bytes]) -> Callable[[bytes], bytes]:
    return lambda sent: b"".join(table.get(c, bytes([c])) for c in sent)


def _odd(value: int) -> int:
    return value.bit_count() & 1


def _reversed(value: int) -> int:
    return int(f"{value:08b}"[::-1], 2)


def _each(change: Callable[[int], int]) -> Callable[[bytes], bytes]:
    return lambda sent: bytes(change(c) for c in sent)


def _drop(*values: int) -> Callable[[bytes], bytes]:
    return lambda sent: bytes(c for c in sent if c not in values)


_KINDS: tuple[tuple[str, str, str, Callable[[bytes], bytes]], ...] = (
    ("7-bit", "bit 7 is always 0: 7 data bits", _FORMAT, _each(lambda c: c & 0x7F)),
    ("parity-mark", "bit 7 is always 1: mark parity", _FORMAT, _each(lambda c: c | 0x80)),
    (
        "parity-even",
        "bit 7 is an even parity bit over 7 data bits",
        _FORMAT,
        _each(lambda c: (c & 0x7F) | _odd(c & 0x7F) << 7),
    ),
    (
        "parity-odd",
        "bit 7 is an odd parity bit over 7 data bits",
        _FORMAT,
        _each(lambda c: (c & 0x7F) | (1 - _odd(c & 0x7F)) << 7),
    ),
    (
        "parity-dropped",
        "characters with an odd number of ones are lost: a parity check drops them",
        _FORMAT,
        lambda sent: bytes(c for c in sent if not _odd(c)),
    ),
    (
        "parity-dropped",
        "characters with an even number of ones are lost: a parity check drops them",
        _FORMAT,
        lambda sent: bytes(c for c in sent if _odd(c)),
    ),
    (
        "parity-zeroed",
        "characters with an odd number of ones come back as 00h: a parity check",
        _FORMAT,
        _each(lambda c: 0 if _odd(c) else c),
    ),
    (
        "parity-zeroed",
        "characters with an even number of ones come back as 00h: a parity check",
        _FORMAT,
        _each(lambda c: c if _odd(c) else 0),
    ),
    ("inverted", "each character comes back inverted", _LINES, _each(lambda c: c ^ 0xFF)),
    ("reversed", "the bits come back in reverse order", _LINES, _each(_reversed)),
    (
        "doubled",
        "each character comes back twice",
        "look for a terminal echo, a second listener, or a level converter that echoes",
        lambda sent: bytes(c for c in sent for _ in range(2)),
    ),
    (
        "doubled",
        "all that was sent comes back twice",
        "look for a terminal echo, or a second path from TX to RX",
        lambda sent: sent * 2,
    ),
    ("half", "every second character is lost", _RAW, lambda sent: sent[::2]),
    ("half", "every second character is lost", _RAW, lambda sent: sent[1::2]),
    ("xon-xoff", "11h and 13h are lost: XON/XOFF flow control", _RAW, _drop(0x11, 0x13)),
    ("xon-xoff", "11h is lost: XON/XOFF flow control", _RAW, _drop(0x11)),
    ("xon-xoff", "13h is lost: XON/XOFF flow control", _RAW, _drop(0x13)),
    ("cr-lf", "0Dh comes back as 0Ah: line ends translated", _RAW, _map({0x0D: b"\n"})),
    ("cr-lf", "0Ah comes back as 0Dh: line ends translated", _RAW, _map({0x0A: b"\r"})),
    ("cr-lf", "0Ah comes back as 0Dh 0Ah: line ends translated", _RAW, _map({0x0A: b"\r\n"})),
    ("cr-lf", "0Dh comes back as 0Dh 0Ah: line ends translated", _RAW, _map({0x0D: b"\r\n"})),
    (
        "cr-lf",
        "0Dh and 0Ah come back as 0Dh 0Ah: line ends translated",
        _RAW,
        _map({0x0D: b"\r\n", 0x0A: b"\r\n"}),
    ),
    (
        "cr-lf",
        "0Dh and 0Ah change places: line ends translated",
        _RAW,
        _map({0x0D: b"\n", 0x0A: b"\r"}),
    ),
    ("cr-lf", "0Dh is lost: line ends translated", _RAW, _drop(0x0D)),
    ("cr-lf", "0Ah is lost: line ends translated", _RAW, _drop(0x0A)),
    ("cr-lf", "0Dh and 0Ah are lost: line ends translated", _RAW, _drop(0x0D, 0x0A)),
    ("escaped", "FFh comes back doubled: escaped (PARMRK, or telnet)", _RAW, _map({0xFF: b"\xff\xff"})),
    ("escaped", "FFh is lost: taken for an escape", _RAW, _drop(0xFF)),
    (
        "escaped",
        "FFh FFh comes back as one FFh: taken for an escape",
        _RAW,
        lambda sent: sent.replace(b"\xff\xff", b"\xff"),
    ),
    (
        "escaped",
        "C0h and DBh come back escaped (SLIP)",
        _RAW,
        _map({0xC0: b"\xdb\xdc", 0xDB: b"\xdb\xdd"}),
    ),
    (
        "escaped",
        "7Dh and 7Eh come back escaped (PPP)",
        _RAW,
        _map({0x7D: b"\x7d\x5d", 0x7E: b"\x7d\x5e"}),
    ),
    *(
        ("escaped", f"{c:02X}h comes back doubled: escaped", _RAW, _map({c: bytes([c, c])}))
        for c in (0x10, 0x1B, 0x5C, 0x7D, 0x7E, 0xDB)
    ),
    ("nul-dropped", "00h is lost", _RAW, _drop(0x00)),
)  # fmt: skip


def _is_slow_edge(sent: bytes, got: bytes) -> bool:
    """True if every changed bit is a 1 that follows a 0 and came back as a 0.

    A line that rises late keeps the level of the bit before; no 0 becomes a 1.
    """
    if len(sent) != len(got):
        return False
    for out, back in zip(sent, got, strict=True):
        if back & ~out:
            return False
        lost, before_low = out & ~back, (back << 1 & 0xFE) ^ 0xFE
        # start bit: low before bit 0
        if lost & ~(before_low | 1):
            return False
    return sent != got


def name_damage(sent: bytes, got: bytes) -> Damage | None:
    """What was done to ``sent`` on its way back; None if it came back whole.

    Args:
        sent: characters sent.
        got: all that came back until nothing more could come.
    """
    if got == sent:
        return None

    def found(name: str, what: str, hint: str) -> Damage:
        return Damage(name=name, what=what, hint=hint, sent=sent, got=got)

    if not got:
        return found(
            "silent",
            "nothing comes back",
            "check RX, the pull-up's supply, and whether the line is held low",
        )
    if len(got) == len(sent) > 1 and len(set(got)) == 1:
        return found("constant", f"whatever is sent, {got[0]:02X}h comes back", _LINES)
    for name, what, hint, change in _KINDS:
        if change(sent) == got:
            return found(name, what, hint)
    if _is_slow_edge(sent, got):
        return found(
            "slow-edge",
            "ones behind a zero come back as zeros: the line rises too slowly",
            "look at the pull-up and the capacitance of the line",
        )
    return found(*_by_count(sent, got))


def _by_count(sent: bytes, got: bytes) -> tuple[str, str, str]:
    if len(got) < len(sent):
        return (
            "lost",
            f"{len(sent) - len(got)} of {len(sent)} characters are lost",
            "use shorter bursts (adapter.max_burst in the fixture) or another USB port",
        )
    if len(got) > len(sent):
        return (
            "surplus",
            f"{len(got)} characters came back for {len(sent)}",
            "look for a second reader or writer of the port, or a second controller on the bus",
        )
    changed = sum(a != b for a, b in zip(sent, got, strict=True))
    return (
        "changed",
        f"{changed} of {len(sent)} characters come back changed",
        "exchange adapter and USB cable; if it stays, look for noise on the line",
    )


_PULSES = bytes(PULSE_BYTES)


def impossible_echoes(sent: bytes, got: bytes) -> int:
    """Echoes that neither a device nor a slow edge can make of the slots sent.

    Host and devices can only pull the line low, and a slot has one falling edge: an
    echo may have more zeros than its slot, in one row from its start, never a 1 where
    the host pulled low. Noise can make others, and so can an adapter.

    Args:
        sent: slots, each one of ``PULSE_BYTES``, or anything else.
        got: as many echoes.
    """
    if got == sent:
        return 0
    lifted = int.from_bytes(got, "big") & ~int.from_bytes(sent, "big")
    if not lifted and not got.translate(None, _PULSES):
        return 0
    return sum(
        bool(back & ~out) or (out in _PULSES and back not in _PULSES)
        for out, back in zip(sent, got, strict=True)
    )
