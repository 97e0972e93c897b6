"""Checks of the parts behind a bridge to I2C: find, read, judge a number, write.

Data read have no check value, so they are read twice. Writing waits until the part
acknowledges again and reads back what it took.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Literal

from harness.errors import UsageError
from harness.families.bridges import packets as i2c_packets
from harness.families.bridges.packets import LONGEST
from harness.families.common.answers import read_twice, shown
from harness.families.common.register_map import Field
from harness.families.family import (
    Check,
    Findings,
    Hazard,
    Option,
    Options,
    Session,
    by_name,
)
from harness.records import Measurement

FIRST_ADDRESS, LAST_ADDRESS = 0x08, 0x77


def scan(session: Session, first: int, last: int) -> list[int]:
    """Addresses that acknowledge, in order."""
    return [at for at in range(first, last + 1) if i2c_packets.is_there(session, at)]


def listed(addresses: list[int]) -> str:
    """Addresses in hex, or ``none``."""
    return " ".join(f"{address:02X}" for address in addresses) or "none"


def _scan(session: Session, options: Options) -> Findings:
    found = listed(scan(session, options.whole("first"), options.whole("last")))
    wanted = options.text("wanted") if options.given("wanted") else None
    return Findings(
        measurements=(Measurement(name="i2c_addresses", value=found, wanted=wanted),)
    )


def _content(options: Options, data: bytes) -> Findings:
    wanted = options.data("wanted") if options.given("wanted") else None
    if wanted is not None and len(wanted) != len(data):
        raise UsageError(
            f"wanted has {len(wanted)} bytes, length is {len(data)}",
            hint="give as many bytes as are read",
        )
    return Findings(
        measurements=(
            Measurement(
                name="content",
                value=shown(data, most=LONGEST),
                wanted=None if wanted is None else shown(wanted, most=LONGEST),
            ),
        )
    )


def _read(session: Session, options: Options) -> Findings:
    address, length = options.whole("address"), options.whole("length")

    def once() -> bytes:
        return i2c_packets.read(session, address, length)

    if options.truth("twice"):
        data = read_twice(session, once, what=f"the part at {address:02X}h")
    else:
        data = once()
    return _content(options, data)


def _register(session: Session, options: Options) -> Findings:
    length = options.whole("length")
    return _content(options, _read_by_pointer(session, options, length))


def _read_by_pointer(session: Session, options: Options, length: int) -> bytes:
    pointer = options.data("pointer")
    if len(pointer) > 2:
        raise UsageError(
            f"pointer has {len(pointer)} bytes", hint="one or two; more is a write"
        )
    return i2c_packets.read_register(session, options.whole("address"), pointer, length)


def _value(session: Session, options: Options) -> Findings:
    count = options.whole("length")
    order: Literal["little", "big"] = (
        "big" if options.text("order") == "big" else "little"
    )
    field = Field(
        name="value",
        offset=0,
        count=count,
        shift=options.whole("shift"),
        scale=options.number("scale"),
        bias=options.number("bias"),
        signed=options.truth("signed"),
        order=order,
    )
    data = _read_by_pointer(session, options, count)
    return Findings(
        measurements=(
            Measurement(
                name="value",
                value=field.decode(data),
                unit=options.text("unit") if options.given("unit") else "",
                low=options.number("low") if options.given("low") else None,
                high=options.number("high") if options.given("high") else None,
            ),
        ),
        evidence={"bytes": shown(data)},
    )


def _write(session: Session, options: Options) -> Findings:
    address, data = options.whole("address"), options.data("data")
    pointer_bytes = options.whole("pointer_bytes")
    if len(data) <= pointer_bytes:
        raise UsageError(
            f"data has {len(data)} bytes, and {pointer_bytes} of them are the pointer"
        )
    pointer, content = data[:pointer_bytes], data[pointer_bytes:]
    session.note("writing behind the bridge", address=f"{address:02X}", bytes=len(data))
    i2c_packets.write(session, address, data)
    began_s = session.clock.now_s()
    refusals = i2c_packets.wait_until_ready(
        session, address, options.number("within_s")
    )
    busy_ms = (session.clock.now_s() - began_s) * 1000
    values = [
        Measurement(name="bytes_written", value=len(content), unit="bytes"),
        Measurement(name="ready_after", value=busy_ms, unit="ms"),
    ]
    if options.truth("read_back"):
        got = b""
        while len(got) < len(content):
            at = int.from_bytes(pointer, "big") + len(got)
            got += i2c_packets.read_register(
                session,
                address,
                at.to_bytes(pointer_bytes, "big"),
                min(LONGEST, len(content) - len(got)),
            )
        wrong = sum(a != b for a, b in zip(got, content, strict=True))
        values.append(
            Measurement(name="bytes_different", value=wrong, unit="bytes", high=0)
        )
    return Findings(measurements=tuple(values), evidence={"refusals": refusals})


# -- rows ---------------------------------------------------------------------

ADDRESS = Option.whole(
    "address",
    "seven bits, without the read bit",
    required=True,
    low=FIRST_ADDRESS,
    high=LAST_ADDRESS,
)
_LENGTH = Option.whole("length", "bytes to read", default=1, low=1, high=LONGEST)
_POINTER = Option.data("pointer", "one or two bytes: the register", required=True)
_WANTED = Option.data("wanted", "what must be read, if anything")
_VALUE_OPTIONS = (
    replace(_LENGTH, high=8, default=2),
    Option.text(
        "order", "which byte comes first", default="big", choices=("big", "little")
    ),
    Option.whole("shift", "bits below the value", default=0, low=0, high=56),
    Option.truth("signed", "two's complement", default=True),
    Option.number("scale", "of one step", default=1),
    Option.number("bias", "value of raw zero", default=0),
    Option.number("low", "lowest allowed value"),
    Option.number("high", "highest allowed value"),
    Option.text("unit", "as printed"),
)
_SCAN_OPTIONS = (
    replace(ADDRESS, name="first", required=False, default=FIRST_ADDRESS),
    replace(ADDRESS, name="last", required=False, default=LAST_ADDRESS),
    Option.text("wanted", "the addresses that must answer, such as: 48 50"),
)
_WRITE_OPTIONS = (
    ADDRESS,
    Option.data("data", "pointer and content", required=True),
    Option.whole(
        "pointer_bytes", "how many of them are the pointer", default=1, low=1, high=2
    ),
    Option.truth(
        "read_back", "read the content by the same pointer and compare", default=True
    ),
    Option.number(
        "within_s",
        "time until the part acknowledges again",
        default=0.1,
        low=0,
        high=10,
    ),
)
PART_CHECKS = (
    Check(
        name="i2c_scan",
        about="which addresses acknowledge, by reading one byte of each",
        run=_scan,
        options=by_name(*_SCAN_OPTIONS),
        expected_s=4,
    ),
    Check(
        name="i2c_read",
        about="reads from a part, twice unless its answer moves on",
        run=_read,
        options=by_name(
            ADDRESS,
            _LENGTH,
            _WANTED,
            Option.truth(
                "twice",
                "false for parts whose answer moves on: nothing proves it then",
                default=True,
            ),
        ),
    ),
    Check(
        name="i2c_register",
        about="writes a pointer and reads on from it, twice",
        run=_register,
        options=by_name(ADDRESS, _POINTER, _LENGTH, _WANTED),
    ),
    Check(
        name="i2c_value",
        about="a number in a register of a part, with its limits",
        run=_value,
        options=by_name(ADDRESS, _POINTER, *_VALUE_OPTIONS),
    ),
    Check(
        name="i2c_write",
        about="writes to a part, waits until it is ready, reads back",
        run=_write,
        leaves=frozenset({"i2c_read", "i2c_register", "i2c_value"}),
        options=by_name(*_WRITE_OPTIONS),
        hazards=frozenset({Hazard.BEHIND_BRIDGE}),
        expected_s=0.2,
    ),
)
