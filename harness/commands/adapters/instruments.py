"""`slotproof instruments`: who answers, what is set, what stands in the error queues."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from harness.clock import SystemClock
from harness.errors import SlotproofError, UsageError
from harness.instruments import marker
from harness.instruments.bench import InstrumentBench
from harness.instruments.instrument import Instrument
from harness.output import say
from harness.plans.loading.files import load_fixture
from harness.plans.steps.instruments.running import (
    SIMULATED,
    instruments_on,
    simulated_instruments,
)
from harness.safe_text import one_line

EXIT_COULD_NOT_TELL = 3


def instruments(*, fixture: Path, rest: bool) -> int:
    """Show the instruments of a fixture, or bring them to rest."""
    loaded = load_fixture(fixture)
    if not loaded.instruments:
        raise UsageError(
            "the fixture has no instruments",
            where=loaded.source.name,
            hint="`slotproof explain fixture` has the section",
        )
    with simulated_instruments(loaded) as port:
        bench = instruments_on(loaded, SystemClock(), port)
        try:
            bench.lock(each.row.name for each in bench.all)
            code = _rest(bench) if rest else _show(bench)
        finally:
            bench.close()
    if any(each.library == SIMULATED for each in loaded.instruments):
        say("SIMULATED instruments: this is no bench")
    return code


def _rest(bench: InstrumentBench) -> int:
    rested = bench.rest(whatever=True)
    for each in rested:
        say(one_line(each.sentence))
    if any(each.fault for each in rested):
        return EXIT_COULD_NOT_TELL
    if not rested:
        say("no instrument of this fixture has a rest state")
    return 0


def _show(bench: InstrumentBench) -> int:
    code = 0
    for instrument in bench.all:
        row = instrument.row
        say(f"{row.name}: {row.kind}, {row.resource}")
        mark = marker.standing(row)
        if mark is not None:
            say(
                f"    MAY BE ON since {mark.since[:19] or 'a time not known'}: "
                "`slotproof instruments --rest` brings it to rest"
            )
        try:
            for line in _lines(instrument):
                say(f"    {one_line(line)}")
        except SlotproofError as fault:
            say(f"    {one_line(str(fault))}")
            code = EXIT_COULD_NOT_TELL
    return code


def _lines(instrument: Instrument) -> Iterator[str]:
    """What it answers; nothing is set, but an error queue that is read is empty then."""
    yield f"identity  {instrument.identify()}"
    for name, words in instrument.row.words.settings.items():
        limits = instrument.row.limits.get(name)
        text = f", limits {limits[0]:g} .. {limits[1]:g}" if limits else ""
        if words.ask:
            yield f"setting   {name} {instrument.query(words.ask)}{text}"
    for query in instrument.row.words.tripped:
        if instrument.number(query):
            yield f"TRIPPED   {query} answers 1"
    yield from (f"error     {entry}" for entry in instrument.errors())
