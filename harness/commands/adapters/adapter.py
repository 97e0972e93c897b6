"""`slotproof adapter`: an adapter by itself, and the lines that a fixture says about it."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from math import ceil

from harness.commands.base import print_json, print_texts
from harness.commands.declared.style import OutputStyle
from harness.commands.outputs.adapters import AdapterAnswer, RateMade
from harness.driver.adapter import Adapter
from harness.driver.examination import AdapterExamination, examination_lines, examine
from harness.driver.overdrive import overdrive_frames
from harness.driver.usb import device_tree
from harness.driver.usb.chips import kind_of
from harness.driver.usb.latency import SLOW_MS, cure
from harness.driver.usb.names import port_named, stable_name
from harness.errors import CannotOverdrive
from harness.output import say
from harness.wire.clock_grid import ClockGrid, grid_of_kind
from harness.wire.grid_fit import GridFit, fits
from harness.wire.rates import rates
from harness.wire.slots.frames import choose_slots

_ROUND_TO_PPM = 50
_NEAR_SLOTS_BAUD = (57_600, 230_400)
"""Where slots are made: two octaves around 115200 baud."""


def adapter(*, port: str, style: OutputStyle) -> None:
    """Examine an adapter with TX joined to RX, or on an idle bus."""
    opened = Adapter(port, kind="unknown")
    with opened.open():
        found = examine(opened)
    port_now = port_named(port)
    name = stable_name(port_now, device_tree.here.ports()) if port_now else port
    agreeing = () if found.answers else fits(found.rates)
    kind, tolerance_ppm = _chosen(kind_of(port_now), agreeing)
    grid = grid_of_kind(kind, tolerance_ppm)
    lines = list(_fixture_lines(name, kind, tolerance_ppm, found))
    able = list(_abilities(grid))
    remarks = list(_remarks(port, found, agreeing, kind, opened))
    if style.json:
        print_json(_answer(found, lines, able, remarks))
        return
    print_texts((*examination_lines(found), *remarks))
    say("")
    say("this adapter makes:")
    print_texts(f"  {line}" for line in able)
    say("")
    say("for the fixture:")
    for line in lines:  # to be copied: never folded
        say(line)


def _chosen(by_usb: str, agreeing: tuple[GridFit, ...]) -> tuple[str, float | None]:
    """The kind to write down, and the tolerance that covers every kind that agrees.

    What USB says stands if the rates agree with it, or if none were measured.
    """
    if not agreeing:
        return by_usb, None
    kinds = [fit.grid.kind for fit in agreeing]
    kind = by_usb if by_usb in kinds else kinds[0]
    worst_ppm = max(abs(fit.clock_ppm) + 2 * fit.doubt_ppm for fit in agreeing)
    return kind, _ROUND_TO_PPM * ceil(worst_ppm / _ROUND_TO_PPM)


def _fixture_lines(
    name: str, kind: str, tolerance_ppm: float | None, found: AdapterExamination
) -> Iterator[str]:
    yield "adapter:"
    yield f"  port: {name}"
    yield f"  kind: {kind}"
    if tolerance_ppm is not None:
        yield f"  clock_tolerance_ppm: {tolerance_ppm:g}"
    if found.longest is not None:
        yield f"  max_burst: {min(found.longest, 4000)}"


def _remarks(
    port: str,
    found: AdapterExamination,
    agreeing: tuple[GridFit, ...],
    kind: str,
    opened: Adapter,
) -> Iterator[str]:
    if found.answers:
        yield (
            "a device answers, so only read slots were sent -> take it off the line for "
            "the whole examination"
        )
    elif not agreeing:
        yield "the rates agree with no clock grid that is known: customary rates only"
    else:
        for fit in agreeing:
            yield (
                f"agrees with {fit.grid.kind}: clock {fit.clock_ppm:+.0f} "
                f"+- {2 * fit.doubt_ppm:.0f} ppm"
            )
        if len(agreeing) > 1:
            yield (
                f"these cannot be told apart by timing; {kind} is written, with a "
                "tolerance that covers them all"
            )
    if found.trips.median_ms > SLOW_MS:
        yield f"replies are held back -> {cure(port, opened.latency)}"


def _abilities(grid: ClockGrid) -> Iterator[str]:
    """Slots, fast slots, overdrive, and how finely rates can be stepped."""
    yield f"slots: {choose_slots(grid).reason}"
    yield f"fast slots: {choose_slots(grid, fast=True).reason}"
    try:
        yield f"overdrive: {overdrive_frames(grid)[0].reason}"
    except CannotOverdrive as refusal:
        yield f"overdrive: {refusal.what}"
    made = [rate.baud for rate in rates(grid, *_NEAR_SLOTS_BAUD)]
    steps = [high / low - 1 for low, high in pairwise(made)]
    if steps:
        yield (
            f"timing: {len(made)} rates from {_NEAR_SLOTS_BAUD[0]} to "
            f"{_NEAR_SLOTS_BAUD[1]} baud, steps of {100 * max(steps):.2f} % at most"
        )
    else:
        yield "timing: no two rates between 57600 and 230400 baud"


def _answer(
    found: AdapterExamination, lines: list[str], able: list[str], remarks: list[str]
) -> AdapterAnswer:
    return AdapterAnswer(
        command="adapter",
        exit_code=0,
        device_answers=found.answers,
        latency=found.latency,
        round_trip_median_ms=found.trips.median_ms,
        round_trip_p95_ms=found.trips.p95_ms,
        round_trip_longest_ms=found.trips.longest_ms,
        values_echoed=found.same,
        packet_characters=found.packet,
        longest_burst=found.longest,
        rates=tuple(
            RateMade(asked_baud=r.request_baud, baud=r.baud, doubt_share=2 * r.doubt)
            for r in found.rates
        ),
        refused_baud=found.refused_baud,
        remarks=tuple(remarks),
        makes=tuple(able),
        fixture=tuple(lines),
    )
