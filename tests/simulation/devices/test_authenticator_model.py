"""Models of authenticators against worked transactions.

The transactions were computed, byte for byte, from the rules of data sheets DS2432 p.
13, 15-20; DS1961S p. 16-19; the hash rounds against published values.
"""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING, Any

import pytest

from harness.simulation.devices.security.authenticator import rounds

if TYPE_CHECKING:
    from tests.simulation.conftest import Host, MakeHost

MAC = "37 BB 54 F9 8F 1E C4 6F CD 6C 2E 0B 2A 0A 77 60 94 45 DE CF"
COPY_MAC = "E1 2B D5 4E F6 11 3F 26 5D D3 15 0F 3A 57 1B F8 8E B4 62 BC"
CHALLENGE = "00 00 00 00 11 22 33 00"


def hexed(text: str) -> bytes:
    """Bytes of a worked transaction."""
    return bytes.fromhex(text)


def part(family: int = 0x33, **more: object) -> dict[str, Any]:
    """The part of the worked examples: ROM 33 33 AA 55 00 00 00 30, pages 00..3F."""
    return {
        "family": family,
        "serial": 0x55AA33,
        "supply": "external",
        "secret": "01 02 03 04 05 06 07 08",
        "content": bytes(range(64)).hex(),
        **more,
    }


def cells(host: Host) -> Any:  # noqa: ANN401 - the model's bytes
    """What the part really holds."""
    return host.bench.stations[0].device.cells  # type: ignore[attr-defined]


def padded(message: bytes) -> bytes:
    """One SHA-1 block of a short message (FIPS 180-4, 5.1.1)."""
    length = (8 * len(message)).to_bytes(8, "big")
    return message + b"\x80" + bytes(55 - len(message)) + length


def test_rounds_against_the_published_anchor() -> None:
    """Block "abc" without the final addition (SHA-1 coprocessor sheet DSSHA1, p. 5)."""
    wanted = "AD F6 FD D8 F6 6D 1E 68 73 48 83 21 E1 D5 38 57 35 1B 54 42"
    assert rounds(padded(b"abc")) == hexed(wanted)


@pytest.mark.parametrize("message", [b"", b"abc", bytes(range(55))])
def test_rounds_plus_start_values_are_sha_1(message: bytes) -> None:
    """With the addition it is what the standard library computes."""
    words = [
        int.from_bytes(rounds(padded(message))[::-1][at : at + 4], "big")
        for at in range(0, 20, 4)
    ]
    start = (0x67452301, 0xEFCDAB89, 0x98BADCFE, 0x10325476, 0xC3D2E1F0)
    digest = b"".join(
        (word + first & 0xFFFFFFFF).to_bytes(4, "big")
        for word, first in zip(words, start, strict=True)
    )
    assert digest == hashlib.sha1(message, usedforsecurity=False).digest()


def test_example_1_authenticated_read(make_host: MakeHost) -> None:
    """Challenge, page 0 with CRC, MAC with CRC, then AAh for ever."""
    host = make_host(part())
    assert host.ask(hexed(f"CC 0F 00 00 {CHALLENGE}"), 2) == hexed("7E 2D")
    assert host.ask(hexed("CC AA"), 13) == hexed(f"00 00 5F {CHALLENGE} 68 13")
    page = host.ask(hexed("CC A5 00 00"), 35)
    assert page == bytes(range(32)) + hexed("FF 2E 22")
    host.wait(0.002)
    assert host.read(24) == hexed(f"{MAC} 5D 60 AA AA")


def test_example_2_default_secret(make_host: MakeHost) -> None:
    """Secret of zeros, blank page 1, challenge DE AD BE."""
    host = make_host(part(secret="00" * 8, content="", fill=0xFF))
    host.ask(hexed("CC 0F 00 00 00 00 00 00 DE AD BE 00"), 2)
    assert host.ask(hexed("CC A5 20 00"), 35) == b"\xff" * 33 + hexed("A9 08")
    host.wait(0.002)
    wanted = "E4 6C 21 6F 81 1B 01 61 A9 6D 2D 46 0C FE 4C 87 40 56 78 AF C8 F3"
    assert host.read(22) == hexed(wanted)


def test_mac_asked_for_too_early(make_host: MakeHost) -> None:
    """Slots before the computation ends read ones; the MAC comes whole afterwards."""
    host = make_host(part(compute_ms=30))
    host.ask(hexed(f"CC 0F 00 00 {CHALLENGE}"), 2)
    host.ask(hexed("CC A5 00 00"), 35)
    assert host.bits(b"\xff" * 5) == [1] * 5
    host.wait(0.03)
    assert host.read(20) == hexed(MAC)


@pytest.mark.parametrize(
    ("mac", "end", "held"),
    [(COPY_MAC, "AA", "A0"), (COPY_MAC[:-1] + "D", "00", "28")],
)
def test_example_3_copy(make_host: MakeHost, mac: str, end: str, held: str) -> None:
    """A0..A7 to 0028h: done with the right MAC, refused with one wrong bit."""
    host = make_host(part())
    row = "A0 A1 A2 A3 A4 A5 A6 A7"
    assert host.ask(hexed(f"CC 0F 28 00 {row}"), 2) == hexed("21 8B")
    assert host.ask(hexed("CC AA"), 13) == hexed(f"28 00 5F {row} 36 95")
    host.ask(hexed("CC 55 28 00 5F"))
    host.wait(0.002)
    host.write(hexed(mac))
    host.wait(0.010)
    assert host.read(1) == hexed(end)
    assert host.ask(hexed("CC F0 28 00"), 1) == hexed(held)


def test_example_4_next_secret(make_host: MakeHost) -> None:
    """The new secret is 15 B8 .. 8C; the scratchpad becomes all AAh."""
    host = make_host(part())
    assert host.ask(hexed("CC 0F 00 00 11 22 33 44 55 66 77 88"), 2) == hexed("2E A0")
    host.ask(hexed("CC 33 00 00"))
    host.wait(0.012)
    assert host.read(1) == hexed("AA")
    assert host.ask(hexed("CC AA"), 11)[3:] == b"\xaa" * 8
    assert bytes(cells(host)[0x80:0x88]) == hexed("15 B8 CA 9C 61 EB 8F 8C")


def test_example_5_register_page(make_host: MakeHost) -> None:
    """Page 1 to zeros only: from then on the scratchpad shows the AND."""
    host = make_host(part())
    host.ask(hexed("CC 0F 88 00 00 00 00 55 55 00 00 00"), 2)
    host.ask(hexed("CC 55 88 00 5F"))
    host.wait(0.002)
    host.write(hexed("C0 1D 6F B3 D8 F1 CE 5E 0B D1 3E E3 66 C6 0B A3 D6 C8 67 DC"))
    host.wait(0.010)
    assert host.read(1) == hexed("AA")
    assert cells(host)[0x8C] == 0x55
    host.ask(hexed("CC 0F 20 00 0F 0F 0F 0F 0F 0F 0F 0F"), 2)
    assert host.ask(hexed("CC AA"), 4)[3] == 0x20 & 0x0F


def test_example_6_first_secret(make_host: MakeHost) -> None:
    """01..08 to 0080h; memory never shows it."""
    host = make_host(part(secret="00" * 8))
    row = "01 02 03 04 05 06 07 08"
    assert host.ask(hexed(f"CC 0F 80 00 {row}"), 2) == hexed("38 C7")
    assert host.ask(hexed("CC AA"), 13) == hexed(f"80 00 5F {row} 80 D3")
    host.ask(hexed("CC 5A 80 00 5F"))
    host.wait(0.010)
    assert host.read(2) == hexed("AA AA")
    assert bytes(cells(host)[0x80:0x88]) == hexed(row)
    assert host.ask(hexed("CC F0 80 00"), 8) == b"\xff" * 8


@pytest.mark.parametrize("register", [0x88, 0x89, 0x8D])
def test_protection_refuses(make_host: MakeHost, register: int) -> None:
    """Secret, all pages, page 0: the command is answered by ones."""
    host = make_host(part())
    cells(host)[register] = 0xAA
    target = "80 00" if register == 0x88 else "00 00"
    host.ask(hexed(f"CC 0F {target} 01 02 03 04 05 06 07 08"), 2)
    command = "5A" if register == 0x88 else "55"
    host.ask(hexed(f"CC {command} {target} 5F"))
    host.wait(0.010)
    assert host.read(1) == b"\xff"


def test_address_is_forced_to_a_row(make_host: MakeHost) -> None:
    """T2 to T0 are zero whatever was sent; the CRC covers the address as sent."""
    host = make_host(part())
    host.ask(hexed("CC 0F 2B 00 01 02 03 04 05 06 07 08"), 2)
    assert host.ask(hexed("CC AA"), 2) == hexed("28 00")


def test_2fh_has_another_block(make_host: MakeHost) -> None:
    """The same page, secret and challenge give another MAC than a 33h's."""
    host = make_host(part(0x2F))
    host.ask(hexed(f"CC 0F 00 00 {CHALLENGE}"), 2)
    host.ask(hexed("CC A5 00 00"), 35)
    host.wait(0.002)
    assert host.read(20) != hexed(MAC)


@pytest.mark.parametrize("family", [0x17, 0x47, 0x48])
def test_sha_256_kinds_know_their_rom_code_only(
    make_host: MakeHost, family: int
) -> None:
    """Found by a search; a function command is followed by silence."""
    host = make_host({"family": family, "serial": 3})
    assert host.search()[0].endswith(f"{family:02X}")
    assert host.ask(hexed("CC F0 00 00"), 4) == b"\xff" * 4
