"""Families 33h and 2Fh: EEPROM of 1 Kbit with a secret and SHA-1.

The hash is written out here round by round, so that it is a second opinion on what the
driver gets from the standard library. The block of a 2Fh is not public: the one
here is invented.

Source: data sheets of family 33h: DS2432 p. 13, 15-20; DS1961S p. 16-19; hash rounds:
FIPS 180-4, 6.1.2, without the final addition.
"""

from __future__ import annotations

from collections.abc import Callable, Generator
from random import Random
from typing import ClassVar

from pydantic import Field

from harness.simulation.devices.base import (
    LISTEN,
    Bits,
    Device,
    DeviceSurroundings,
    Slots,
    Want,
)
from harness.simulation.devices.common.cells import CellWriter, initial
from harness.simulation.devices.common.memory_settings import EepromSettings, of_size
from harness.simulation.devices.kind import DeviceKind
from harness.simulation.settings.base import HexBytes
from harness.wire.crc import crc16_sent
from harness.wire.romcode import RomCode

CLOSED = frozenset({0xAA, 0x55})
READY, DONE, MISMATCH = 0x5F, 0xAA, 0x00
PARTIAL, ACCEPTED = 0x20, 0x80
"""Flags of the status byte: the row was not written whole, and the last write to cells
was accepted. A real part shows DFh after a secret was loaded and 5Fh after the next one
was computed (recording of a part of family 33h)."""
SECRET_AT, REGISTERS_AT, ROM_AT, END = 0x80, 0x88, 0x90, 0x98
PAD = b"\x80" + bytes(6) + b"\x01\xb8"

Bytes = Generator[Want, int, bytes]


def _turned(word: int, by: int) -> int:
    return (word << by | word >> 32 - by) & 0xFFFFFFFF


def rounds(block: bytes) -> bytes:
    """Eighty rounds over 64 bytes; E to A, low byte first."""
    words = [int.from_bytes(block[at : at + 4], "big") for at in range(0, 64, 4)]
    for t in range(16, 80):
        words.append(
            _turned(words[t - 3] ^ words[t - 8] ^ words[t - 14] ^ words[t - 16], 1)
        )
    a, b, c, d, e = 0x67452301, 0xEFCDAB89, 0x98BADCFE, 0x10325476, 0xC3D2E1F0
    for t, word in enumerate(words):
        if t < 20:
            mixed, constant = b & c | ~b & d, 0x5A827999
        elif t < 40:
            mixed, constant = b ^ c ^ d, 0x6ED9EBA1
        elif t < 60:
            mixed, constant = b & c | b & d | c & d, 0x8F1BBCDC
        else:
            mixed, constant = b ^ c ^ d, 0xCA62C1D6
        turned = (_turned(a, 5) + mixed + e + constant + word) & 0xFFFFFFFF
        a, b, c, d, e = turned, a, _turned(b, 30), c, d
    return b"".join(word.to_bytes(4, "little") for word in (e, d, c, b, a))


class AuthenticatorSettings(EepromSettings):
    """Memory and an invented secret."""

    secret: HexBytes = Field(
        default="00 00 00 00 00 00 00 00",
        min_length=16,
        max_length=23,
        description="eight bytes in hex; of a simulated part, so it is none: it stands "
        "in the journal with the fixture",
    )
    compute_ms: float = Field(
        default=1.5, gt=0, le=100, description="time to compute a MAC; 2 at most"
    )
    copy_stands_low_us: float = Field(
        default=150.0,
        ge=0,
        le=1e5,
        description="a write goes on after a low of the line up to this long; a real part "
        "went on after lows of 142 and 143 us (recording)",
    )


class Authenticator(Device[AuthenticatorSettings]):
    """Scratchpad, cells, secret, and a MAC over all of them.

    Attributes:
        cells: pages, secret, registers, copy of the ROM code.
        pad: scratchpad.
    """

    knows_resume = True
    page_words: ClassVar[tuple[str, ...]] = (
        "SS0-3", "PP0-31", "FF4", "MP", "ID", "SS4-7", "SP4-6",
    )  # fmt: skip

    def __init__(
        self,
        *,
        settings: AuthenticatorSettings,
        rom: RomCode,
        random: Random,
        surroundings: DeviceSurroundings,
    ) -> None:
        super().__init__(
            settings=settings, rom=rom, random=random, surroundings=surroundings
        )
        self.cells = initial(0x80, settings.content, settings.fill)
        self.cells += bytes.fromhex(settings.secret)
        self.cells += b"\x00\x00\x00\x55\x00\x00\x00\x00" + rom.wire
        self.writer = CellWriter(self, self.cells)
        self.pad = bytearray(8)
        self.target = 0
        self._is_staged = False
        self._flags = PARTIAL
        self._computing = False
        self._job = 0

    def load_power_on_values(self) -> None:
        """The scratchpad holds anything, nothing is staged."""
        self.pad[:] = self.random.randbytes(8)
        self._is_staged = False
        self._flags = PARTIAL
        self._computing = False
        self._job += 1

    def abandon_work(self) -> None:
        """Power fails while cells are written."""
        self.writer.lose_power()

    # state

    @property
    def secret(self) -> bytes:
        """Eight bytes."""
        return bytes(self.cells[SECRET_AT:REGISTERS_AT])

    def protected(self, address: int) -> bool:
        """True if a row can not be changed."""
        registers = self.cells[REGISTERS_AT:ROM_AT]
        if address < 0x80:
            page_0 = address < 0x20 and registers[5] in CLOSED
            return registers[1] in CLOSED or page_0
        if address < REGISTERS_AT:
            return registers[0] in CLOSED
        return address >= ROM_AT

    def staged(self, address: int, value: int) -> int:
        """What the scratchpad takes: closed bytes show themselves, page 1 ANDs."""
        registers = self.cells[REGISTERS_AT:ROM_AT]
        if 0x20 <= address < 0x40 and registers[4] in CLOSED:
            return value & self.cells[address]
        if REGISTERS_AT <= address < ROM_AT:
            place = address - REGISTERS_AT
            fixed = place == 3 or (place < 6 and registers[place] in CLOSED)
            return registers[place] if fixed else value
        return value

    # commands

    def function(self, command: int) -> Slots:
        """Scratchpad, memory, and what needs the hash."""
        commands: dict[int, Callable[[], Slots]] = {
            0x0F: self._write_pad,
            0xAA: self._read_pad,
            0xF0: self._read_memory,
            0x5A: self._load_secret,
            0x33: self._next_secret,
            0x55: self._copy,
            0xA5: self._read_page,
        }
        if command in commands and not self.writer.is_busy:
            yield from commands[command]()

    def _receive(self, count: int) -> Bytes:
        data = bytearray()
        for _ in range(count):
            data.append((yield from self.receive_byte()))
        return bytes(data)

    def _write_pad(self) -> Slots:
        address = yield from self._receive(2)
        self.target = int.from_bytes(address, "little") & ~7
        self._is_staged = False
        self._flags = PARTIAL
        data = yield from self._receive(8)
        for place, value in enumerate(data):
            self.pad[place] = self.staged(self.target + place, value)
        self._is_staged = True
        self._flags = 0
        yield from self.send_bytes(crc16_sent(b"\x0f" + address + data))

    def _read_pad(self) -> Slots:
        status = READY | self._flags
        answer = self.target.to_bytes(2, "little") + bytes([status]) + self.pad
        yield from self.send_bytes(answer + crc16_sent(b"\xaa" + answer))

    def _read_memory(self) -> Slots:
        address = yield from self._receive(2)
        image = bytearray(self.cells[:END])
        image[SECRET_AT:REGISTERS_AT] = b"\xff" * 8
        yield from self.send_bytes(bytes(image[int.from_bytes(address, "little") :]))

    def _load_secret(self) -> Slots:
        given = yield from self._receive(3)
        right = bytes([SECRET_AT, 0, READY])
        if given != right or not self._may_write(SECRET_AT):
            return
        self._flags = ACCEPTED
        yield from self._program(SECRET_AT, bytes(self.pad))

    def _next_secret(self) -> Slots:
        address = int.from_bytes((yield from self._receive(2)), "little")
        if address >= 0x80 or self.protected(SECRET_AT):
            return
        page = address & ~31
        block = (
            self.secret[:4]
            + self.cells[page : page + 32]
            + b"\xff" * 4
            + bytes([self.pad[0] & 0x3F])
            + self.pad[1:]
            + self.secret[4:]
            + b"\xff" * 3
        )
        self.target, self._flags = address & ~7, 0
        self.pad[:] = b"\xaa" * 8
        secret = rounds(bytes(block) + PAD)[:8]
        yield from self._program(SECRET_AT, secret, delay_ms=self.settings.compute_ms)

    def _copy(self) -> Slots:
        given = yield from self._receive(3)
        right = self.target.to_bytes(2, "little") + bytes([READY])
        if given != right or not self._may_write(self.target):
            return
        wanted = rounds(self._copy_block() + PAD)
        self._compute()
        mac = yield from self._receive_after(20)
        if mac != wanted:
            while True:
                yield from self.send_byte(MISMATCH)
        self._flags = ACCEPTED
        yield from self._program(self.target, bytes(self.pad))

    def _may_write(self, address: int) -> bool:
        return (
            self._is_staged and self.target == address and not self.protected(address)
        )

    def _copy_block(self) -> bytes:
        secret, wire = self.secret, self.rom.wire
        if self.target < 0x80:
            page = self.target & ~31
            middle = bytes(self.cells[page : page + 28])
            number = page // 32
        else:
            registers = bytes(self.cells[REGISTERS_AT:ROM_AT])
            middle = secret + registers + wire + b"\xff" * 4
            number = 4
        head = secret[:4] + middle + self.pad + bytes([number])
        return head + wire[:7] + secret[4:] + b"\xff" * 3

    def _read_page(self) -> Slots:
        address = yield from self._receive(2)
        start = int.from_bytes(address, "little")
        if start >= 0x80:
            return
        page_end = (start & ~31) + 32
        data = bytes(self.cells[start:page_end]) + b"\xff"
        yield from self.send_bytes(data + crc16_sent(b"\xa5" + address + data))
        mac = rounds(self._page_block(page_end - 32) + PAD)
        self._compute()
        yield from self._send_after(mac + crc16_sent(mac))
        while True:
            yield from self.send_byte(DONE)

    def _page_block(self, page: int) -> bytes:
        given = {
            "SS": self.secret,
            "PP": bytes(self.cells[page : page + 32]),
            "SP": bytes(self.pad),
            "FF": b"\xff" * 8,
            "MP": bytes([0x40 | page // 32]),
            "ID": self.rom.wire[:7],
        }
        block = b""
        for word in self.page_words:
            source, numbers = given[word[:2]], word[2:]
            first, _, last = numbers.partition("-")
            if last:
                block += source[int(first) : int(last) + 1]
            else:
                block += source[: int(numbers)] if numbers else source
        return block

    # time

    def _compute(self) -> None:
        self._computing = True
        self._job += 1
        job = self._job

        def done() -> None:
            if job == self._job:
                self._computing = False

        self.surroundings.after(1000 * self.settings.compute_ms, done)

    def _first_slot(self, level: int) -> Bits:
        """The first slot that begins after the computation; earlier ones are lost."""
        while True:
            bit = yield lambda: LISTEN if self._computing else level
            if not self._computing:
                return bit

    def _receive_after(self, count: int) -> Bytes:
        value = yield from self._first_slot(LISTEN)
        for place in range(1, 8):
            bit = yield LISTEN
            value |= bit << place
        rest = yield from self._receive(count - 1)
        return bytes([value]) + rest

    def _send_after(self, data: bytes) -> Slots:
        yield from self._first_slot(data[0] & 1)
        for place in range(1, 8):
            yield data[0] >> place & 1
        yield from self.send_bytes(data[1:])

    def _program(self, address: int, values: bytes, *, delay_ms: float = 0) -> Slots:
        settings = self.settings
        well: list[bool] = []
        self._is_staged = False
        self.writer.start(
            address,
            values,
            length_ms=settings.copy_ms + delay_ms,
            active_ma=settings.active_ma,
            least_v=settings.copy_min_v,
            stands_low_us=settings.copy_stands_low_us,
            done=well.append,
        )
        while True:
            yield lambda: LISTEN if well != [True] else DONE & 1
            if well == [True]:
                break
        for place in range(1, 8):
            yield DONE >> place & 1
        while True:
            yield from self.send_byte(DONE)


class Authenticator2F(Authenticator):
    """Five bytes of challenge, and a block that is invented."""

    page_words: ClassVar[tuple[str, ...]] = (
        "SS0-3", "PP0-31", "FF2", "SP2-3", "MP", "ID", "SS4-7", "SP4-6",
    )  # fmt: skip


KINDS = (
    DeviceKind(
        family=0x33,
        title="EEPROM, 1 Kbit, SHA-1",
        settings=of_size(AuthenticatorSettings, 0x80),
        model=Authenticator,
    ),
    DeviceKind(
        family=0x2F,
        title="EEPROM, 1 Kbit, SHA-1, invented block",
        settings=of_size(AuthenticatorSettings, 0x80),
        model=Authenticator2F,
    ),
)
