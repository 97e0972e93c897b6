"""EEPROM of 1 Kbit with a secret and SHA-1: 33h, 2Fh.

    0000-007F four pages of 32, read freely, written with a MAC    0080-0087 the secret
    0088 protects secret and 008C-008F, 0089 all pages, 008A user byte, 008B factory
    byte, 008C zeros only in page 1, 008D protects page 0; AAh or 55h is for ever
    008E-008F user or maker's number    0090-0097 copy of the ROM code

A MAC proves the secret without giving it away: page, ROM code and a challenge are
hashed with it. Commands are in ``shapes.secret_memory``, the hash in ``shapes.mac``.
What a 2Fh hashes its maker gives out on request only; put that layout into a file and
name it as ``block_layout``. Without one, MACs of a 2Fh are held against each other
only, and it cannot be written here.

No secret stands in a message, in evidence or in what a session remembers, and none
stays in the scratchpad, which anybody can read.

Sources: data sheets family 33h (parts DS2432 p. 3-20, DS1961S p. 7-24); family 2Fh (part
DS28E01-100), abridged, p. 1: same commands by name, codes from memory. Values of MP,
the answer 00h to a wrong MAC, and all times but 2 ms and 10 ms: from memory.
"""

from __future__ import annotations

import secrets
from dataclasses import dataclass
from functools import partial

from harness.errors import AnswerImpossible, UsageError
from harness.families.family import (
    Answer,
    Check,
    Family,
    Findings,
    Hazard,
    Option,
    OptionKind,
    Options,
    Quantity,
    Session,
    by_name,
    looks,
)
from harness.families.shapes.answers import shown
from harness.families.shapes.mac import MAC_BYTES, Layout, mac_of
from harness.families.shapes.memory import Memory, memory_checks
from harness.families.shapes.secret_memory import (
    CLOSED,
    PAGE,
    REGISTERS_AT,
    ROM_AT,
    ROW,
    compute_secret,
    copy,
    load_secret,
    read_memory,
    read_page,
    registers,
    sources,
    stage,
    wipe,
    write_row,
)
from harness.records import Measurement

SIZE, SECRET_BYTES = 0x80, 8

PAGE_LAYOUT = Layout.parse("SS0-3 PP0-31 FFx4 MP FC S0-5 SS4-7 SP4-6")
REGISTER_LAYOUT = Layout.parse(
    "SS0-3 SS0-7 RG0-7 RC0-7 FFx4 SP0-7 MP FC S0-5 SS4-7 FFx3"
)
SECRET_LAYOUT = Layout.parse("SS0-3 PP0-31 FFx4 MP SP1-7 SS4-7 FFx3")

PROTECTIONS = {
    "secret": 0,
    "all pages": 1,
    "user byte": 2,
    "page 1 zeros only": 4,
    "page 0": 5,
}
"""What a byte of the register page closes for ever, by its place in it."""


# -- checks ------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """What differs between the kinds.

    Attributes:
        layout: of the block behind the MAC of a page; None if it must be given.
    """

    layout: Layout | None

    def layout_of(self, options: Options) -> Layout | None:
        """The layout in force.

        Raises:
            UsageError: the file holds none.
        """
        if self.layout is not None or not options.given("block_layout"):
            return self.layout
        return Layout.parse(options.data("block_layout").decode("latin-1"))


def _secret(options: Options, name: str = "secret") -> bytes:
    value = options.secret(name)
    if len(value) != SECRET_BYTES:
        raise UsageError(
            f"what stands behind option {name} has {len(value)} bytes",
            hint=f"expected {SECRET_BYTES} bytes",
        )
    return value.reveal()


def _pad(layout: Layout | None, challenge: bytes) -> bytes:
    """A challenge where the layout takes it; in all places if nobody knows."""
    pad = bytearray(ROW)
    places = layout.challenge_places if layout else range(ROW)
    for place, value in zip(places, challenge, strict=False):
        pad[place] = value
    return bytes(pad)


def _page_mac(session: Session, layout: Layout, page: int, **given: bytes) -> bytes:
    return mac_of(layout.fill(sources(session, MP=bytes([0x40 | page]), **given)))


def _authenticated_page(part: Part, session: Session, options: Options) -> Findings:
    layout, page = part.layout_of(options), options.whole("page")
    secret = _secret(options) if options.given("secret") else None
    if (secret is None) != (layout is None):
        raise UsageError(
            "a MAC is computed from both the secret and the block layout",
            hint="give both, or neither to hold MACs against each other only",
        )
    challenge = (
        options.data("challenge")
        if options.given("challenge")
        else secrets.token_bytes(8)
    )
    other = bytes(value ^ 0xA5 for value in challenge)
    values, macs = [], []
    for word in (challenge, challenge, other):
        pad = _pad(layout, word)
        data, mac = read_page(session, page, pad)
        macs.append(mac)
        if layout is not None and secret is not None and len(macs) != 2:
            right = mac == _page_mac(session, layout, page, SS=secret, PP=data, SP=pad)
            name = "mac_right" if word == challenge else "second_mac_right"
            values.append(Measurement(name=name, value=right, wanted=True))
    values += [
        Measurement(name="mac_repeats", value=macs[0] == macs[1], wanted=True),
        Measurement(name="challenge_counts", value=macs[0] != macs[2], wanted=True),
    ]
    return Findings(measurements=tuple(values), evidence={"page": page})


def _require_open(session: Session) -> None:
    if registers(session)[PROTECTIONS["secret"]] in CLOSED:
        raise AnswerImpossible("the secret is protected for ever, nothing was sent")


def _proof_of(
    part: Part, session: Session, options: Options, secret: bytes
) -> tuple[Measurement, ...]:
    """That the device works with a secret: the MAC of page 0 for a new challenge."""
    layout = part.layout_of(options)
    if layout is None:
        return ()
    pad = _pad(layout, secrets.token_bytes(8))
    data, mac = read_page(session, 0, pad)
    right = mac == _page_mac(session, layout, 0, SS=secret, PP=data, SP=pad)
    return (Measurement(name="secret_works", value=right, wanted=True),)


def _load(part: Part, session: Session, options: Options) -> Findings:
    secret = _secret(options)
    _require_open(session)
    session.note("loading a secret")
    try:
        load_secret(session, secret)
    finally:
        wipe(session)
    return Findings(
        measurements=(
            Measurement(name="secret_loaded", value=True, wanted=True),
            *_proof_of(part, session, options, secret),
        )
    )


def _next(part: Part, session: Session, options: Options) -> Findings:
    old, page = _secret(options), options.whole("page")
    partial_secret = _secret(options, "partial_secret")
    _require_open(session)
    held = read_memory(session, page * PAGE, PAGE)
    given = {"SS": old, "PP": held, "SP": partial_secret}
    block = SECRET_LAYOUT.fill(
        sources(session, MP=bytes([partial_secret[0] & 0x3F]), **given)
    )
    session.note("computing the next secret", page=page)
    try:
        compute_secret(session, page, partial_secret)
    finally:
        wipe(session)
    proof = _proof_of(part, session, options, mac_of(block)[:SECRET_BYTES])
    return Findings(measurements=proof)


def _write(session: Session, options: Options) -> Findings:
    secret, data, start = _secret(options), options.data("data"), options.whole("start")
    if start + len(data) > SIZE:
        raise UsageError(f"{len(data)} bytes at {start:04X}h do not fit into {SIZE}")
    first, end = start - start % ROW, start + len(data)
    length = -(-end // ROW) * ROW - first
    held = read_memory(session, first, length)
    session.note("memory before writing", start=first, content=held.hex().upper())
    wanted = held[: start - first] + data + held[end - first :]
    for at in range(0, length, ROW):
        write_row(session, first + at, wanted[at : at + ROW], secret)
    got = read_memory(session, first, length)
    wrong = sum(a != b for a, b in zip(got, wanted, strict=True))
    return Findings(
        measurements=(
            Measurement(name="bytes_written", value=len(data), unit="bytes"),
            Measurement(name="bytes_different", value=wrong, unit="bytes", high=0),
        ),
        evidence={"start": start},
    )


def _wrong_mac(session: Session, options: Options) -> Findings:
    """Stages what is there already, so that even a part that takes it loses nothing."""
    held = read_memory(session, 0, ROW)
    stage(session, 0, held)
    try:
        copy(session, 0, secrets.token_bytes(MAC_BYTES), what="copy with a wrong MAC")
        refused = False
    except AnswerImpossible:
        refused = True
    unchanged = read_memory(session, 0, ROW) == held
    return Findings(
        measurements=(
            Measurement(name="wrong_mac_refused", value=refused, wanted=True),
            Measurement(name="content_unchanged", value=unchanged, wanted=True),
        )
    )


def _protect(session: Session, options: Options) -> Findings:
    secret, what = _secret(options), options.text("what")
    held = registers(session)
    place = PROTECTIONS[what]
    row = held[:place] + bytes([0xAA]) + held[place + 1 :]
    stage(session, REGISTERS_AT, row)
    given = {"SS": secret, "RG": held, "SP": row, "MP": b"\x04"}
    block = REGISTER_LAYOUT.fill(sources(session, **given))
    session.note("protecting", what=what)
    copy(session, REGISTERS_AT, mac_of(block), what=f"protecting {what}")
    got = registers(session)[place]
    return Findings(
        measurements=(
            Measurement(
                name=f"{what.replace(' ', '_')}_protected",
                value=got in CLOSED,
                wanted=True,
            ),
        )
    )


def _words(held: bytes) -> str:
    closed = [what for what, place in PROTECTIONS.items() if held[place] in CLOSED]
    return ", ".join(closed) or "all open"


def _state(session: Session, options: Options) -> Findings:
    held = registers(session)
    return Findings(
        measurements=(
            Measurement(
                name="protection", value=_words(held), wanted=options.text("wanted")
            ),
        ),
        evidence={"registers": shown(held)},
    )


# -- rows --------------------------------------------------------------------------

_SECRET = Option(
    name="secret",
    kind=OptionKind.SECRET,
    about="the eight bytes that the device shall hold, or holds",
    required=True,
)
_PAGE = Option(
    name="page", kind=OptionKind.WHOLE, about="which page", default=0, low=0, high=3
)
_LAYOUT = Option(
    name="block_layout",
    kind=OptionKind.FILE,
    about="file with the layout of the block behind the MAC",
)
_LOADING = frozenset({Hazard.SECRET, Hazard.MEMORY_WEAR})


def _common(part: Part) -> tuple[Check, ...]:
    layout = (_LAYOUT,) if part.layout is None else ()
    whether = part.layout is not None
    return (
        Check(
            name="authenticated_page",
            about="reads a page with its MAC for two challenges, and checks the MAC",
            run=partial(_authenticated_page, part),
            options=by_name(
                Option(
                    name="secret",
                    kind=OptionKind.SECRET,
                    about="the eight bytes that the device holds",
                    required=whether,
                ),
                _PAGE,
                *layout,
                Option(
                    name="challenge",
                    kind=OptionKind.BYTES,
                    about="up to eight bytes; drawn anew unless given",
                ),
            ),
        ),
        Check(
            name="secret_load",
            about="replaces the secret, and proves that the device works with it",
            run=partial(_load, part),
            options=by_name(_SECRET, *layout),
            hazards=_LOADING,
        ),
        Check(
            name="wrong_mac",
            about="a write with a wrong MAC is refused; loses nothing even if it is not",
            run=_wrong_mac,
        ),
        Check(
            name="protection_state",
            about="protection is as wanted; changes nothing",
            run=_state,
            options=by_name(
                Option(
                    name="wanted",
                    kind=OptionKind.TEXT,
                    about="all open, or such as: secret, page 0",
                    default="all open",
                )
            ),
        ),
        *memory_checks(Memory(size=SIZE, read=read_memory)),
    )


def _written(part: Part) -> tuple[Check, ...]:
    """What needs the layouts of all blocks."""
    return (
        Check(
            name="secret_compute",
            about="has the device compute its next secret, and proves it",
            run=partial(_next, part),
            options=by_name(
                Option(
                    name="secret",
                    kind=OptionKind.SECRET,
                    about="the eight bytes that the device holds before",
                    required=True,
                ),
                Option(
                    name="partial_secret",
                    kind=OptionKind.SECRET,
                    about="eight bytes that go into the next one",
                    required=True,
                ),
                _PAGE,
            ),
            hazards=_LOADING,
        ),
        Check(
            name="authenticated_write",
            about="writes memory with the MAC of each row, and reads it back",
            run=_write,
            options=by_name(
                _SECRET,
                Option(
                    name="data", kind=OptionKind.BYTES, about="content", required=True
                ),
                Option(
                    name="start",
                    kind=OptionKind.WHOLE,
                    about="first address",
                    default=0,
                    low=0,
                    high=SIZE - 1,
                ),
            ),
            hazards=frozenset({Hazard.MEMORY_WEAR}),
            expected_s=0.5,
        ),
        Check(
            name="protection_write",
            about="protects something; can never be undone",
            run=_protect,
            options=by_name(
                _SECRET,
                Option(
                    name="what",
                    kind=OptionKind.TEXT,
                    about="what is closed",
                    required=True,
                    choices=tuple(PROTECTIONS),
                ),
            ),
            hazards=frozenset({Hazard.MEMORY_WEAR, Hazard.LOCK}),
        ),
    )


def _protection(session: Session) -> Answer:
    held = registers(session)
    return Answer(value=_words(held), evidence={"registers": shown(held)})


def _rom_copy(session: Session) -> Answer:
    copied = read_memory(session, ROM_AT, 8)
    return Answer(value=copied == session.rom.wire, evidence={"copy": shown(copied)})


_QUANTITIES = (
    Quantity(
        name="protection",
        unit="",
        read=_protection,
        about="what is protected, or all open",
    ),
    Quantity(
        name="factory_byte",
        unit="",
        read=lambda session: Answer(value=f"{registers(session)[3]:02X}"),
        about="AA or 55, fixed",
    ),
    Quantity(
        name="user_bytes",
        unit="",
        read=lambda session: Answer(value=shown(registers(session)[6:8])),
        about="two bytes for the user, or a maker's number",
    ),
    Quantity(
        name="rom_copy_matches",
        unit="",
        read=_rom_copy,
        about="true if the ROM code in memory is that of the search",
    ),
)
_33, _2F = Part(layout=PAGE_LAYOUT), Part(layout=None)
_DESTRUCTIVE = "a replaced secret is lost; protection is for ever; writing wears cells"

FAMILIES = (
    Family(
        code=0x33,
        name="EEPROM, 1 Kbit, SHA-1",
        device_class="authenticator",
        typical_parts="DS2432, DS1961S",
        quantities=by_name(*_QUANTITIES),
        checks=by_name(*_common(_33), *_written(_33)),
        looks=looks("protection", "rom_copy_matches"),
        destructive=_DESTRUCTIVE,
        facts="CRC-16 on scratchpad, page and MAC; none on memory: read twice",
    ),
    Family(
        code=0x2F,
        name="EEPROM, 1 Kbit, SHA-1, block layout on request",
        device_class="authenticator",
        typical_parts="DS28E01-100",
        quantities=by_name(*_QUANTITIES),
        checks=by_name(*_common(_2F)),
        looks=looks("protection", "rom_copy_matches"),
        destructive=_DESTRUCTIVE,
        facts="as 33h; MACs are computed only with a layout from the maker",
    ),
)
