"""Check values of an answer, by the words of a plan or a description."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import product

from harness.errors import (
    CheckValueWrong,
    DeviceAbsent,
    SlotproofError,
    UsageError,
)
from harness.families.common.answers import shown
from harness.plans.schema.transact import CheckValue
from harness.wire.crc import crc8, crc16

_OVER = ("answer", "write", "write-and-answer")


def require_check_values(
    values: Iterable[CheckValue], written: bytes, answer: bytes
) -> None:
    """Insist on every check value of an answer.

    Args:
        values: where they stand and what they cover.
        written: bytes of the host ahead of the answer.
        answer: bytes of the device.

    Raises:
        DeviceAbsent: a check value is wrong and all is ones, which no device drives.
        CheckValueWrong: a check value is wrong.
        UsageError: a CRC-16 is wrong as the file has it, and right by another rule.
    """
    for crc in values:
        at = crc.stands_at(len(answer))
        held = answer[at : at + crc.length]
        computed = check_bytes(crc, written, answer[crc.from_byte : at])
        if held == computed:
            continue
        if set(answer) == {0xFF}:
            raise DeviceAbsent(
                f"no device drives the line: the answer is {len(answer)} bytes of FFh"
            )
        what = (
            f"answer {shown(answer)}: {crc.kind} at byte {at} is {shown(held)}, "
            f"computed {shown(computed)}"
        )
        raise _wrong(what, _right_rules(crc, written, answer))


def _wrong(what: str, rules: list[str]) -> SlotproofError:
    """The error of a wrong check value, by whether another rule makes it right.

    Sixteen damaged bits are right by another rule once in 8,000 answers (8 rules of
    65,536 values): the file is wrong then and not the device. Eight are once in 32, which
    proves nothing, and is advice only.
    """
    if not rules:
        return CheckValueWrong(what)
    written = " or ".join(f"{{{rule}}}" for rule in rules)
    if "crc-16" in rules[0]:
        return UsageError(
            f"{what}; it is right by another rule, so the file is wrong and not the "
            "device",
            hint=f"write crc: [{written}] if the data sheet says so",
            cause="configuration",
        )
    return CheckValueWrong(
        what,
        hint=f"{CheckValueWrong.default_hint}; this one is right with crc: [{written}]",
    )


def _right_rules(crc: CheckValue, written: bytes, answer: bytes) -> list[str]:
    """Other ways to cover and send it by which these bytes are right, as files write them."""
    at = crc.stands_at(len(answer))
    held, covered = answer[at : at + crc.length], answer[crc.from_byte : at]
    if len(set(answer)) == 1:
        return []  # a line that is held or left alone is right by chance
    found = {}
    for over, inverted, start in product(_OVER, (False, True), (0, 0xFFFF)):
        changes = {"over": over, "inverted": inverted, "start": start}
        rule = crc.model_copy(update=changes)
        if check_bytes(rule, written, covered) == held:
            plain = inverted == (crc.kind == "crc-16")
            words = {
                "over": over,
                **({} if plain else {"inverted": str(inverted).lower()}),
            }
            words |= {"start": f"0x{start:04X}"} if start else {}
            rows = ", ".join(f"{key}: {value}" for key, value in words.items())
            found[f"kind: {crc.kind}, {rows}"] = rule
    return list(found)


def check_bytes(crc: CheckValue, written: bytes, answered: bytes) -> bytes:
    """The bytes of a check value as they must be on the wire, low byte first.

    Args:
        crc: what it covers and how it is sent.
        written: bytes of the host.
        answered: bytes of the device that stand before it.
    """
    covered = {
        "answer": answered,
        "write": written,
        "write-and-answer": written + answered,
    }[crc.over]
    if crc.kind == "crc-8":
        register, full = crc8(covered, crc.start & 0xFF), 0xFF
    else:
        register, full = crc16(covered, crc.start), 0xFFFF
    return (register ^ full if crc.is_inverted else register).to_bytes(
        crc.length, "little"
    )
