"""`slotproof instruments`: which answer, what is set, what their error queues hold."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from harness.clock import SystemClock
from harness.commands.base import print_json, print_texts
from harness.commands.declared.style import OutputStyle
from harness.commands.outputs.instruments import (
    InstrumentsAnswer,
    ShownInstrument,
    ShownSetting,
)
from harness.digits import limits_text
from harness.errors import SlotproofError, UsageError
from harness.instruments import marker
from harness.instruments.bench import InstrumentBench
from harness.instruments.instrument import Instrument
from harness.plans.loading.files import load_fixture
from harness.plans.steps.instruments.running import (
    SIMULATED,
    instruments_on,
    simulated_instruments,
)
from harness.safe_text import one_line

EXIT_COULD_NOT_TELL = 3


def instruments(*, fixture: Path, rest: bool, style: OutputStyle) -> int:
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
            found = list(_rested(bench) if rest else map(_shown, bench.all))
        finally:
            bench.close()
    code = EXIT_COULD_NOT_TELL if any(each.fault for each in found) else 0
    answer = InstrumentsAnswer(
        command="instruments",
        exit_code=code,
        simulated=any(each.library == SIMULATED for each in loaded.instruments),
        instruments=tuple(found),
    )
    if style.json:
        print_json(answer)
    else:
        print_texts(_lines(answer, rest=rest))
    return code


def _rested(bench: InstrumentBench) -> Iterator[ShownInstrument]:
    for each in bench.rest(whatever=True):
        row = each.row
        yield ShownInstrument(
            name=row.name,
            kind=row.kind,
            resource=row.resource,
            at_rest=each.fault is None,
            fault="" if each.fault is None else one_line(each.sentence),
        )


def _shown(instrument: Instrument) -> ShownInstrument:
    row, mark = instrument.row, marker.standing(instrument.row)
    shown = ShownInstrument(
        name=row.name,
        kind=row.kind,
        resource=row.resource,
        may_be_on_since="" if mark is None else mark.since[:19] or "a time not known",
    )
    try:
        return shown.model_copy(update=_answers(instrument))
    except SlotproofError as fault:
        return shown.model_copy(update={"fault": one_line(str(fault))})


def _answers(instrument: Instrument) -> dict[str, object]:
    """What it answers; nothing is set, but an error queue that is read is empty then."""
    words, limits = instrument.row.words, instrument.row.limits
    return {
        "identity": one_line(instrument.identify()),
        "settings": tuple(
            ShownSetting(
                name=name,
                value=one_line(instrument.query(of.ask)),
                low=limits[name][0] if name in limits else None,
                high=limits[name][1] if name in limits else None,
            )
            for name, of in words.settings.items()
            if of.ask and "{" not in of.ask  # a channel is asked for by number
        ),
        "tripped": tuple(ask for ask in words.tripped if instrument.number(ask)),
        "errors": tuple(map(one_line, instrument.errors())),
    }


def _lines(answer: InstrumentsAnswer, *, rest: bool) -> Iterator[str]:
    for each in answer.instruments:
        if rest:
            yield each.fault or f"{each.name} is at rest"
            continue
        yield f"{each.name}: {each.kind}, {each.resource}"
        if each.may_be_on_since:
            yield (
                f"    MAY BE ON since {each.may_be_on_since}: "
                "`slotproof instruments --rest` brings it to rest"
            )
        yield from (f"    {line}" for line in _answer_lines(each))
    if not answer.instruments:
        yield "no instrument of this fixture has a rest state"
    if answer.simulated:
        yield "SIMULATED instruments: this is no bench"


def _answer_lines(each: ShownInstrument) -> Iterator[str]:
    if each.fault:
        yield each.fault
        return
    yield f"identity  {each.identity}"
    for setting in each.settings:
        limits = limits_text(setting.low, setting.high)
        beside = f", limits {limits}" if limits else ""
        yield f"setting   {setting.name} {setting.value}{beside}"
    yield from (f"TRIPPED   {query} answers 1" for query in each.tripped)
    yield from (f"error     {entry}" for entry in each.errors or ("none",))
