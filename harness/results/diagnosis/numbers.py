"""The evidence behind a diagnosis as tables.

An echo is shown as it was graded: the byte shows when the line was released, a bit alone
would lose the margin.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from harness.diagnosis.evidence.bus import (
    AdapterFacts,
    Blocks,
    Conversion,
    DeviceFacts,
    Echoes,
    Evidence,
    IdleFacts,
    LineEvidence,
    ResetFacts,
    ScanFacts,
)
from harness.diagnosis.evidence.kinds import KindReading
from harness.digits import bound_text, number_text, span_text, uncertain_text
from harness.records import Bound, Scalar
from harness.results.wording import scalar_text
from harness.wire.limits import STANDARD

_MOST_ECHOES = 6
"""Kinds of echo named in one cell; the rest is counted."""

_NOT_ASKED = "-"


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


_STANDINGS = {
    "flickering": "listed, not found in every scan",
    "left": "lost during the examination",
    "left together": "lost together during the examination",
    "newcomer": "new, not in the fixture",
    "unproved": "not confirmed, scan again",
    "phantom": "phantom, no such device",
    "unlisted family": "new, of a family that the fixture does not expect",
}


def standing_words(standing: str) -> str:
    """How a ROM code stands after the scans, in words; ``Membership`` has the keys."""
    return _STANDINGS.get(standing, standing)


_ADAPTER_AND_LINE = NumbersTable(title="Adapter and line", head=("what", "measured"))
_ECHOES = NumbersTable(
    title="Echoes",
    about="The byte of an echo shows when the line was let go: of FFh, fewer ones mean "
    "later; of a reset, zeros are presence pulses.",
    head=("sent", "characters", "silent", "extra", "echo and how often"),
    numbers=(1, 2, 3),
)
_SEARCHES = NumbersTable(
    title="Searches",
    about="Presence is decided over several scans.",
    head=("ROM code", "socket", "standing", "found in scans", "answered directly"),
    numbers=(3, 4),
)
_DEVICES = NumbersTable(
    title="Devices",
    head=("device", "power", "block reads", "flipped bits", "conversions", "readings"),
)


_ANSWERS = NumbersTable(
    title="What each device reports",
    head=("device", "quantity", "value", "unit", "failed attempts"),
)


def tables_of(found: Evidence) -> Iterator[NumbersTable]:
    """Adapter, echoes, searches and devices, as far as they were looked at."""
    for empty, rows in (
        (_ADAPTER_AND_LINE, _adapter_and_line(found)),
        (_ECHOES, _echoes(found)),
        (_SEARCHES, _searches(found)),
        (_DEVICES, _devices(found)),
        (_ANSWERS, _answers(found)),
    ):
        if filled := tuple(rows):
            yield replace(empty, rows=filled)


# -- adapter and line -----------------------------------------------------------------


def _adapter_and_line(found: Evidence) -> Iterator[tuple[str, str]]:
    if found.adapter is not None:
        yield from _adapter(found.adapter)
    if found.lost:
        yield "port lost", f"{found.lost} times"
    if found.idle is not None:
        yield from _idle(found.idle)
    if found.line is not None:
        yield from _line(found.line)
    yield from _flips(found)


def _adapter(adapter: AdapterFacts) -> Iterator[tuple[str, str]]:
    if adapter.round_trip_ms:
        median, late, longest = map(number_text, adapter.round_trip_ms)
        yield (
            "round trip of one character",
            f"median {median} ms, 95 % within {late} ms, longest {longest} ms",
        )
    if adapter.measured_baud is not None:
        doubt = adapter.rate_doubt * adapter.measured_baud
        yield (
            "slot rate",
            f"{uncertain_text(adapter.measured_baud, doubt)} baud, "
            f"asked for {adapter.asked_baud:.0f}",
        )
    for length, (whole, tried) in adapter.bursts.items():
        yield f"bursts of {length} characters", f"{whole} of {tried} came back whole"
    if adapter.echo_without_supply is not None:
        yield "echo of FFh with the bus supply off", adapter.echo_without_supply


def _idle(idle: IdleFacts) -> Iterator[tuple[str, str]]:
    came = sum(count for _, count in idle.arrivals)
    yield (
        "characters while nothing was sent",
        f"{came or 'none'} in {number_text(idle.for_s)} s{_in_brackets(idle.values)}",
    )
    if idle.after_sending:
        yield "characters between bursts, beyond their echoes", str(idle.after_sending)


def _line(line: LineEvidence) -> Iterator[tuple[str, str]]:
    rise = span_text(*line.rise_us, from_zero=True)
    yield "rise to the receiver's threshold", f"{rise} us"
    yield (
        "time for which a device may see the line low in a write-1 slot",
        f"{bound_text(line.crossing_us, Bound.AT_MOST)} us "
        f"(limit {STANDARD.device_sample.low_us:g} us)",
    )
    if line.answers_in_zeros:
        yield "pulls right after write-0 slots", str(line.answers_in_zeros)


def _flips(found: Evidence) -> Iterator[tuple[str, str]]:
    """What a late edge, a pull or a lift spoils are slots of different kinds."""
    counts = {"write-1": (0, 0), "write-0": (0, 0)}
    if found.line is not None:
        counts["write-1"] = _changed(found.line.ones, "FF")
        counts["write-0"] = _changed(found.line.zeros, found.line.zeros.usual)
    both = [
        b for d in found.devices for b in (d.blocks, d.blocks_after) if b is not None
    ]
    downs, ups = sum(b.flips_down for b in both), sum(b.flips_up for b in both)
    counts["read-1"] = downs, sum(b.slots[1] for b in both)
    counts["read-0"] = ups, sum(b.slots[0] for b in both)
    if any(hits for hits, _ in counts.values()):
        cells = (f"{kind} {hits} of {of}" for kind, (hits, of) in counts.items() if of)
        yield "slots that came back changed, by kind", ", ".join(cells)


def _changed(echoes: Echoes, sound: str) -> tuple[int, int]:
    """Echoes other than the sound one, of those that came."""
    came = sum(echoes.histogram.values())
    return came - echoes.histogram.get(sound, 0), came


# -- echoes -----------------------------------------------------------------------------


def _echoes(found: Evidence) -> Iterator[tuple[str, ...]]:
    for name, echoes in (
        *_echoes_of_adapter(found.adapter),
        *_echoes_of_line(found.line),
        *map(_echoes_of_reset, found.resets),
    ):
        if echoes is not None and echoes.sent:
            yield _echo_row(name, echoes)


def _echoes_of_adapter(
    adapter: AdapterFacts | None,
) -> Iterator[tuple[str, Echoes | None]]:
    if adapter is not None:
        yield "FFh at the slot rate, one by one", adapter.ones
        yield "FFh at 9600 baud, one by one", adapter.slow_ones
        yield "00h at the slot rate, one by one", adapter.zeros
        yield "C0h at the slot rate, a reset in overdrive", adapter.fast_resets


def _echoes_of_line(line: LineEvidence | None) -> Iterator[tuple[str, Echoes | None]]:
    if line is not None:
        yield "read or write-1 slots, no device addressed", line.ones
        yield "the same at 230400 baud", line.fine_ones
        yield "write-0 slots, no device addressed", line.zeros


def _echoes_of_reset(reset: ResetFacts) -> tuple[str, Echoes]:
    name = (
        f"reset of {reset.low_us:.0f} us, first sample {reset.first_sample_us:.0f} us "
        f"after it ({reset.byte:02X}h at {reset.baud} baud)"
    )
    return name, reset.echoes


def _echo_row(name: str, echoes: Echoes) -> tuple[str, ...]:
    counts = map(str, (echoes.sent, echoes.silent, echoes.extra))
    return (name, *counts, _histogram(echoes.histogram) or "-")


def _histogram(counts: Mapping[str, int]) -> str:
    ordered = sorted(counts.items(), key=lambda item: (-item[1], item[0]))
    named = [f"{echo}: {count}" for echo, count in ordered[:_MOST_ECHOES]]
    if rest := sum(count for _, count in ordered[_MOST_ECHOES:]):
        named.append(f"others: {rest}")
    return ", ".join(named)


def _in_brackets(counts: Mapping[str, int]) -> str:
    return f" ({_histogram(counts)})" if counts else ""


# -- searches and devices -------------------------------------------------------------------


def _searches(found: Evidence) -> Iterator[tuple[str, ...]]:
    scans = found.scans
    if scans is None:
        return
    met = {device.rom_code: device for device in found.devices}
    for code, standing in found.inventory.items():
        device = met.get(code)
        yield (
            code,
            found.expected.rom_codes.get(code, "-"),
            standing_words(standing),
            f"{scans.found.get(code, 0)} of {scans.whole}",
            f"{device.verified} of {device.verifies}" if device else "-",
        )
    yield from _searches_that_ended_early(scans)


def _searches_that_ended_early(scans: ScanFacts) -> Iterator[tuple[str, ...]]:
    for code, times in scans.rejected.items():
        yield code, "-", "cannot be a device", f"{times} of {scans.whole}", "-"
    for position, times in scans.dead_ends.items():
        yield (
            f"dead end at bit {position}",
            "-",
            "no device left",
            f"{times} times",
            "-",
        )
    for kind, times in scans.troubles.items():
        yield f"scan ended by {kind}", "-", "-", f"{times} of {scans.scans}", "-"


def _devices(found: Evidence) -> Iterator[tuple[str, ...]]:
    for device in found.devices:
        cells = (
            _power(device),
            *_blocks(device.blocks, device.blocks_after),
            _conversions(device.conversions),
            _values(device.conversions),
        )
        if any(cell != _NOT_ASKED for cell in cells):
            yield device.name, *cells


def _power(device: DeviceFacts) -> str:
    answers = device.supply_answers
    if not answers:
        reading = device.reading("power_supply")
        value = reading.value if reading is not None else None
        return _NOT_ASKED if value is None else str(value)
    own = sum(answers)
    if own in {0, len(answers)}:
        return "own supply" if own else "data line"
    return f"own supply in {own} of {len(answers)} answers"


def _blocks(*parts: Blocks | None) -> tuple[str, str]:
    read = [part for part in parts if part is not None and part.reads]
    if not read:
        return _NOT_ASKED, _NOT_ASKED

    def total(count: Callable[[Blocks], int]) -> int:
        return sum(map(count, read))

    named = (
        ("CRC wrong", total(lambda part: part.check_wrong)),
        ("all zero", total(lambda part: part.zeros)),
        ("all ones", total(lambda part: part.ones)),
        ("aborted", total(lambda part: part.broken_off)),
        ("slipped by a slot", total(lambda part: part.slipped)),
        ("impossible", total(lambda part: part.impossible)),
    )
    wrong = [f"{words} {count}" for words, count in named if count]
    whole, tried = total(lambda part: part.whole), total(lambda part: part.reads)
    ups, downs = total(lambda part: part.flips_up), total(lambda part: part.flips_down)
    counted = "; ".join([f"{whole} of {tried} right", *wrong])
    return counted, f"{ups} up, {downs} down" if ups or downs else "none"


def _conversions(conversions: Sequence[Conversion]) -> str:
    if not conversions:
        return _NOT_ASKED
    cells = [f"{len(conversions)} done"]
    if heard := [c.heard for c in conversions if c.heard is not None]:
        cells.append(f"heard {sum(heard)} of {len(heard)}")
    if times := [c.took_ms for c in conversions if c.took_ms is not None]:
        cells.append(f"busy {span_text(min(times), max(times))} ms")
    if restarts := sum(c.power_on for c in conversions):
        cells.append(f"power-on value {restarts} times")
    return ", ".join(cells)


def _values(conversions: Sequence[Conversion]) -> str:
    values = [c.value_degc for c in conversions if c.value_degc is not None]
    if not values:
        return _NOT_ASKED
    return f"{span_text(min(values), max(values))} degC"


def _answers(found: Evidence) -> Iterator[tuple[str, ...]]:
    for device in found.devices:
        for reading in device.readings:
            yield device.name, reading.quantity, *_answer(reading)


def _answer(reading: KindReading) -> tuple[str, str, str]:
    spoilt = [f"{kind} {count}" for kind, count in reading.troubles.items()]
    return (
        _in_short(reading.values) if reading.values else f"none: {reading.said}",
        reading.unit or "-",
        f"{', '.join(spoilt)} of {reading.tries}" if spoilt else "none",
    )


def _in_short(values: Sequence[Scalar]) -> str:
    """One value, or mean and span of several."""
    if len(values) > 1 and not any(isinstance(v, str | bool) for v in values):
        numbers = [float(v) for v in values]
        mean = number_text(sum(numbers) / len(numbers))
        return f"mean {mean}, {span_text(min(numbers), max(numbers))}"
    return scalar_text(values[-1])
