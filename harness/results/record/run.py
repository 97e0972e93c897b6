"""The run record: what the events of a journal add up to.

Rule 1: folded event by event, in memory that a night's soak does not grow.
Rule 2: verdicts are worked out from the results; what the journal states in addition
(the outcome of a step or run) can make a verdict graver, never milder, and each
disagreement is named.
Rule 3: a run whose end is not in the journal is an error, whatever passed before.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any, Self

from pydantic import TypeAdapter

from harness import ending as endings
from harness.errors import UsageError
from harness.records import CheckResult, DeviceRef, Outcome
from harness.results.journal.lines import LONGEST_S, damaged
from harness.results.record.device_tally import DeviceResult
from harness.results.record.evidence import frames_of, require_readable
from harness.results.record.steps import (
    BAD_OUTCOMES,
    INTERRUPTED,
    Ending,
    StepProgress,
    StepRecord,
    ended_here,
    overlap,
    stated_result,
)
from harness.results.recording.events import RecordingFolding, ShownRecording
from harness.results.soak.events import GAP
from harness.results.soak.record import SoakRecord, SoakRecords

EXIT_CODES = {
    Outcome.PASSED: 0,
    Outcome.SKIPPED: 0,
    Outcome.FAILED: 1,
    Outcome.ERROR: 3,
}
"""Exit code of a run that came to its end, by its outcome."""

MAY_BE_ON = "may-be-on"
"""Kind of the result where an instrument could not be brought to rest."""

_RESULTS = TypeAdapter(CheckResult)


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceFile:
    """A plan or fixture file, as it was when the run began.

    Attributes:
        title: what the file calls itself.
        path: where it lay.
        sha256: digest of its content, hex.
        details: parameters of a plan, sockets of a fixture, and the like.
    """

    title: str = ""
    path: str = ""
    sha256: str = ""
    details: dict[str, Any]

    @classmethod
    def from_dict(cls, data: dict[str, Any]) -> Self:
        """From the journal's ``plan`` or ``fixture``."""
        named = {key: str(data.get(key, "")) for key in ("title", "path", "sha256")}
        return cls(
            **named,
            details={key: value for key, value in data.items() if key not in named},
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class RunRecord:
    """One run, as every report shows it.

    Attributes:
        run_id: name of the run.
        plan: the plan; ``details`` holds ``parameters``.
        fixture: the fixture; ``details`` holds ``sockets``.
        versions: of slotproof, Python and the libraries.
        host: name of the machine.
        adapter: what is known of the adapter.
        steps: all steps in the plan's order; where the run as a whole went wrong, a
            last one of kind ``run`` says so.
        outcome: the verdict.
        ending: how the run ended.
        ended_by: name of the signal that ended an interrupted run.
        started_at: calendar, UTC.
        finished_at: calendar of the last event, UTC.
        duration_s: seconds on the port's clock up to the last event.
        gaps: how often the adapter was away.
        gap_s: for how long in all, seconds.
        lines_lost: lines of the journal that could not be read.
        disagreements: where the journal states another verdict than its results.
        resumed: how often it was taken up again after it was cut or ended.
        could_not_go_on: True if it ended when it was last taken up, before the adapter was
            proved: nothing was done, and it may be taken up again.
        soaks: what its soaks add up to.
        recording: what a recording of the line shows, where one was judged; None of a
            run.
        utc_offset_s: zone of the host when the run began, seconds east of UTC; None of
            journals that do not say it.
        damage: file and line of each lost line that was not cut by the run's own end.

    Example:
        >>> import harness
        >>> plan = harness.load_plan("test_plans/serial_numbers.yaml")
        >>> fixture = harness.load_fixture("fixtures/demo_bench.yaml")
        >>> record = harness.run_plan(plan, fixture, into="results/record")
        >>> step, result = record.results[1]
        >>> step.kind, result.device, str(result.outcome)
        ('enumerate', None, 'passed')
        >>> [(m.name, m.value) for m in result.shown.measurements][:1]
        [('devices', 8)]
    """

    run_id: str
    plan: SourceFile
    fixture: SourceFile
    versions: dict[str, str]
    host: str
    adapter: dict[str, Any]
    steps: tuple[StepRecord, ...]
    outcome: Outcome
    ending: Ending
    started_at: str
    finished_at: str
    duration_s: float
    gaps: int = 0
    gap_s: float = 0.0
    lines_lost: int = 0
    disagreements: tuple[str, ...] = ()
    resumed: int = 0
    could_not_go_on: bool = False
    soaks: tuple[SoakRecord, ...] = field(default=(), compare=False)
    recording: ShownRecording | None = None
    ended_by: str = ""
    damage: tuple[str, ...] = ()
    utc_offset_s: int | None = None

    @classmethod
    def from_events(cls, events: Iterable[dict[str, Any]]) -> RunRecord:
        """Fold events (see ``harness.results.journal.writer``) into a record.

        Raises:
            UsageError: an event does not carry what its format promises.
        """
        folding = Folding()
        for number, event in enumerate(events, start=1):
            try:
                folding.add(event)
            except Exception as exc:
                where = f"event {number} ({event.get('event')})"
                raise not_as_written(exc, event, where=where) from exc
        return folding.record()

    @property
    def exit_code(self) -> int:
        """0 passed, 1 failed, 3 could not tell; of an ended run that of its signal."""
        if self.ending is Ending.INTERRUPTED:
            return endings.exit_code_of(self.ended_by)
        return EXIT_CODES[self.outcome]

    @property
    def simulated(self) -> bool:
        """True if the bench was simulated: then nothing is said about real devices."""
        port = str(self.adapter.get("port", ""))
        return bool(self.fixture.details.get("simulated")) or port.startswith("sim://")

    @property
    def results(self) -> tuple[tuple[StepRecord, DeviceResult], ...]:
        """Every result beside its step, in order."""
        return tuple((step, result) for step in self.steps for result in step.results)

    def count(self, outcome: Outcome) -> int:
        """How many checks (a step on a device) ended so."""
        return sum(result.outcome is outcome for _, result in self.results)

    @property
    def devices(self) -> tuple[DeviceRef, ...]:
        """Every device that has a result, each once, in order."""
        seen = {r.device: None for _, r in self.results if r.device is not None}
        return tuple(seen)


_LONGEST_REASON = 160


def not_as_written(
    fault: Exception, event: dict[str, Any], *, where: str = ""
) -> UsageError:
    """The error of an event that does not carry what its format promises."""
    reason = " ".join(str(fault).split())[:_LONGEST_REASON]
    what = f"{event.get('event')} is not as the journal's format has it ({type(fault).__name__}"
    return damaged(f"{what}{': ' if reason else ''}{reason})", event, where=where)


def require_undamaged(record: RunRecord) -> None:
    """Insist that no line in the middle of the journal is lost.

    Raises:
        UsageError: one is; names the first.
    """
    if record.damage:
        raise damaged("this line cannot be read", {}, where=record.damage[0])


class Folding:
    """Takes events as they come; gives a record of the run so far at any time."""

    def __init__(self) -> None:
        self._start: dict[str, Any] = {}
        self._done: dict[str, Any] = {}
        self._adapter: dict[str, Any] = {}
        self._steps: dict[str, StepProgress] = {}
        self._finished_at = ""
        self._now_s = self._before_s = 0.0
        self._gaps = 0
        self._gap_s = 0.0
        self._lines_lost = 0
        self._damage: list[str] = []
        self._resumed = 0
        self._is_stalled = False
        self._nights = SoakRecords()
        self._recording = RecordingFolding()
        self._takers = {
            "run_started": self._take_run_started,
            "adapter_checked": self._take_adapter_checked,
            "step_started": self._take_step_started,
            "check_done": self._take_check_done,
            "step_done": self._take_step_done,
            GAP.name: self._take_gap,
            "line_lost": self._take_line_lost,
            "run_done": self._take_run_done,
            "run_resumed": self._take_run_resumed,
        }

    def add(self, event: dict[str, Any]) -> None:
        """Take one event in; one of a kind not known only moves the time on.

        Raises:
            KeyError, TypeError, ValueError, AttributeError: the event does not carry
                what its format promises.
        """
        self._before_s = self._now_s
        self._now_s = float(event.get("t_s", self._now_s))
        self._finished_at = str(event.get("at", self._finished_at))
        if taker := self._takers.get(event["event"]):
            taker(event)
        self._nights.add(event)
        self._recording.add(event)

    def record(self) -> RunRecord:
        """The record, as if the journal ended here."""
        ending = self._ending()
        steps = [
            step.record(
                ending=ending,
                now_s=self._now_s,
                by=self._ended_by,
                go_on=self._go_on,
            )
            for step in self._steps.values()
        ]
        disagreements = [d for s in self._steps.values() if (d := s.disagreement())]
        found = Outcome.worst([step.outcome for step in steps])
        disagreements += self._disagreements(found, ending)
        if result := self._run_level(steps, found, ending):
            steps.append(_run_step(result))
        return RunRecord(
            run_id=str(self._start.get("run_id", "")),
            plan=SourceFile.from_dict(self._start.get("plan", {})),
            fixture=SourceFile.from_dict(self._start.get("fixture", {})),
            versions={k: str(v) for k, v in self._start.get("versions", {}).items()},
            host=str(self._start.get("host", "")),
            adapter=self._adapter,
            steps=tuple(steps),
            outcome=Outcome.worst([step.outcome for step in steps]),
            ending=ending,
            started_at=str(self._start.get("at", "")),
            finished_at=self._finished_at,
            duration_s=max(0.0, self._now_s - float(self._start.get("t_s", 0.0))),
            gaps=self._gaps,
            gap_s=self._gap_s,
            lines_lost=self._lines_lost,
            damage=tuple(self._damage),
            disagreements=tuple(disagreements),
            resumed=self._resumed,
            could_not_go_on=self._is_stalled and bool(self._done),
            soaks=self._nights.soaks,
            recording=self._recording.recording,
            ended_by=self._ended_by if ending is Ending.INTERRUPTED else "",
            utc_offset_s=_offset_of(self._start),
        )

    @property
    def _ended_by(self) -> str:
        return str(self._done.get("ended_by", endings.CTRL_C))

    @property
    def _go_on(self) -> str:
        return str(self._start.get("go_on", ""))

    def _ending(self) -> Ending:
        if not self._done:
            return Ending.CUT
        if self._done.get("interrupted"):
            return Ending.INTERRUPTED
        return Ending.COMPLETE

    def _run_level(
        self, steps: list[StepRecord], found: Outcome, ending: Ending
    ) -> CheckResult | None:
        """What went wrong with the run and shows in none of its steps."""
        if twice := sum(soak.twice for soak in self._nights.soaks):
            return overlap(twice)
        if ending is Ending.COMPLETE:
            stated = Outcome(self._done["outcome"])
            if stated in BAD_OUTCOMES and stated.severity > found.severity:
                return stated_result(self._done, of="the run")
            return None
        kinds = {result.shown.kind for step in steps for result in step.results}
        if INTERRUPTED in kinds:
            return None
        return ended_here(
            ending,
            where="between two steps",
            duration_s=0.0,
            by=self._ended_by,
            go_on=self._go_on,
        )

    def _disagreements(self, found: Outcome, ending: Ending) -> list[str]:
        if not self._done:
            return []
        lines = []
        stated = Outcome(self._done["outcome"])
        # what an interrupted run states was worked out before its open step counted
        explained = "why" in self._done and stated.severity > found.severity
        differs = EXIT_CODES[stated] != EXIT_CODES[found]
        if ending is Ending.COMPLETE and differs and not explained:
            lines.append(f"the run is stated as {stated}, its steps say {found}")
        expected = EXIT_CODES[stated]
        if ending is Ending.INTERRUPTED:
            expected = endings.exit_code_of(self._ended_by)
        code = self._done.get("exit_code", expected)
        if code != expected:
            lines.append(f"the run left with exit code {code} instead of {expected}")
        return lines

    def _take_run_started(self, event: dict[str, Any]) -> None:
        for name in ("plan", "fixture", "versions"):
            if not isinstance(event.get(name, {}), dict):
                raise TypeError(f"{name} is no mapping")
        self._start = event
        for step in event.get("steps", []):
            self._step(step)

    def _take_adapter_checked(self, event: dict[str, Any]) -> None:
        self._adapter = dict(event["adapter"])
        self._is_stalled = False
        frames_of(self._adapter)  # refuses what a picture could not draw

    def _take_step_started(self, event: dict[str, Any]) -> None:
        self._step(event).start(event, now_s=self._now_s)

    def _take_check_done(self, event: dict[str, Any]) -> None:
        result = _RESULTS.validate_python(_with_values(event["result"]))
        _require_duration(result.duration_s)
        require_readable(result.evidence)
        self._step(event).take(result, round_=int(event.get("round", 1)))

    def _take_step_done(self, event: dict[str, Any]) -> None:
        _require_duration(event.get("duration_s", 0.0))
        self._step(event).finish(event, now_s=self._now_s)

    def _take_gap(self, event: dict[str, Any]) -> None:
        gap = GAP.read(event)
        self._gaps += gap.gaps
        self._gap_s += gap.lost_s

    def _take_line_lost(self, event: dict[str, Any]) -> None:
        self._lines_lost += 1
        if not getattr(event, "is_cut", False):
            self._damage.append(getattr(event, "where", f"line {event.get('line')}"))

    def _take_run_done(self, event: dict[str, Any]) -> None:
        Outcome(event["outcome"])  # refuses a word that is no outcome
        self._done = event

    def _take_run_resumed(self, event: dict[str, Any]) -> None:
        self._resumed += 1
        self._is_stalled = True
        self._done = {}
        for name in event.get("again") or ():
            if str(name) in self._steps:
                self._steps[str(name)].forget()
        for step in self._steps.values():
            step.pause(now_s=self._before_s)

    def _step(self, event: dict[str, Any]) -> StepProgress:
        name = str(event["step"])
        step = self._steps.setdefault(name, StepProgress(name))
        step.kind = str(event.get("kind") or step.kind)
        step.title = str(event.get("title") or step.title)
        return step


def _offset_of(start: dict[str, Any]) -> int | None:
    offset = start.get("utc_offset_s")
    return None if offset is None else int(offset)


def _require_duration(duration_s: float) -> None:
    if not 0 <= float(duration_s) <= LONGEST_S:
        raise ValueError(f"duration_s {duration_s} is no duration")


def _run_step(result: CheckResult) -> StepRecord:
    return StepRecord(
        step="",
        kind="run",
        title="run to its end",
        outcome=result.outcome,
        results=(DeviceResult.single(result),),
    )


def _with_values(result: dict[str, Any]) -> dict[str, Any]:
    """The journal's result with values that JSON cannot hold put back.

    A number that was not finite stands as null; empty texts are left out.
    """
    measurements = []
    for m in result.get("measurements", ()):
        whole = {"name": "", "value": "", **m}
        if whole["value"] is None:
            whole["value"] = math.nan
        measurements.append(whole)
    return {**result, "measurements": measurements}
