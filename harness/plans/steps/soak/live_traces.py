"""The readings of a soak over time while it runs, as its journal holds them.

The verdict must not differ from the page: both fold the same lines (``results.soak``), in
memory that a longer soak does not grow.
"""

from __future__ import annotations

import copy
from collections.abc import Callable
from typing import Any

from harness.clock import Clock
from harness.results.soak.events import PROGRESS
from harness.results.soak.record import BUS, DeviceSoak, SoakRecord


class LiveTraces:
    """Notes the lines of one soak, and keeps the readings in them.

    Args:
        note: records an event.
        clock: the port's clock.
        step: number of the step.
        keeps: False to keep nothing, where no verdict needs it.

    Attributes:
        record: the readings by ROM code; nothing else of the soak.
    """

    def __init__(
        self, note: Callable[..., None], clock: Clock, *, step: str, keeps: bool = True
    ) -> None:
        self._note = note
        self._keeps = keeps
        self._clock = clock
        self._from_s = clock.now_s()
        self.record = SoakRecord(step, 0.0, "")

    def go_on_from(self, before: SoakRecord) -> None:
        """Begin with the readings of a run that was cut."""
        # between two parts any time may lie: it is left out of the time under test
        self._from_s -= before.now_s
        self.record.cycles = before.cycles
        for key, device in before.devices.items():
            if key == BUS:
                continue
            kept = DeviceSoak(label=device.label, trace=copy.deepcopy(device.trace))
            kept.trace.begin_part()
            self.record.devices[key] = kept

    def note(self, event: str, **fields: Any) -> None:  # noqa: ANN401 - plain facts
        """Write a line, and take its readings in."""
        self._note(event, **fields)
        if self._keeps and event == PROGRESS.name:
            at_s = self._clock.now_s() - self._from_s
            self.record.add({"event": event, "t_s": at_s, **fields})
