"""Takes up a run that was cut or ended before its time, from its journal alone.

The journal goes on in its next part. Steps are done again, for a power cut may have
undone them; a soak goes on from its last counted round, and one that had come to its
end stands as it is. A soak inside ``repeat`` or ``for_each`` is begun again.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

from harness.clock import Clock
from harness.errors import AdapterUnplugged, UsageError
from harness.plans.schema.fixture import Fixture
from harness.plans.schema.plan import Plan
from harness.records import Outcome
from harness.results.journal.owner import require_unowned
from harness.results.journal.writer import (
    Journal,
    read_events,
)
from harness.results.record.run import RunRecord, require_undamaged
from harness.results.record.steps import Ending
from harness.results.reports.rebuild import read_record
from harness.results.soak.record import SoakRecord

STILL_OPEN = (
    "nothing was done since the run was taken up: it can be taken up again as it was"
)
"""Note of a run that was taken up and could not begin."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Resumption:
    """What a run goes on from.

    Attributes:
        journal: first part of its journal.
        run_id: its name.
        last_s: journal time of the last event, seconds.
        last_at: calendar of the last event, UTC.
        soaks: that are open, by step.
        finished: soaks that came to their end: outcome by step.
        worst: of the steps that came to their end.
        again: steps that had ended with the adapter's loss, and are done again.
        identities: of the instruments that the run used, by name.
    """

    journal: Path
    run_id: str
    last_s: float
    last_at: datetime
    soaks: Mapping[str, SoakRecord]
    finished: Mapping[str, Outcome]
    worst: Outcome
    again: tuple[str, ...] = ()
    identities: Mapping[str, str] = field(default_factory=dict)

    def gap_s(self, clock: Clock) -> float | None:
        """Time since the last event; None if the calendar went backwards."""
        gap_s = (clock.calendar() - self.last_at).total_seconds()
        return round(gap_s, 3) if gap_s >= 0 else None

    def open_journal(self, clock: Clock) -> Journal:
        """The journal's next part; its time goes on, the gap included.

        Raises:
            UsageError: another process writes to it by now; see ``Journal.take_up``.
        """
        require_unowned(self.journal)
        after_s = self.last_s + (self.gap_s(clock) or 0.0)
        return Journal.take_up(self.journal, clock, after_s=after_s, run_id=self.run_id)


def read_resumption(journal: Path, plan: Plan, fixture: Fixture) -> Resumption:
    """What a resumption needs from the journal of the run.

    Raises:
        UsageError: it is no journal, its run still goes on or came to its end, or plan
            or fixture are not those of that run.
    """
    require_unowned(journal)
    record = read_record(journal)
    require_undamaged(record)
    if not record.finished_at:
        raise UsageError(
            "the journal does not say when its run was", where=str(journal)
        )
    again = _lost_with_adapter(record)
    goes_on = bool(again) or record.could_not_go_on
    _require_same(record, plan, fixture, journal, goes_on=goes_on)
    finished = _finished_soaks(record, again) | _finished_conditions(
        record, journal, plan
    )
    return Resumption(
        journal=journal,
        run_id=record.run_id,
        last_s=record.duration_s,
        last_at=datetime.fromisoformat(record.finished_at),
        soaks=_cut_soaks(record, finished),
        finished=finished,
        worst=_worst_before(record, again),
        again=again,
        identities=_identities(journal, fixture),
    )


def _identities(journal: Path, fixture: Fixture) -> dict[str, str]:
    """Identity of each instrument; of several starts the last.

    Raises:
        UsageError: the fixture has no such instrument any more.
    """
    found = {
        str(event["name"]): str(event["identity"])
        for event in read_events(journal)
        if event["event"] == "instrument_identified"
    }
    known = {each.name for each in fixture.instruments}
    for name in found:
        if name not in known:
            raise UsageError(
                f"the run to take up used instrument {name}, which the fixture lacks",
                where=str(journal),
                hint="use the fixture of that run, or run anew",
            )
    return found


def _is_of_its_own(soak: SoakRecord) -> bool:
    """False for a soak inside of another step, which is done again as a whole."""
    return "." not in soak.step


def _finished_conditions(
    record: RunRecord, journal: Path, plan: Plan
) -> dict[str, Outcome]:
    """Steps of the conditions of vary steps that came to their end, with outcomes."""
    ended = {
        f"{event['step']}."
        for event in read_events(journal)
        if event["event"] == "condition_done"
    }
    known = {step.step: step.outcome for step in record.steps}
    return {
        leaf.id: known[leaf.id]
        for leaf in plan.leaf_steps()
        if leaf.id in known and any(leaf.id.startswith(each) for each in ended)
    }


def _finished_soaks(record: RunRecord, again: Collection[str]) -> dict[str, Outcome]:
    done = {soak.step for soak in record.soaks if soak.done and _is_of_its_own(soak)}
    return {
        s.step: s.outcome
        for s in record.steps
        if s.step in done and s.step not in again
    }


def _cut_soaks(record: RunRecord, finished: Collection[str]) -> dict[str, SoakRecord]:
    return {
        soak.step: soak
        for soak in record.soaks
        if soak.cycles and soak.step not in finished and _is_of_its_own(soak)
    }


def _worst_before(record: RunRecord, again: Collection[str]) -> Outcome:
    """The worst outcome of the finished steps that are not done again."""
    steps = [s for s in record.steps if s.finished_at and s.step not in again]
    return Outcome.worst([step.outcome for step in steps])


def _lost_with_adapter(record: RunRecord) -> tuple[str, ...]:
    """The soak whose adapter was lost for good, and the steps after it: run again."""
    steps = [step for step in record.steps if step.step]
    for place, step in enumerate(steps):
        kinds = {r.shown.kind for r in step.results if r.device is None}
        if step.kind == "soak" and AdapterUnplugged.kind in kinds:
            return tuple(later.step for later in steps[place:])
    return ()


def _require_same(
    record: RunRecord, plan: Plan, fixture: Fixture, journal: Path, *, goes_on: bool
) -> None:
    if record.ending is Ending.COMPLETE and not goes_on:
        raise UsageError(
            "this run came to its end, there is nothing to take up",
            where=str(journal),
            hint="run the plan anew, without --resume",
        )
    then, now = record.plan, plan.source.sha256
    parameters = dict(plan.parameters)
    if then.sha256 != now or then.details.get("parameters") != parameters:
        raise UsageError(
            "the plan or its parameters are not those of the run to take up",
            where=str(journal),
            hint="use the same plan file and --set values, or run anew",
        )
    sockets = [socket.name for socket in fixture.unit_sockets]
    if (record.fixture.title, record.fixture.details.get("sockets")) != (
        fixture.title,
        sockets,
    ):
        raise UsageError(
            "the fixture is another one than that of the run to take up",
            where=str(journal),
            hint="its title and sockets must be the same; the port may have changed",
        )
