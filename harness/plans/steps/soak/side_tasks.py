"""What a soak does beside its readings: events from a file, timing margins."""

from __future__ import annotations

from datetime import UTC, timedelta
from pathlib import Path

from harness.errors import AdapterError, SlotproofError
from harness.plans.schema.soak import Soak
from harness.plans.steps.attempts import settle
from harness.plans.steps.context import Context
from harness.plans.steps.soak.events import EventFile
from harness.plans.steps.soak.lines import SoakLines
from harness.plans.steps.soak.margins import measure_margins
from harness.records import DeviceRef
from harness.results.soak.events import HAPPENING, MARGIN, SoakError, SoakHappening
from harness.timing.edges import NotMeasurable
from harness.timing.survey import Name


class SideTasks:
    """Events and margins of one soak.

    Args:
        context: of the run.
        body: the step.
        lines: where they are written.
        elapsed_s: time under test that lies behind.
    """

    def __init__(
        self, context: Context, body: Soak, lines: SoakLines, *, elapsed_s: float
    ) -> None:
        self._context = context
        self._lines = lines
        self._every_s = body.margins_every_s
        self._margins_due_s = context.clock.now_s()
        self._lacking: set[Name] = set()
        self._events: EventFile | None = None
        path = event_path(context, body)
        if path is not None:
            now = context.clock.calendar().astimezone(UTC)
            self._events = EventFile(path, now - timedelta(seconds=elapsed_s))
            if not path.exists():
                context.note("note", text=f"no event file yet: {path.name}")

    def take_events(self, *, last: bool = False) -> None:
        """Write down what is new in the event file."""
        if self._events is None:
            return
        found, wrong = self._events.new(last=last)
        for event in found:
            line = SoakHappening(happened_at=event.at.isoformat(), text=event.text)
            self._lines.beside(HAPPENING.name, **HAPPENING.written(line))
        for text in wrong:
            self._lines.beside("note", text=f"event file, {text}")

    @property
    def margins_due(self) -> bool:
        """True if margins are wanted and it is their time."""
        now_s = self._context.clock.now_s()
        return self._every_s is not None and now_s >= self._margins_due_s

    def measure_margins(self, devices: list[DeviceRef]) -> None:
        """Measure them all.

        Raises:
            AdapterUnplugged: the adapter went away.
        """
        assert self._every_s is not None
        self._margins_due_s = self._context.clock.now_s() + self._every_s

        def on_fault(device: DeviceRef | None, fault: SlotproofError) -> None:
            self._lines.error(
                SoakError(
                    device=device.rom_code if device else None,
                    kind=fault.kind,
                    message=f"margin not measured: {fault.what}",
                    blame="adapter" if isinstance(fault, AdapterError) else "margin",
                )
            )
            settle(self._context, fault)

        def on_lacking(
            _device: DeviceRef | None, name: Name, why: NotMeasurable
        ) -> None:
            # the same all night, and for every device
            if name not in self._lacking:
                self._lacking.add(name)
                self._lines.beside("note", text=f"margin {name} is {why.text}")

        for margin in measure_margins(self._context, devices, on_fault, on_lacking):
            self._lines.beside(MARGIN.name, **MARGIN.written(margin))


def event_path(context: Context, body: Soak) -> Path | None:
    """The event file: that of the command line, else that of the plan, else none."""
    if context.events is not None or body.events is None:
        return context.events
    folder = Path(context.plan.path).parent if context.plan.path else Path()
    return folder / body.events
