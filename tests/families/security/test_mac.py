"""Blocks and their MAC: published hash values, the coprocessor's anchor, layouts."""

from __future__ import annotations

import pytest

from harness.errors import UsageError
from harness.families.security.mac import Layout, mac_of

VECTORS = [
    ("abc", "a9993e364706816aba3e25717850c26c9cd0d89d"),
    ("", "da39a3ee5e6b4b0d3255bfef95601890afd80709"),
]


def test_published_anchor() -> None:
    """Block "abc", final addition left out (SHA-1 coprocessor sheet DSSHA1, p. 5)."""
    wanted = "AD F6 FD D8 F6 6D 1E 68 73 48 83 21 E1 D5 38 57 35 1B 54 42"
    assert mac_of(b"abc") == bytes.fromhex(wanted)


def test_mac_plus_start_values_is_the_published_hash() -> None:
    """The only step left out is the addition of the start values (FIPS 180-4, 6.1.2)."""
    start = bytes.fromhex("67452301EFCDAB8998BADCFE10325476C3D2E1F0")
    for text, digest in VECTORS:
        turned = mac_of(text.encode())[::-1]
        words = b"".join(
            (
                int.from_bytes(turned[at : at + 4], "big")
                + int.from_bytes(start[at : at + 4], "big")
                & 0xFFFFFFFF
            ).to_bytes(4, "big")
            for at in range(0, 20, 4)
        )
        assert words.hex() == digest


def test_layout_is_filled_in_order() -> None:
    """Ranges, single bytes and constants; the places of the challenge."""
    layout = Layout.parse("SS0-3 PP0-31 FFx4 MP FC S0-5 SS4-7 SP4-6")
    block = layout.fill(
        {
            "SS": bytes(range(0xA0, 0xA8)),
            "PP": bytes(range(32)),
            "SP": bytes(range(0xC0, 0xC8)),
            "S": bytes(range(0xE0, 0xE6)),
            "MP": b"\x41",
            "FC": b"\x33",
        }
    )
    assert block == bytes.fromhex(
        "A0A1A2A3" + bytes(range(32)).hex() + "FFFFFFFF4133E0E1E2E3E4E5A4A5A6A7C4C5C6"
    )
    assert layout.challenge_places == (4, 5, 6)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("SS0-3", "has 4 bytes"),
        ("SS0-8 PP0-31", "'SS0-8'"),
        ("XX0-3", "'XX0-3'"),
        ("SS3-0", "'SS3-0'"),
        ("", "has 0 bytes"),
    ],
)
def test_layout_that_is_none(text: str, words: str) -> None:
    """Told with the word that is wrong, or the length."""
    with pytest.raises(UsageError, match=words):
        Layout.parse(text)
