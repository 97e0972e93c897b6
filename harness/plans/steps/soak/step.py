"""The soak step: readings of all devices, round after round, for hours.

Every error goes to the journal with its time when it happens, and every round
leaves its counts. An adapter that goes away does not end the soak: it is waited for,
the gap is noted, and what was under way when it went is done again. A soak that was
cut goes on from what the journal has of it.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

from harness.errors import (
    AdapterError,
    AdapterUnplugged,
    DeviceError,
    LineError,
    LineShorted,
    SlotproofError,
)
from harness.plans.schema.soak import Soak
from harness.plans.steps.attempts import settle
from harness.plans.steps.context import Context
from harness.plans.steps.dependencies.configuring import make_up_settings
from harness.plans.steps.dependencies.converting import (
    can_convert,
    convert_together,
)
from harness.plans.steps.read_with_repeats import read_with_repeats
from harness.plans.steps.soak.drifting import is_judged, own_drifts
from harness.plans.steps.soak.estimate import Outlook, outlook
from harness.plans.steps.soak.lines import SoakLines
from harness.plans.steps.soak.live_traces import LiveTraces
from harness.plans.steps.soak.side_tasks import SideTasks
from harness.plans.steps.soak.stop import StopRule
from harness.plans.steps.soak.tally import SoakCounts, SoakTally
from harness.plans.steps.soak.verdicts import bus_result, device_result
from harness.records import CheckResult, DeviceRef, Outcome
from harness.results.soak.events import (
    OUT_OF_LIMITS,
    RESUMED,
    STARTED,
    STOPPED,
    SoakError,
    SoakResumed,
    SoakStarted,
    SoakStopped,
)
from harness.results.soak.record import SoakRecord

_REOPEN_EVERY_S = 1.0
_PATIENCE_S = 3600.0
"""A soak that counts cycles waits so long for its adapter, or to its planned end."""

_ROUNDING_S = 1e-3
"""A sum of distances may miss a whole duration by the rounding of floats."""

_Reportable = (AdapterError, LineError, DeviceError)
"""What a soak counts; a mistake of the plan ends it instead."""


def run_soak(context: Context, body: Soak) -> Iterator[CheckResult]:
    """Rounds until the time or the number of cycles is up, then one result a device."""
    before = context.soaks.get(context.step)
    devices = [
        device
        for device in context.targets(body.family)
        if body.quantity in context.kinds.quantities(device.family)
    ]
    if not devices:
        yield CheckResult(
            outcome=Outcome.SKIPPED,
            kind="no-device",
            message=f"no device here can be asked for {body.quantity}",
        )
        return
    for device in devices:
        make_up_settings(context, device, body.quantity)
    counts = SoakCounts.of(devices, before)
    elapsed_s = _taken_up_at(before, body.every_s) if before else 0.0
    soaking = _Soaking(context, body, counts, elapsed_s=elapsed_s, before=before)
    soaking.run()
    drifts = own_drifts(body, soaking.record)
    notes = context.take_remarks()
    bus = bus_result(body, counts, go_on=context.go_on)
    yield replace(bus, notes=notes)
    for tally in counts.tallies:
        unit = context.kinds.unit_of(tally.device.family, body.quantity)
        drift = drifts.get(tally.device.rom_code)
        yield device_result(body, tally, counts, unit=unit, drift=drift)


def _taken_up_at(before: SoakRecord, every_s: float) -> float:
    """Time under test that lies behind: up to when the next round was due."""
    if every_s <= 0:
        return before.elapsed_s
    return math.ceil(before.elapsed_s / every_s) * every_s


def _head(
    body: Soak, devices: list[DeviceRef], view: Outlook, unit: str
) -> SoakStarted:
    """What stands at the head of a soak: what it does, and what it can prove."""
    return SoakStarted(
        quantity=body.quantity,
        unit=unit,
        low=body.low,
        high=body.high,
        devices=tuple(devices),
        outlook=view,
        sentences=tuple(view.sentences()),
        claim_of=body.claim.of if body.claim else None,
        events_within_s=body.events_within_s,
    )


class _Soaking:
    """One soak in progress."""

    def __init__(
        self,
        context: Context,
        body: Soak,
        counts: SoakCounts,
        *,
        elapsed_s: float,
        before: SoakRecord | None,
    ) -> None:
        self._context = context
        self._body = body
        self._counts = counts
        self._devices = [tally.device for tally in counts.tallies]
        self._view = outlook(body, len(self._devices))
        # as if it had begun so long ago: a gap between two runs is no time under test
        self._started_s = context.clock.now_s() - elapsed_s
        self._live = LiveTraces(
            context.note,
            context.clock,
            step=context.step,
            keeps=is_judged(body, len(self._devices)),
        )
        if before is not None:
            self._live.go_on_from(before)
        self._lines = SoakLines(
            self._live.note, context.clock, counts, body, self._view
        )
        self._besides = SideTasks(context, body, self._lines, elapsed_s=elapsed_s)
        self._stop = StopRule(body.stop_at)
        self._converted = False

    def run(self) -> None:
        """All rounds."""
        if self._counts.cycles:
            elapsed_s = round(self._elapsed_s, 3)
            resumed = SoakResumed(cycle=self._counts.cycles, elapsed_s=elapsed_s)
            self._lines.note(RESUMED, resumed)
        else:
            family = self._devices[0].family
            unit = self._context.kinds.unit_of(family, self._body.quantity)
            head = _head(self._body, self._devices, self._view, unit)
            self._lines.note(STARTED, head)
        self._besides.take_events()
        try:
            self._rounds()
        finally:
            # Ctrl-C too: what was counted must not be lost
            self._counts.elapsed_s = self._elapsed_s
            self._lines.write(self._elapsed_s)
            self._besides.take_events(last=True)

    @property
    def record(self) -> SoakRecord:
        """The readings over time, also those before the run was taken up again."""
        return self._live.record

    @property
    def _elapsed_s(self) -> float:
        return self._context.clock.now_s() - self._started_s

    def _rounds(self) -> None:
        counts, clock = self._counts, self._context.clock
        due_s = clock.now_s()
        while not self._over(due_s):
            clock.sleep(due_s - clock.now_s())
            self._round()
            due_s += self._body.every_s
            if clock.now_s() > due_s:
                counts.late_cycles += self._body.every_s > 0
                due_s = clock.now_s()

    def _over(self, at_s: float) -> bool:
        """True if no round may begin at this time."""
        body, counts = self._body, self._counts
        if counts.away or (body.cycles is not None and counts.cycles >= body.cycles):
            return True
        if why := self._stop.reason(counts):
            counts.stopped = why
            self._lines.note(STOPPED, SoakStopped(why=why, cycle=counts.cycles))
            return True
        elapsed_s = at_s - self._started_s + _ROUNDING_S
        return body.for_s is not None and elapsed_s >= body.for_s

    def _round(self) -> None:
        self._measure_margins()
        self._start_together()
        cycle = self._counts.cycles + 1
        kept = self._counts.kept()
        lost = []
        for tally in self._counts.tallies:
            before, from_s = tally.lost, self._context.clock.now_s()
            value = self._read_patiently(tally, cycle)
            tally.took_s += self._context.clock.now_s() - from_s
            tally.timed += 1
            if value is not None:
                self._lines.take(tally.device.rom_code, value)
            elif tally.lost > before:
                lost.append(tally)
        if self._counts.away:
            self._counts.go_back(kept)
            return
        self._counts.round_over(lost)
        self._counts.cycles = cycle
        self._lines.round_done(self._elapsed_s)
        self._besides.take_events()

    def _measure_margins(self) -> None:
        if not self._besides.margins_due:
            return
        try:
            self._besides.measure_margins(self._devices)
        except AdapterUnplugged as fault:
            self._report(None, fault, self._counts.cycles + 1)
            self._recover(fault)

    def _start_together(self) -> None:
        """One conversion for all where the quantity allows it."""
        self._converted = False
        kinds = self._context.kinds
        starts = dict.fromkeys(
            kinds.family_of(device.family).convert_all
            for device in self._devices
            if kinds.quantities(device.family)[self._body.quantity].reread is not None
        )
        if not starts or None in starts:
            return
        if not all(can_convert(self._context, device) for device in self._devices):
            return  # each is put to its own conversion
        try:
            self._context.begin_check()  # characters between rounds belong to no reading
            convert_together(self._context, self._devices)
        except _Reportable as caught:
            fault = self._vouched(caught)
            self._counts.errors[fault.kind] += 1
            if not isinstance(fault, AdapterError):
                self._counts.starts += 1
                self._counts.failed_starts += 1
            self._report(None, fault, self._counts.cycles + 1)
            self._recover(fault)
        else:
            self._counts.starts += 1
            self._converted = True

    def _read_patiently(self, tally: SoakTally, cycle: int) -> float | None:
        """One reading, tried again as the step allows; None if it was lost or invalid.

        A try that the unplugged adapter spoilt is no try.
        """
        tried, fault = 0, None
        while tried <= self._body.retries and not self._counts.away:
            try:
                self._context.begin_check()
                value = self._ask(tally, first=tried == 0)
            except _Reportable as caught:
                fault = self._vouched(caught)
                tally.blame(fault)
                self._report(tally, fault, cycle)
                self._recover(fault)
                tried += not isinstance(fault, AdapterUnplugged)
                continue
            tally.retries += tried
            tally.take(value)
            self._judge_value(tally, value, cycle)
            return value
        tally.retries += max(0, tried - 1)
        if isinstance(fault, LineError | DeviceError):
            tally.lost += 1
        else:
            tally.invalid += 1
        return None

    def _vouched(self, fault: SlotproofError) -> SlotproofError:
        """The fault itself, or that of the adapter where its echoes do not hold.

        Takes 0.2 s; a failure that the adapter may have made is no device's.
        """
        if isinstance(fault, AdapterError):
            return fault
        bus = self._context.bus
        if not bus.adapter.can_be_proved:
            return fault
        try:
            return bus.doubt(low=isinstance(fault, LineShorted), quick=True) or fault
        except AdapterError as gone:
            return gone

    def _ask(self, tally: SoakTally, *, first: bool) -> float:
        context, device = self._context, tally.device
        quantity = context.kinds.quantities(device.family)[self._body.quantity]
        # after a failure the device may have lost its conversion: never the old value
        shared = first and self._converted and quantity.reread is not None
        shared = shared and context.conversions.of(device.rom_code) is not None
        session = context.session(device)
        with context.conversions.watched(
            session, step=context.step, title=context.here
        ):
            answer, held = read_with_repeats(quantity, session, fresh=not shared)
        tally.errors.update(attempt.kind for attempt in held)
        tally.failed += len(held)
        tally.retries += len(held)
        return float(answer.value)

    def _judge_value(self, tally: SoakTally, value: float, cycle: int) -> None:
        low, high = self._body.low, self._body.high
        if (low is not None and value < low) or (high is not None and value > high):
            tally.out_of_limits += 1
            self._lines.error(
                SoakError(
                    device=tally.device.rom_code,
                    kind=OUT_OF_LIMITS,
                    message=f"{self._body.quantity} {value:g}",
                    cycle=cycle,
                )
            )

    def _report(
        self, tally: SoakTally | None, fault: SlotproofError, cycle: int
    ) -> None:
        """The error and its time into the journal."""
        self._lines.error(
            SoakError(
                device=tally.device.rom_code if tally else None,
                kind=fault.kind,
                message=fault.what,
                cycle=cycle,
                blame="adapter" if isinstance(fault, AdapterError) else "bus",
                evidence=self._context.bus.evidence(),
            )
        )

    def _recover(self, fault: SlotproofError) -> None:
        if isinstance(fault, AdapterUnplugged):
            self._wait_for_adapter()
        else:
            settle(self._context, fault)

    def _wait_for_adapter(self) -> None:
        """Until the adapter is back or patience ends; the gap is recorded."""
        clock = self._context.clock
        from_s = clock.now_s()
        self._converted = False
        self._counts.away = True
        while self._counts.away and clock.now_s() < self._patient_until_s(from_s):
            clock.sleep(_REOPEN_EVERY_S)
            try:
                self._context.bring_adapter_back()
            except AdapterError:
                continue
            self._counts.away = False
        to_s = clock.now_s()
        self._counts.gaps += 1
        self._counts.gap_s += to_s - from_s
        self._lines.gap(from_s - self._started_s, to_s - self._started_s)

    def _patient_until_s(self, from_s: float) -> float:
        body = self._body
        if body.for_s is not None:
            return self._started_s + body.for_s
        planned_s = self._started_s + (body.cycles or 0) * body.every_s
        return max(planned_s, from_s + _PATIENCE_S)
