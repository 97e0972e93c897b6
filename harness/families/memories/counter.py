"""Counter 1Dh: 4 Kbit of battery-backed RAM and four 32-bit counters.

    A5h TA1 TA2     data to the end of the page, its counter (4 bytes), four zeros,
                    CRC-16; goes on with the next page
    0Fh AAh 5Ah     scratchpad, as with the memories; copied by 5Ah, not 55h

The counters of pages 12 and 13 count what is written there; those of pages 14 and 15
count edges at inputs A and B (page 14 from the sheet, the others from memory). Counters
start at 0 when the battery is connected, wrap at 2^32, and nothing on the wire changes
them. Later records check themselves alone; the first covers command and address too.

Source: data sheet DS2423 (family 1Dh) p. 3, 6, 13, 21 and 25.
"""

from __future__ import annotations

from collections.abc import Callable

from harness.errors import AnswerImpossible
from harness.families.common import scratchpad
from harness.families.common.answers import read_records, shown
from harness.families.common.memory import Memory, memory_checks
from harness.families.common.scratchpad import ALTERNATING, Scratchpad
from harness.families.family import (
    Answer,
    Check,
    Family,
    Findings,
    Option,
    Options,
    Quantity,
    Session,
    by_name,
    looks,
)
from harness.families.memories import commands, restarts
from harness.records import Measurement

READ_WITH_COUNTER = 0xA5
COPY = 0x5A

_PAGE, _SIZE = 32, 0x200
_TAIL = 8
"""Counter and zeros."""

_WRAP = 1 << 32
_INPUTS = {"a": 14, "b": 15}
"""Page whose counter counts the edges at an input."""

_PAGES = {
    **{f"page_{page}_write_count": page for page in (12, 13)},
    **{f"input_{name}_count": page for name, page in _INPUTS.items()},
}

_PAD = Scratchpad(
    size=_SIZE,
    pad_bytes=_PAGE,
    copy_s=0.001,
    done=ALTERNATING,
    read_crc=False,
    copy_command=COPY,
)


def read_pages(session: Session, address: int, length: int) -> bytes:
    """Bytes of the memory, each page with its zeros and check value proved.

    Raises:
        DeviceAbsent, CheckValueWrong: as the answers say.
        AnswerImpossible: the four zero bytes are not zero.
    """
    opening = bytes([READ_WITH_COUNTER]) + address.to_bytes(2, "little")
    sizes = [_PAGE - address % _PAGE + _TAIL]
    while sum(sizes) - _TAIL * len(sizes) < length:
        sizes.append(_PAGE + _TAIL)
    records = read_records(session, opening, sizes, what=f"memory at {address:04X}h")
    for record in records:
        _prove_zeros(record)
    return b"".join(record[:-_TAIL] for record in records)[:length]


def read_counter(session: Session, page: int) -> int:
    """The counter of a page, by the shortest record there is.

    Raises:
        DeviceAbsent, CheckValueWrong, AnswerImpossible: see ``read_pages``.
    """
    address = page * _PAGE + _PAGE - 1
    opening = bytes([READ_WITH_COUNTER]) + address.to_bytes(2, "little")
    record = read_records(
        session, opening, (1 + _TAIL,), what=f"counter of page {page}"
    )[0]
    _prove_zeros(record)
    return int.from_bytes(record[-_TAIL:-4], "little")


def _prove_zeros(record: bytes) -> None:
    if any(record[-4:]):
        raise AnswerImpossible(
            f"record {shown(record)}: its last four bytes must be zero",
            hint="repeat; if it stays the device does not behave as the data sheet says",
        )


def _write(session: Session, address: int, data: bytes) -> None:
    scratchpad.write(session, _PAD, address, data)


def _reader(page: int) -> Callable[[Session], Answer]:
    return lambda session: Answer(value=read_counter(session, page))


def _counting(session: Session, options: Options) -> Findings:
    page = _INPUTS[options.text("input")]
    before, began_s = read_counter(session, page), session.clock.now_s()
    session.clock.sleep(options.number("for_s"))
    after, took_s = read_counter(session, page), session.clock.now_s() - began_s
    counts = (after - before) % _WRAP
    return Findings(
        measurements=(
            Measurement(
                name="counts",
                value=counts,
                unit="counts",
                low=options.number("low") if options.given("low") else None,
                high=options.number("high") if options.given("high") else None,
            ),
        ),
        evidence={"before": before, "after": after, "took_s": round(took_s, 3)},
    )


_QUANTITIES = tuple(
    Quantity(
        name=name,
        unit="counts",
        read=_reader(page),
        about=f"counter of page {page}: "
        + (
            f"edges at {name.removesuffix('_count').replace('_', ' ')}"
            if page in _INPUTS.values()
            else "writes to that page"
        ),
    )
    for name, page in _PAGES.items()
)
_COUNTING = Check(
    name="counting",
    about="how much a counter moves in a stated time: none while idle, or as many as "
    "pulses are fed",
    run=_counting,
    options=by_name(
        Option.text("input", "which input", default="a", choices=("a", "b")),
        Option.number(
            "for_s", "time between the two readings", default=1, low=0, high=86_400
        ),
        Option.number("low", "fewest counts allowed", low=0),
        Option.number("high", "most counts allowed", low=0),
    ),
    expected_s=1.1,
)

FAMILIES = (
    Family(
        code=0x1D,
        name="counter, four of 32 bit, 4 Kbit RAM",
        device_class="counter",
        typical_parts="DS2423",
        quantities=by_name(*_QUANTITIES),
        checks=by_name(
            *memory_checks(Memory(size=_SIZE, read=read_pages, write=_write)), _COUNTING
        ),
        looks=looks(*_PAGES),
        commands=commands.COUNTER,
        restarts=restarts.PAD,
        destructive="",
        facts="CRC-16 on pages and counters; writes move the counters of pages 12, 13",
    ),
)
