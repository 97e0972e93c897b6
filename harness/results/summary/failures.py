"""What failed, each once: a device that fails alike under several conditions is one entry."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from harness.records import DeviceRef
from harness.results.reasons import reason_words
from harness.results.record.device_tally import DeviceResult
from harness.results.record.run import RunRecord
from harness.results.record.steps import BAD_OUTCOMES, StepRecord
from harness.results.summary.corners import base_title, corner_result
from harness.results.wording import one_line


@dataclass(frozen=True, slots=True, kw_only=True)
class FailureGroup:
    """One failure or error of one device, or of the bus.

    Attributes:
        step: where it is worst.
        result: what was found there.
        conditions: those under which it came, in order; empty of a step without any.
    """

    step: StepRecord
    result: DeviceResult
    conditions: tuple[str, ...] = ()

    @property
    def title(self) -> str:
        """Title of the step; of several conditions it says how many, and the worst."""
        title = one_line(self.step.title or self.step.kind)
        if len(self.conditions) < 2:
            return title
        where = one_line(self.step.condition)
        return (
            f"{one_line(base_title(self.step))} at {len(self.conditions)} conditions, "
            f"worst at {where}"
        )

    @property
    def message(self) -> str:
        """What happened, and after how many attempts."""
        shown, tries = self.result.shown, self.result.retries
        after = f" (after {tries + 1} attempts)" if tries else ""
        return one_line(shown.message or reason_words(shown.kind)) + after


def failure_groups(record: RunRecord) -> list[FailureGroup]:
    """Every failure and error, in the order of the steps."""
    together: dict[object, list[tuple[StepRecord, DeviceResult]]] = {}
    for number, (step, result) in enumerate(record.results):
        if result.outcome not in BAD_OUTCOMES:
            continue
        key: object = number
        if step.condition:
            key = _alike(step, result.device, result)
        together.setdefault(key, []).append((step, result))
    return [_group(found) for found in together.values()]


def _alike(step: StepRecord, device: DeviceRef | None, result: DeviceResult) -> object:
    return device, base_title(step), result.outcome, result.shown.kind


def _group(found: Sequence[tuple[StepRecord, DeviceResult]]) -> FailureGroup:
    step, result = min(found, key=lambda each: corner_result(*each).rank)
    conditions = (each.condition for each, _ in found if each.condition)
    return FailureGroup(
        step=step, result=result, conditions=tuple(dict.fromkeys(conditions))
    )
