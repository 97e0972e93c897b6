"""Exchanges of a description, done with a device and proved as far as it allows."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from harness.errors import (
    AnswerImpossible,
    CheckValueWrong,
    DeviceAbsent,
    ReadingImplausible,
    StillBusy,
)
from harness.families.common.answers import shown
from harness.families.family import Session
from harness.plans.kinds.check_values import require_check_values
from harness.plans.schema.kind.exchange import BusyFirst, Exchange, filled
from harness.plans.schema.transact import bytes_of

Values = Mapping[str, bytes]
"""What goes into the gaps of a template."""

_POLLED = 8
"""Slots of one look at a device that nothing is read from afterwards."""


def do_all(
    session: Session, exchanges: Iterable[Exchange], values: Values | None = None
) -> bytes:
    """Exchanges in their order; what the last one answers, without its check value.

    Raises:
        DeviceAbsent, CheckValueWrong, AnswerImpossible: an answer is not right.
        StillBusy: a device is not done in time.
        ReadingImplausible: a device that must be busy never was.
    """
    answer = b""
    for exchange in exchanges:
        answer = do(session, exchange, values or {})
    return answer


def do(session: Session, exchange: Exchange, values: Values) -> bytes:
    """One exchange; raises as ``do_all``."""
    written = filled(exchange.write, values)
    answer = _once(session, exchange, written)
    if exchange.is_read_twice:
        again = _once(session, exchange, written)
        if again != answer:
            raise CheckValueWrong(
                f"two answers to {shown(written)} differ: {shown(answer)}, then "
                f"{shown(again)}",
                hint="this answer has no check value: look at edges and noise, repeat",
            )
    require_check_values(exchange.crc, written, answer)
    _require_complement(exchange, answer)
    _require_expected(exchange, values, written, answer)
    proved = exchange.crc or exchange.complement
    if answer and (not any(answer) or (not proved and answer[-1] == 0xFF)):
        # silence reads as ones; a line held low as zeros, whose CRC-8 is right
        session.verify()
    return answer[: exchange.block_bytes]


def _once(session: Session, exchange: Exchange, written: bytes) -> bytes:
    if exchange.strong_pull_up:
        session.hold_strong_pull_up(written, exchange.wait_ms / 1000)
    elif exchange.busy is not None:
        _until_done(session, exchange.busy, written, one_by_one=exchange.read > 0)
    elif exchange.wait_ms:
        session.transact(written)
        session.clock.sleep(exchange.wait_ms / 1000)
    else:
        return session.transact(written, exchange.read)
    return session.more(read=exchange.read) if exchange.read else b""


def _until_done(
    session: Session, busy: BusyFirst, written: bytes, *, one_by_one: bool
) -> None:
    slots = 1 if one_by_one else _POLLED
    level = session.transact_bits(written, slots)
    # from here on: reset and command took time that is none of the device's
    began_s = session.clock.now_s()
    if busy.must_begin and level[0] == busy.ready:
        session.verify()
        raise ReadingImplausible(
            f"nothing began: no busy slot after {shown(written)}",
            hint="what is read afterwards is old: look at supply and noise, then repeat",
        )
    while busy.ready not in level:
        took_ms = 1000 * (session.clock.now_s() - began_s)
        if took_ms > busy.up_to_ms:
            raise StillBusy(
                f"still busy {took_ms:.1f} ms after {shown(written)}, allowed are "
                f"{busy.up_to_ms:g} ms"
            )
        level = session.read_bits(slots)


def _require_complement(exchange: Exchange, answer: bytes) -> None:
    if not exchange.complement:
        return
    for place, byte in enumerate(answer):
        if byte >> 4 ^ 0x0F == byte & 0x0F:
            continue
        if set(answer) == {0xFF}:
            raise DeviceAbsent(f"no device drives the line: answer {shown(answer)}")
        raise AnswerImpossible(
            f"byte {place} of {shown(answer)}: its high half must be the inverse of its "
            "low half",
            hint="noise on the way: repeat; if it stays look at edges",
        )


def _require_expected(
    exchange: Exchange, values: Values, written: bytes, answer: bytes
) -> None:
    if not exchange.expect:
        return
    wanted = filled(exchange.expect, values)
    mask = bytes_of(exchange.mask) or b"\xff" * len(wanted)
    if any((a ^ b) & m for a, b, m in zip(answer, wanted, mask, strict=True)):
        if set(answer) == {0xFF}:
            session_silent = f"no device drives the line: {len(answer)} bytes of FFh"
            raise DeviceAbsent(session_silent)
        under = f" under mask {shown(mask)}" if exchange.mask else ""
        raise AnswerImpossible(
            f"after {shown(written)} the device answers {shown(answer)}, right is "
            f"{shown(wanted)}{under}",
            hint="the device did not take it: look at noise, protection and supply, then "
            "repeat",
        )
