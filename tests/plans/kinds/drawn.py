"""Descriptions drawn at random, most of them sound: none may crash a run."""

from __future__ import annotations

from random import Random
from typing import Any

EXTREMES = [1e308, -1e308, 5e-324, 1e-300, 1e154, -1.0, 0.5, 1.0, 3.7e7]
NAMES = [f"row_{n}" for n in range(6)]
EXCHANGES = [
    {"write": "44", "busy": {"up_to_ms": 9}},
    {"write": "44", "wait_ms": 3, "strong_pull_up": True},
    {"write": "44", "read": 1, "expect": "AA", "mask": "F0"},
    {"write": "44", "busy": {"up_to_ms": 5, "must_begin": True}},
]


def description(chance: Random) -> dict[str, Any]:
    """The plain data of a description."""
    blocks = {name: _block(chance) for name in ("one", "two")}
    rows = [_row(chance, n, blocks) for n in range(chance.randint(1, 5))]
    kind: dict[str, Any] = {
        "kind": "drawn",
        "codes": 0xE5,
        "class": "converter",
        "sources": ["drawn"],
        "conversions": {"measure": [chance.choice(EXCHANGES)]},
        "blocks": blocks,
        "registers": rows,
        "derived": [_derived(chance, n, rows) for n in range(chance.randint(0, 3))],
    }
    writable = [row["name"] for row in rows if row["access"] != "read"]
    if writable and chance.random() < 0.4:
        setting = chance.choice(writable)
        search = {"condition": "any", "met": {setting: 1}, "unmet": {setting: 0}}
        kind["conditional_search"] = {**search, "conversion": "measure"}
    if chance.random() < 0.4:
        kind["memory"] = _memory(chance)
    return kind


def _sometimes(chance: Random, **keys: Any) -> dict[str, Any]:  # noqa: ANN401 - plain data
    return {key: value for key, value in keys.items() if chance.random() < 0.3}


def _block(chance: Random) -> dict[str, Any]:
    crc = {"kind": chance.choice(["crc-8", "crc-16"]), "over": "answer"}
    crc["over"] = chance.choice(["answer", "write", "write-and-answer"])
    return {
        "write": chance.choice(["BE", "A5 00", "A5 01 02"]),
        "read": chance.randint(10, 40),
        "change": {"exchanges": [{"write": "4E {data} {old 0}"}]},
        **_sometimes(
            chance,
            crc=[crc],
            complement=True,
            twice=chance.random() < 0.5,
            before=[{"write": "B8"}],
            busy={"up_to_ms": 5, "must_begin": chance.random() < 0.5},
        ),
    }


def _row(chance: Random, number: int, blocks: dict[str, Any]) -> dict[str, Any]:
    count = chance.randint(1, 8)
    shift = chance.randint(0, 8 * count - 1)
    signed = chance.random() < 0.5
    bits = chance.randint(1, 8 * count - shift)
    numbers = {"scale": chance.choice(EXTREMES), "offset": chance.choice(EXTREMES)}
    codes = {
        "codes": chance.choice([{"0": "off", "1": "on"}, {"3": 7}, {"0xFF": True}])
    }
    first = number == 0 or chance.random() < 0.5
    return {
        "name": NAMES[number],
        "block": "one" if first else "two",
        "at": 0,
        "bytes": count,
        "shift": shift,
        "bits": bits,
        "signed": signed,
        "order": chance.choice(["little", "big"]),
        "access": chance.choice(["read", "write", "read-write"]),
        **(numbers if chance.random() < 0.7 else codes),
        **_sometimes(
            chance,
            low=-1e6,
            high=1e6,
            conversion="measure",
            never_set=chance.getrandbits(8),
            sign_extended=signed,
            after_power_up=chance.choice([0, 1.5, "on", True]),
            **({"needs": {"register": NAMES[0], "value": 1}} if first else {}),
        ),
    }


def _derived(chance: Random, number: int, rows: list[dict[str, Any]]) -> dict[str, Any]:
    known = [r["name"] for r in rows if r["access"] != "write" and "codes" not in r]
    known += [f"derived_{n}" for n in range(number)]
    of = chance.choice(known or NAMES)
    factors = [chance.choice(EXTREMES) for _ in range(chance.randint(2, 9))]
    terms = [
        {"factor": f, "powers": {chance.choice(known or NAMES): chance.randint(1, 20)}}
        for f in factors
    ]
    ways: list[dict[str, Any]] = [
        {"of": of, "polynomial": factors},
        {"terms": terms},
        {"of": of, "table": [[x, -x] for x in sorted({-1e308, *factors})]},
    ]
    return {"name": f"derived_{number}", **chance.choice(ways)}


def _memory(chance: Random) -> dict[str, Any]:
    row = chance.choice([4, 8, 32])
    size = row * chance.randint(1, 9)
    if chance.random() < 0.3:
        pad = {"pad_bytes": 8, "copy_ms": 5, "done": "AA 55"}
        return {"size": 8 * chance.randint(1, 9), "hazards": [], "scratchpad": pad}
    crc = [{"kind": "crc-16", "over": "write-and-answer"}]
    read = {"write": "F0 {address}", "read": row + 2, "crc": crc}
    write = {"write": "0F {row} {data}", "wait_ms": 1}
    return {
        "size": size,
        "row_bytes": row,
        "hazards": [],
        "read": [read],
        **_sometimes(chance, write=[write]),
    }
