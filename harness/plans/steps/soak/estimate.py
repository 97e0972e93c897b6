"""What a soak can prove, and what it writes, reported before it runs.

From the plan alone; with the number of devices it says more. What is proved afterwards
is in the results and the report.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

from harness.plans.schema.soak import Soak
from harness.quality.rates import trials_needed
from harness.results.soak.events import USUAL_CONFIDENCE, USUAL_RATE, SoakOutlook

_MB = 1_000_000
_PROGRESS_SHARE = 0.75
"""Of the soak's room in the journal; the rest is for errors, events and margins."""

_LINE_BYTES, _DEVICE_BYTES = 600, 260
"""Longest progress line: its frame with a line of gaps before it, and every count of a
device in it."""


class Outlook(SoakOutlook):
    """What a soak can prove at best, and how to say it."""

    __slots__ = ()

    def best_rate(self, trials: int) -> float:
        """Rate that so many trials prove without an error."""
        return float(-math.expm1(math.log(1 - self.confidence) / trials))

    def sentences(self) -> Iterator[str]:
        """The outlook in words."""
        yield from self._best()
        yield from self._needed()
        yield self._journal()

    def _best(self) -> Iterator[str]:
        sure = f"{100 * self.confidence:g} %"
        if self.rounds is None:
            yield "the bus sets the pace, so the number of readings is not known before"
            return
        text = (
            f"{self.rounds} readings of each device; without an error they prove an error "
            f"rate of at most {self.best_rate(self.rounds):.3g} for it"
        )
        if self.devices:
            trials = self.rounds * self.devices
            text += f", and {self.best_rate(trials):.3g} for the bus of {self.devices}"
        yield f"{text} ({sure} confidence)"

    def _needed(self) -> Iterator[str]:
        for allowed in (0, 1):
            trials = trials_needed(
                rate=self.rate, errors_allowed=allowed, confidence=self.confidence
            )
            how_many = "no error" if allowed == 0 else "one error"
            text = (
                f"to demonstrate {self.rate:g} with {how_many} takes {trials} readings"
            )
            times = list(self._times(trials))
            yield f"{text}: {', '.join(times)}" if times else text

    def _times(self, trials: int) -> Iterator[str]:
        if self.every_s <= 0:
            return
        yield f"{trials * self.every_s / 3600:.4g} h for each device"
        if self.devices:
            rounds = math.ceil(trials / self.devices)
            yield f"{rounds * self.every_s / 3600:.4g} h for the bus"

    def _journal(self) -> str:
        shared = (
            "one line a round"
            if self.rounds_per_line == 1 and self.least_s_per_line <= self.every_s
            else f"one line for {self.rounds_per_line} rounds or more"
        )
        return f"the journal grows by at most {self.journal_mb:g} MB, {shared}"


def outlook(body: Soak, devices: int | None = None) -> Outlook:
    """The outlook of a soak.

    Args:
        body: the step.
        devices: how many it will read, where known.
    """
    claim = body.claim
    rounds = body.planned_rounds
    room = body.journal_mb * _MB * _PROGRESS_SHARE
    lines = max(1, int(room / (_LINE_BYTES + _DEVICE_BYTES * (devices or 8))))
    return Outlook(
        rounds=rounds,
        every_s=body.every_s,
        devices=devices,
        rate=claim.error_rate if claim else USUAL_RATE,
        confidence=claim.confidence if claim else USUAL_CONFIDENCE,
        wanted=claim is not None,
        journal_mb=body.journal_mb,
        rounds_per_line=math.ceil(rounds / lines) if rounds else 1,
        least_s_per_line=body.for_s / lines if body.for_s and rounds is None else 0.0,
    )


def side_room_bytes(body: Soak) -> int:
    """Room for lines of errors, gaps, events and margins, bytes."""
    return int(body.journal_mb * _MB * (1 - _PROGRESS_SHARE))
