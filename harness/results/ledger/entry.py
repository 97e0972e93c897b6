"""One test of one unit, as a journal records it and as the ledger keeps it."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any, Self

from harness.errors import UsageError
from harness.journal_form import FieldError, JournalForm
from harness.old_names import current_name, current_title
from harness.records import Measurement, Outcome
from harness.results.journal.lines import damaged
from harness.results.journal.writer import read_events
from harness.results.record.constants import constants_in
from harness.results.record.device_tally import DeviceResult
from harness.results.record.run import RunRecord, require_undamaged
from harness.results.record.steps import BAD_OUTCOMES, Ending, StepRecord
from harness.results.reports.rebuild import read_record
from harness.results.wording import value_row

KNOWN_ELSEWHERE = "rom-code-known"
"""Kind of the failure of a unit whose ROM code was seen before in another unit."""

UNIT_GONE = "unit-gone"
"""Kind of the error of a unit that was pulled, or fell silent, before its verdict."""


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitFacts:
    """What a run knows of the unit it tests; stands in ``run_started`` as ``unit``.

    Attributes:
        serial: the unit's serial number as scanned; empty where none is used.
        lot: name of the lot, may be empty.
        station: name of the station.
        place: the station's position that the unit sat in.
    """

    serial: str = ""
    lot: str = ""
    station: str = ""
    place: str = ""


UNIT = JournalForm(UnitFacts, name="unit")


@dataclass(frozen=True, slots=True, kw_only=True)
class Reason:
    """Why a test did not pass; all empty if it did."""

    step: str = ""
    kind: str = ""
    message: str = ""
    hint: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class LedgerReading:
    """One measured value of a test; ``value`` is None where it is no finite number.

    ``condition`` is what a vary step had set meanwhile, in words; else empty.
    """

    step: str
    rom_code: str
    name: str
    value: float | None
    text: str
    unit: str
    low: float | None
    high: float | None
    outcome: str
    condition: str = ""

    def with_current_names(self) -> Self:
        """As it is, with the current names where an earlier version booked it."""
        return replace(
            self, name=current_name(self.name), step=current_title(self.step)
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitTest:
    """One test of one unit.

    Attributes:
        unit: which unit, where.
        run_id: name of the run.
        outcome: the verdict.
        ending: how the run ended; a cut one counts as an error.
        reason: the first of what made the verdict.
        rom_codes: of every device found, with its socket.
        readings: the values behind the verdict.
        journal: where the journal lay when the test was booked.
        simulated: True of a rehearsal on a simulated bench.
        constants: own constants of devices by ROM code, from readings that passed; hex.
            A ledger keeps them by device: a test that is read back has none.
    """

    unit: UnitFacts
    run_id: str
    outcome: Outcome
    ending: str
    reason: Reason
    rom_codes: tuple[tuple[str, str], ...]
    readings: tuple[LedgerReading, ...]
    started_at: str
    finished_at: str
    duration_s: float
    plan_title: str
    plan_sha256: str
    fixture_title: str
    fixture_sha256: str
    host: str
    version: str
    journal: str
    simulated: bool = False
    constants: tuple[tuple[str, str], ...] = field(default=(), compare=False)

    @property
    def key(self) -> str:
        """What distinguishes units: the serial number, or without one the ROM codes."""
        return self.unit.serial or "+".join(code for code, _ in self.rom_codes)

    @property
    def is_cut(self) -> bool:
        """True if the run's end is not in the journal."""
        return self.ending == Ending.CUT


def read_test(journal: Path) -> UnitTest:
    """The test that a journal records, whole or cut.

    Raises:
        UsageError: it is no journal.
    """
    return test_of(read_record(journal), journal)


def test_of(record: RunRecord, journal: Path) -> UnitTest:
    """The test that a run record describes.

    Args:
        record: what the journal adds up to.
        journal: where it lies.

    Raises:
        UsageError: it is no journal or a damaged one, or its run has no name.
    """
    require_undamaged(record)
    test = UnitTest(
        unit=_unit_of(next(read_events(journal))),
        run_id=record.run_id or _no_name(journal),
        outcome=record.outcome,
        ending=str(record.ending),
        reason=reason_of(record),
        rom_codes=tuple(_devices(record)),
        readings=tuple(_readings(record)),
        started_at=record.started_at,
        finished_at=record.finished_at,
        duration_s=record.duration_s,
        plan_title=record.plan.title,
        plan_sha256=record.plan.sha256,
        fixture_title=record.fixture.title,
        fixture_sha256=record.fixture.sha256,
        host=record.host,
        version=record.versions.get("slotproof", ""),
        journal=str(journal.resolve()),
        simulated=record.simulated,
        constants=tuple(_constants(record).items()),
    )
    try:
        json.dumps(asdict(test), ensure_ascii=False).encode("utf-8")
    except UnicodeEncodeError as exc:
        raise damaged("a text holds half a character", {}, where=str(journal)) from exc
    return test


def _unit_of(start: dict[str, Any]) -> UnitFacts:
    """The unit that ``run_started`` names; a run outside a station names none."""
    try:
        return UNIT.read(start.get(UNIT.name) or {})
    except FieldError as exc:
        raise damaged(exc, start) from exc


def _no_name(journal: Path) -> str:
    raise UsageError(
        "the run in this journal has no name, so it cannot be distinguished from another",
        where=str(journal),
        hint="book journals as the run wrote them",
    )


def reason_of(record: RunRecord) -> Reason:
    """What the verdict rests on: the gravest result, of equals the first.

    A ROM code of another unit and a unit that went away explain all the rest.
    """
    bad = [
        (step, result)
        for step, result in record.results
        if result.outcome in BAD_OUTCOMES
    ]
    if not bad:
        return Reason()
    step, result = min(bad, key=_weight)
    shown = result.shown
    return Reason(
        step=step.title or step.kind,
        kind=shown.kind,
        message=shown.message,
        hint=shown.hint,
    )


def _weight(found: tuple[StepRecord, DeviceResult]) -> tuple[bool, int]:
    _, result = found
    explains = result.shown.kind in {KNOWN_ELSEWHERE, UNIT_GONE}
    return not explains, -result.outcome.severity


def _devices(record: RunRecord) -> Iterator[tuple[str, str]]:
    """Devices that were really found; a missing one has a result too."""
    seen: set[str] = set()
    for device in record.devices:
        results = [r for _, r in record.results if r.device == device]
        answered = any(r.outcome not in BAD_OUTCOMES for r in results)
        named = any(m.name == "rom_code" for r in results for m in r.shown.measurements)
        if (answered or named) and device.rom_code not in seen:
            seen.add(device.rom_code)
            yield device.rom_code, device.socket


def _constants(record: RunRecord) -> dict[str, str]:
    found = {}
    for _, result in record.results:
        constants = constants_in(result.shown.evidence)
        if constants and result.device and result.outcome is Outcome.PASSED:
            found[result.device.rom_code] = constants
    return found


def _readings(record: RunRecord) -> Iterator[LedgerReading]:
    for step, result in record.results:
        rom_code = result.device.rom_code if result.device else ""
        for m in result.shown.measurements:
            yield LedgerReading(
                step=f"{step.step} {step.title or step.kind}".strip(),
                rom_code=rom_code,
                name=m.name,
                value=_number(m),
                text=value_row(m).value,
                unit=m.unit,
                low=m.low,
                high=m.high,
                outcome=str(result.outcome),
                condition=step.condition,
            )


def _number(m: Measurement) -> float | None:
    """The value; None where there is none, as of a bound or a text."""
    if isinstance(m.value, str | bool) or m.bound or not math.isfinite(m.value):
        return None
    return float(m.value)
