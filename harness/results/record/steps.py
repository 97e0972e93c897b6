"""One step of a run while its events come in, and the record it ends as."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from harness.ending import CTRL_C
from harness.records import CheckResult, DeviceRef, Outcome
from harness.results.record.device_tally import DeviceResult, DeviceTally

BAD_OUTCOMES = frozenset({Outcome.FAILED, Outcome.ERROR})
"""Outcomes that need a reason."""

INTERRUPTED = "interrupted"
"""Kind of the error of a step during which the run ended."""

NOT_REACHED = "not-reached"
"""Kind of a step that the run did not come to."""


class Ending(StrEnum):
    """How the run ended."""

    COMPLETE = "complete"
    INTERRUPTED = "interrupted"
    CUT = "cut"


@dataclass(frozen=True, slots=True, kw_only=True)
class StepRecord:
    """One leaf step of the plan.

    Attributes:
        step: its number, such as ``3.1``; empty for the run as a whole.
        kind: step kind (``read``), or ``run``.
        title: in words.
        outcome: the worst of its results.
        results: one a device, in the order they came; ``device`` None is the bus.
        duration_s: seconds on the port's clock, all rounds together.
        started_at: calendar, UTC; empty if never started.
        finished_at: calendar, UTC; empty if it did not finish.
        condition: settings of the instruments that it ran under, in words; may be empty.
        settings: the same as numbers, by instrument and setting; on and off are 1 and 0.
    """

    step: str
    kind: str
    title: str
    outcome: Outcome
    results: tuple[DeviceResult, ...]
    duration_s: float = 0.0
    started_at: str = ""
    finished_at: str = ""
    condition: str = ""
    settings: tuple[tuple[str, float], ...] = ()


def _settings(written: dict[str, dict[str, float]]) -> Iterator[tuple[str, float]]:
    """Settings of a condition, such as ``PSU voltage_v`` and 3.3."""
    for instrument, settings in written.items():
        for name, value in settings.items():
            yield f"{instrument} {name}", float(value)


def ended_here(
    ending: Ending,
    *,
    where: str,
    duration_s: float,
    by: str = CTRL_C,
    go_on: str = "",
) -> CheckResult:
    """The error of a run that did not come to its end.

    Args:
        ending: interrupted (by the operator or a signal) or cut.
        where: in words.
        duration_s: how long that took so far.
        by: name of the signal that interrupted it.
        go_on: command that takes the run up again, where it is known.
    """
    message = f"the run ended here, {where}, and the journal does not say why"
    hint = "look for a power cut, a killed process or a full disk, then run again"
    if ending is Ending.INTERRUPTED:
        message = f"the operator ended the run here, {where}"
        hint = (
            "what was finished before stands"
            if go_on
            else "run again; what was finished before stands"
        )
        if by != CTRL_C:
            message = f"{by} ended the run here, {where}"
            hint = "look which program sent it (shutdown, a job's time limit, a closed terminal)"
    if go_on:
        hint = f"{hint}; the run goes on where it was with: {go_on}"
    return CheckResult(
        outcome=Outcome.ERROR,
        kind=INTERRUPTED,
        message=message,
        hint=hint,
        duration_s=duration_s,
    )


def overlap(rounds: int) -> CheckResult:
    """The result of a run of which two parts count the same rounds of a soak."""
    return CheckResult(
        outcome=Outcome.ERROR,
        kind="overlap",
        message=f"parts of the journal overlap: {rounds} rounds of a soak stand in it twice "
        "(here they are counted once), so two runs went on at the same time",
        hint="two programs on one bus disturb each other: run the soak again",
    )


def stated_result(event: dict[str, Any], *, of: str) -> CheckResult:
    """The result that a ``step_done`` or ``run_done`` states by itself.

    Args:
        event: with ``outcome``, and ``why`` if it gives the reason.
        of: whose outcome it is, in words.
    """
    outcome = Outcome(event["outcome"])
    why = dict(event.get("why") or {})
    silent = f"{of} is stated as {outcome} and no result gives the reason"
    return CheckResult(
        outcome=outcome,
        kind=str(why.get("kind") or ("unexplained" if outcome in BAD_OUTCOMES else "")),
        message=str(
            why.get("message") or ("" if outcome is Outcome.PASSED else silent)
        ),
        hint=str(why.get("hint") or ""),
        duration_s=float(event.get("duration_s", 0.0)),
    )


class StepProgress:
    """Collects the events of one step; it may start more than once."""

    def __init__(self, step: str) -> None:
        self.step = step
        self.kind = ""
        self.title = ""
        self.condition = ""
        self.settings: tuple[tuple[str, float], ...] = ()
        self._tallies: dict[DeviceRef | None, DeviceTally] = {}
        self._stated: dict[str, Any] = {}
        self._open = False
        self._paused = False
        self._started_at = ""
        self._finished_at = ""
        self._started_s = 0.0
        self._duration_s = 0.0

    def start(self, event: dict[str, Any], *, now_s: float) -> None:
        """Take a ``step_started`` in."""
        self._open = True
        self._paused = False
        self.condition = str(event.get("under", self.condition))
        if "settings" in event:
            self.settings = tuple(_settings(event["settings"]))
        self._started_at = self._started_at or str(event.get("at", ""))
        self._started_s = now_s

    def pause(self, *, now_s: float) -> None:
        """The run was cut or ended at that time, and goes on later."""
        if self._open and not self._paused:
            self._duration_s += now_s - self._started_s
            self._paused = True

    def forget(self) -> None:
        """It ended with the adapter's loss and is done again: its results do not stand."""
        self._tallies, self._stated = {}, {}
        self._finished_at = ""

    def take(self, result: CheckResult, *, round_: int) -> None:
        """Take a result in; ``round_`` counts from 1."""
        tally = self._tallies.setdefault(result.device, DeviceTally())
        tally.add(result, round_=round_)

    def finish(self, event: dict[str, Any], *, now_s: float) -> None:
        """Take a ``step_done`` in; of several the first of the gravest counts."""
        self._open = False
        self._finished_at = str(event.get("at", ""))
        self._duration_s += float(event.get("duration_s", now_s - self._started_s))
        now = Outcome(event["outcome"])
        if not self._stated or (
            now in BAD_OUTCOMES and now.severity > self._stated_outcome.severity
        ):
            self._stated = event

    def record(
        self, *, ending: Ending, now_s: float, by: str = CTRL_C, go_on: str = ""
    ) -> StepRecord:
        """The step as it stands.

        Args:
            ending: how the run ended, for a step that is not finished.
            now_s: time of the last event, for the same.
            by: name of the signal that ended it, for the same.
            go_on: command that takes the run up again, for the same.
        """
        results = {device: tally.result() for device, tally in self._tallies.items()}
        duration_s = self._duration_s
        if self._open and not self._paused:
            duration_s += now_s - self._started_s
        if extra := self._beyond_results(
            ending, duration_s=duration_s, by=by, go_on=go_on
        ):
            bus = results.get(None)
            results[None] = (
                bus.overruled_by(extra) if bus else DeviceResult.single(extra)
            )
        return StepRecord(
            step=self.step,
            kind=self.kind,
            title=self.title,
            condition=self.condition,
            settings=self.settings,
            outcome=Outcome.worst([result.outcome for result in results.values()]),
            results=tuple(results.values()),
            duration_s=duration_s,
            started_at=self._started_at,
            finished_at="" if self._open else self._finished_at,
        )

    def disagreement(self) -> str:
        """In words, if the stated outcome is milder than the results; else empty."""
        if self._open or not self._stated or not self._tallies:
            return ""
        found, stated = self._found, self._stated_outcome
        if found in BAD_OUTCOMES and found.severity > stated.severity:
            return f"step {self.step} is stated as {stated}, its results say {found}"
        return ""

    @property
    def _found(self) -> Outcome:
        return Outcome.worst([t.result().outcome for t in self._tallies.values()])

    @property
    def _stated_outcome(self) -> Outcome:
        return Outcome(self._stated["outcome"])

    def _beyond_results(
        self, ending: Ending, *, duration_s: float, by: str, go_on: str
    ) -> CheckResult | None:
        """What is known of this step and shows in none of its results."""
        if self._open:
            return ended_here(
                ending,
                where="inside this step",
                duration_s=duration_s,
                by=by,
                go_on=go_on,
            )
        if self._stated and (not self._tallies or self._stated_is_graver):
            return stated_result(self._stated, of="the step")
        if not self._stated and not self._tallies:
            return CheckResult(
                outcome=Outcome.SKIPPED,
                kind=NOT_REACHED,
                message="not reached: the run ended before this step",
            )
        return None

    @property
    def _stated_is_graver(self) -> bool:
        stated = self._stated_outcome
        return stated in BAD_OUTCOMES and stated.severity > self._found.severity
