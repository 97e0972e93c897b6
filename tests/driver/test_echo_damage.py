"""Each kind of damage by its own rule, as the standards behind it have it."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from harness.driver.echo_damage import Damage, name_damage

EVERY = bytes(range(256))
"""Each value of a character once, in order."""


def odd(value: int) -> bool:
    """True of an odd number of ones."""
    return f"{value:b}".count("1") % 2 == 1


def swapped(text: bytes, pairs: dict[bytes, bytes]) -> bytes:
    """Each character of a table replaced, all at once."""
    return b"".join(pairs.get(bytes([c]), bytes([c])) for c in text)


def each(rule: Callable[[int], int]) -> bytes:
    """A rule applied to every value."""
    return bytes(rule(c) for c in EVERY)


def without(*values: int) -> bytes:
    """Every value but these."""
    return bytes(c for c in EVERY if c not in values)


KINDS: list[tuple[str, str, bytes]] = [
    # parity bits are the eighth of eight: termios(3), INPCK, IGNPAR, PARMRK, ISTRIP
    ("7-bit", "7 data bits", each(lambda c: c % 128)),
    ("parity-mark", "mark parity", each(lambda c: c % 128 + 128)),
    ("parity-even", "an even parity", each(lambda c: c % 128 + 128 * odd(c % 128))),
    ("parity-odd", "an odd parity", each(lambda c: c % 128 + 128 * (not odd(c % 128)))),
    ("parity-dropped", "an odd number", bytes(c for c in EVERY if not odd(c))),
    ("parity-dropped", "an even number", bytes(c for c in EVERY if odd(c))),
    ("parity-zeroed", "an odd number", each(lambda c: 0 if odd(c) else c)),
    ("parity-zeroed", "an even number", each(lambda c: c if odd(c) else 0)),
    ("inverted", "inverted", each(lambda c: 255 - c)),
    ("reversed", "reverse order", each(lambda c: int(f"{c:08b}"[::-1], 2))),
    ("doubled", "each character", bytes(c // 2 for c in range(512))),
    ("doubled", "all that was sent", EVERY + EVERY),
    ("half", "every second", bytes(range(0, 256, 2))),
    ("half", "every second", bytes(range(1, 256, 2))),
    # XON and XOFF are 11h and 13h, CR and LF 0Dh and 0Ah (ISO 646)
    ("xon-xoff", "11h and 13h are lost", without(0x11, 0x13)),
    ("xon-xoff", "11h is lost", without(0x11)),
    ("xon-xoff", "13h is lost", without(0x13)),
    ("cr-lf", "0Dh comes back as 0Ah:", swapped(EVERY, {b"\r": b"\n"})),
    ("cr-lf", "0Ah comes back as 0Dh:", swapped(EVERY, {b"\n": b"\r"})),
    ("cr-lf", "0Ah comes back as 0Dh 0Ah", swapped(EVERY, {b"\n": b"\r\n"})),
    ("cr-lf", "0Dh comes back as 0Dh 0Ah", swapped(EVERY, {b"\r": b"\r\n"})),
    (
        "cr-lf",
        "0Dh and 0Ah come back as 0Dh 0Ah",
        swapped(EVERY, {b"\r": b"\r\n", b"\n": b"\r\n"}),
    ),
    ("cr-lf", "change places", swapped(EVERY, {b"\r": b"\n", b"\n": b"\r"})),
    ("cr-lf", "0Dh is lost", without(0x0D)),
    ("cr-lf", "0Ah is lost", without(0x0A)),
    ("cr-lf", "0Dh and 0Ah are lost", without(0x0D, 0x0A)),
    # RFC 854 doubles FFh; RFC 1055 and RFC 1662 say what is escaped, and by what
    ("escaped", "FFh comes back doubled", EVERY + b"\xff"),
    ("escaped", "FFh is lost", EVERY[:-1]),
    (
        "escaped",
        "(SLIP)",
        swapped(EVERY, {b"\xc0": b"\xdb\xdc", b"\xdb": b"\xdb\xdd"}),
    ),
    ("escaped", "(PPP)", swapped(EVERY, {b"\x7e": b"\x7d\x5e", b"\x7d": b"\x7d\x5d"})),
    *(
        ("escaped", f"{c:02X}h comes back doubled", EVERY[: c + 1] + EVERY[c:])
        for c in (0x10, 0x1B, 0x5C, 0x7D, 0x7E, 0xDB)
    ),
    ("nul-dropped", "00h is lost", EVERY[1:]),
    ("constant", "A5h comes back", b"\xa5" * 256),
    ("lost", "3 of 256 characters", EVERY[:20] + EVERY[23:]),
    ("surplus", "258 characters came back for 256", EVERY[:9] + b"\x55\xa6" + EVERY[9:]),
    ("changed", "2 of 256", b"\x01\x00" + EVERY[2:]),
    ("silent", "nothing comes back", b""),
]  # fmt: skip


@pytest.mark.parametrize(
    ("name", "what", "got"), KINDS, ids=[f"{name} {what}" for name, what, _ in KINDS]
)
def test_each_kind_is_told_by_its_own_words(name: str, what: str, got: bytes) -> None:
    """The name, the sentence, and whether one change explains every character."""
    found = name_damage(EVERY, got)
    assert found is not None
    assert found.name == name
    assert what in found.what
    assert (found.sent, found.got) == (EVERY, got)
    assert found.is_named == (name not in {"lost", "surplus", "changed", "silent"})
    assert not found.is_slow_edge


def test_two_marks_that_come_back_as_one() -> None:
    """FFh FFh read as one escaped FFh, in one row or several."""
    found = name_damage(
        b"\x55\xff\xff\xff\xaa\xff\xff\x01", b"\x55\xff\xff\xaa\xff\x01"
    )
    assert found is not None
    assert "FFh FFh comes back as one" in found.what


@pytest.mark.parametrize(
    ("sent", "got", "is_slow"),
    [
        (b"\xfe", b"\xfc", True),  # bit 1 behind a low bit 0
        (b"\xff", b"\xfe", True),  # bit 0 behind the start bit
        (b"\xff", b"\xf8", True),  # bits 0 to 2, each behind a low one
        (b"\xff", b"\xfd", False),  # bit 1 behind a bit 0 that was high
        (b"\xfe", b"\xbc", False),  # bit 1, but bit 6 as well
        (b"\xf0", b"\xf1", False),  # a 0 that became a 1
        (b"\xff\x0f", b"\xff\x0e", True),
        (b"\xff\x0f", b"\xff", False),  # a lost character is no edge
    ],
)
def test_slow_edge(sent: bytes, got: bytes, is_slow: bool) -> None:
    """A line that rises late keeps the level of the bit before, the start bit included."""
    found = name_damage(sent, got)
    assert found is not None
    assert found.is_slow_edge is is_slow


def test_one_character_is_no_row_of_constants() -> None:
    """What one character comes back as is no rule yet; two alike are."""
    one, two = name_damage(b"\xf0", b"\xf1"), name_damage(b"\xf0\xfe", b"\xf1\xf1")
    assert isinstance(one, Damage)
    assert isinstance(two, Damage)
    assert (one.name, two.name) == ("changed", "constant")
