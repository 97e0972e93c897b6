"""The numbers behind a diagnosis as tables, from what the journal kept of them.

An echo is shown as it was graded: the byte says when the line was let go, a bit alone
would throw the margin away.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

from harness.digits import bound_text, number_text, span_text, uncertain_text
from harness.records import Bound
from harness.results.reports.wording import scalar_text
from harness.wire.limits import STANDARD

_MOST_ECHOES = 6
"""Kinds of echo named in one cell; the rest is counted."""

_NOT_ASKED = "-"

Facts = dict[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class NumbersTable:
    """One table.

    Attributes:
        title: above it.
        about: one sentence on how to read it, or empty.
        head: of each column.
        numbers: columns, from 0, that hold numbers.
        rows: cells as text, as many as the head has.
    """

    title: str
    about: str = ""
    head: tuple[str, ...]
    numbers: tuple[int, ...] = ()
    rows: tuple[tuple[str, ...], ...] = ()


_ADAPTER_AND_LINE = NumbersTable(title="Adapter and line", head=("what", "measured"))
_ECHOES = NumbersTable(
    title="Echoes",
    about="The byte of an echo tells when the line was let go: of FFh, fewer ones mean "
    "later; of a reset, zeros are presence pulses.",
    head=("sent", "characters", "silent", "extra", "echo and how often"),
    numbers=(1, 2, 3),
)
_SEARCHES = NumbersTable(
    title="Searches",
    about="Nobody is added or dropped on one scan.",
    head=("ROM code", "socket", "standing", "found in scans", "answered directly"),
    numbers=(3, 4),
)
_DEVICES = NumbersTable(
    title="Devices",
    head=("device", "power", "block reads", "flipped bits", "conversions", "readings"),
)


_ANSWERS = NumbersTable(
    title="What each device says of itself",
    head=("device", "quantity", "value", "unit", "spoilt tries"),
)


def tables_of(found: Facts) -> Iterator[NumbersTable]:
    """Adapter, echoes, searches and devices, as far as they were looked at."""
    for empty, rows in (
        (_ADAPTER_AND_LINE, _adapter_and_line(found)),
        (_ECHOES, _echoes(found)),
        (_SEARCHES, _searches(found)),
        (_DEVICES, _devices(found)),
        (_ANSWERS, _answers(found)),
    ):
        if told := tuple(rows):
            yield replace(empty, rows=told)


# -- adapter and line -----------------------------------------------------------------


def _adapter_and_line(found: Facts) -> Iterator[tuple[str, str]]:
    yield from _adapter(found.get("adapter") or {})
    if found.get("lost"):
        yield "port lost", f"{found['lost']} times"
    if idle := found.get("idle"):
        came = sum(count for _, count in idle.get("arrivals", ()))
        yield (
            "characters while nothing was sent",
            f"{came or 'none'} in {number_text(idle['for_s'])} s"
            f"{_in_brackets(idle.get('values'))}",
        )
        if idle.get("after_sending"):
            yield (
                "characters between bursts, beyond their echoes",
                str(idle["after_sending"]),
            )
    if line := found.get("line"):
        rise = span_text(*line["rise_us"], from_zero=True)
        yield "rise to the receiver's threshold", f"{rise} us"
        yield (
            "time for which a device may see the line low in a write-1 slot",
            f"{bound_text(line['crossing_us'], Bound.AT_MOST)} us "
            f"(limit {STANDARD.device_sample.low_us:g} us)",
        )
        if line.get("answers_in_zeros"):
            yield "pulls right after write-0 slots", str(line["answers_in_zeros"])


def _adapter(adapter: Facts) -> Iterator[tuple[str, str]]:
    if trips := adapter.get("round_trip_ms"):
        median, late, longest = map(number_text, trips)
        yield (
            "round trip of one character",
            f"median {median} ms, 95 % within {late} ms, longest {longest} ms",
        )
    measured = adapter.get("measured_baud")
    if measured is not None:
        doubt = adapter.get("rate_doubt", 0.0) * measured
        yield (
            "slot rate",
            f"{uncertain_text(measured, doubt)} baud, "
            f"asked for {adapter['asked_baud']:.0f}",
        )
    for length, (whole, tried) in adapter.get("bursts", {}).items():
        yield f"bursts of {length} characters", f"{whole} of {tried} came back whole"
    if adapter.get("echo_without_supply") is not None:
        yield "echo of FFh with the bus supply off", adapter["echo_without_supply"]


# -- echoes -----------------------------------------------------------------------------


def _echoes(found: Facts) -> Iterator[tuple[str, ...]]:
    adapter, line = found.get("adapter") or {}, found.get("line") or {}
    for name, echoes in (
        ("FFh at the slot rate, one by one", adapter.get("ones")),
        ("FFh at 9600 baud, one by one", adapter.get("slow_ones")),
        ("00h at the slot rate, one by one", adapter.get("zeros")),
        ("C0h at the slot rate, a reset in overdrive", adapter.get("fast_resets")),
        ("read or write-1 slots, nobody addressed", line.get("ones")),
        ("the same at 230400 baud", line.get("fine_ones")),
        ("write-0 slots, nobody addressed", line.get("zeros")),
    ):
        if echoes and echoes["sent"]:
            yield _echo_row(name, echoes)
    for reset in found.get("resets", ()):
        name = (
            f"reset of {reset['low_us']:.0f} us, first sample {reset['first_sample_us']:.0f} us "
            f"after it ({reset['byte']:02X}h at {reset['baud']} baud)"
        )
        yield _echo_row(name, reset["echoes"])


def _echo_row(name: str, echoes: Facts) -> tuple[str, ...]:
    counts = (str(echoes[key]) for key in ("sent", "silent", "extra"))
    return (name, *counts, _histogram(echoes.get("histogram", {})) or "-")


def _histogram(counts: dict[str, int]) -> str:
    ordered = sorted(counts.items(), key=lambda item: (-item[1], item[0]))
    told = [f"{echo}: {count}" for echo, count in ordered[:_MOST_ECHOES]]
    if rest := sum(count for _, count in ordered[_MOST_ECHOES:]):
        told.append(f"others: {rest}")
    return ", ".join(told)


def _in_brackets(counts: dict[str, int] | None) -> str:
    return f" ({_histogram(counts)})" if counts else ""


# -- searches and devices -------------------------------------------------------------------


def _searches(found: Facts) -> Iterator[tuple[str, ...]]:
    scans = found.get("scans")
    if not scans:
        return
    sockets = (found.get("expected") or {}).get("rom_codes", {})
    met = {device["rom_code"]: device for device in found.get("devices", ())}
    for code, standing in found.get("inventory", {}).items():
        device = met.get(code)
        yield (
            code,
            sockets.get(code, "-"),
            standing,
            f"{scans.get('found', {}).get(code, 0)} of {scans['whole']}",
            f"{device['verified']} of {device['verifies']}" if device else "-",
        )
    for code, times in scans.get("rejected", {}).items():
        yield code, "-", "cannot be a device", f"{times} of {scans['whole']}", "-"
    for position, times in scans.get("dead_ends", {}).items():
        yield f"dead end at bit {position}", "-", "nobody left", f"{times} times", "-"
    for kind, times in scans.get("troubles", {}).items():
        yield f"scan ended by {kind}", "-", "-", f"{times} of {scans['scans']}", "-"


def _devices(found: Facts) -> Iterator[tuple[str, ...]]:
    for device in found.get("devices", ()):
        conversions = device.get("conversions", ())
        cells = (
            _power(device),
            *_blocks(device.get("blocks"), device.get("blocks_after")),
            _conversions(conversions),
            _values(conversions),
        )
        if any(cell != _NOT_ASKED for cell in cells):
            yield _name(device), *cells


def _name(device: Facts) -> str:
    return f"{device.get('socket', '')} {device['rom_code']}".strip()


def _power(device: Facts) -> str:
    answers = device.get("supply_answers", ())
    if not answers:
        said = [
            r for r in device.get("readings", ()) if r["quantity"] == "power_supply"
        ]
        return str(said[0]["values"][-1]) if said and said[0]["values"] else _NOT_ASKED
    own = sum(answers)
    if own in {0, len(answers)}:
        return "own supply" if own else "data line"
    return f"own supply in {own} of {len(answers)} answers"


_WRONG = (
    ("check_wrong", "check value wrong"),
    ("zeros", "all zero"),
    ("ones", "all ones"),
    ("broken_off", "broken off"),
    ("slipped", "slipped by a slot"),
    ("impossible", "impossible"),
)


def _blocks(*parts: Facts | None) -> tuple[str, str]:
    read = [part for part in parts if part and part.get("reads")]
    if not read:
        return _NOT_ASKED, _NOT_ASKED
    whole, tried = (sum(part[key] for part in read) for key in ("whole", "reads"))
    wrong = [
        f"{words} {count}"
        for key, words in _WRONG
        if (count := sum(part.get(key, 0) for part in read))
    ]
    ups, downs = (
        sum(part.get(key, 0) for part in read) for key in ("flips_up", "flips_down")
    )
    told = "; ".join([f"{whole} of {tried} right", *wrong])
    return told, f"{ups} up, {downs} down" if ups or downs else "none"


def _conversions(conversions: list[Facts]) -> str:
    if not conversions:
        return _NOT_ASKED
    heard = [c["heard"] for c in conversions if c.get("heard") is not None]
    told = [f"{len(conversions)} done"]
    if heard:
        told.append(f"heard {sum(heard)} of {len(heard)}")
    if times := [c["took_ms"] for c in conversions if c.get("took_ms") is not None]:
        told.append(f"busy {span_text(min(times), max(times))} ms")
    if restarts := sum(bool(c.get("power_on")) for c in conversions):
        told.append(f"power-on value {restarts} times")
    return ", ".join(told)


def _values(conversions: list[Facts]) -> str:
    values = [c["value_degc"] for c in conversions if c.get("value_degc") is not None]
    if not values:
        return _NOT_ASKED
    return f"{span_text(min(values), max(values))} degC"


def _answers(found: Facts) -> Iterator[tuple[str, ...]]:
    for device in found.get("devices", ()):
        for reading in device.get("readings", ()):
            spoilt = [f"{kind} {n}" for kind, n in reading.get("troubles", {}).items()]
            told = f"{', '.join(spoilt)} of {reading['tries']}" if spoilt else "none"
            values = reading["values"]
            yield (
                _name(device),
                reading["quantity"],
                _in_short(values) if values else f"none: {reading['said']}",
                reading["unit"] or "-",
                told,
            )


def _in_short(values: list[Any]) -> str:
    """One value, or mean and span of several."""
    if len(values) > 1 and not any(isinstance(v, str | bool) for v in values):
        numbers = [float(v) for v in values]
        mean = number_text(sum(numbers) / len(numbers))
        return f"mean {mean}, {span_text(min(numbers), max(numbers))}"
    return scalar_text(values[-1])
