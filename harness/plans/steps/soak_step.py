"""The soak step: readings of all devices, round after round, for hours.

Counts are kept, not readings, so memory stays flat over a night; every error goes
to the journal with its time when it happens, and every round leaves one line. An
adapter that goes away does not end the soak: it is waited for and the gap noted.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

from harness.errors import (
    AdapterError,
    AdapterUnplugged,
    CheckValueWrong,
    NobodyAnswers,
    SlotproofError,
)
from harness.families.registry import family_of, quantities
from harness.plans.schema_trials import Soak
from harness.plans.steps.context import Context, Everybody
from harness.plans.steps.device_steps import anybody_on_parasite
from harness.records import CheckResult, DeviceRef, Measurement, Outcome

_REOPEN_EVERY_S = 1.0


@dataclass(slots=True)
class Tally:
    """Counts of one device over a soak."""

    device: DeviceRef
    readings: int = 0
    retries: int = 0
    lost: int = 0
    out_of_limits: int = 0
    errors: dict[str, int] = field(default_factory=dict)
    lowest: float | None = None
    highest: float | None = None
    total: float = 0.0

    def take(self, value: float) -> None:
        """Count one reading."""
        self.readings += 1
        self.total += value
        self.lowest = value if self.lowest is None else min(self.lowest, value)
        self.highest = value if self.highest is None else max(self.highest, value)

    def note(self, kind: str) -> None:
        """Count one error by its kind."""
        self.errors[kind] = self.errors.get(kind, 0) + 1


def run_soak(context: Context, body: Soak) -> Iterator[CheckResult]:
    """Rounds until the time or the number of cycles is up, then one result a device."""
    devices = [
        device
        for device in context.targets(body.family)
        if body.quantity in quantities(device.family)
    ]
    if not devices:
        yield CheckResult(
            outcome=Outcome.SKIPPED,
            message=f"no device here can be asked for {body.quantity}",
        )
        return
    soaking = _Soaking(context, body, devices)
    soaking.run()
    yield from soaking.results()


class _Soaking:
    """One soak in progress."""

    def __init__(self, context: Context, body: Soak, devices: list[DeviceRef]) -> None:
        self._context = context
        self._body = body
        self._tallies = [Tally(device) for device in devices]
        self._started_s = context.clock.now_s()
        self._cycles = 0
        self._late_cycles = 0
        self._gap_s = 0.0
        self._gaps = 0

    def run(self) -> None:
        """All rounds."""
        due_s = self._started_s
        while not self._over():
            self._context.clock.sleep(due_s - self._context.clock.now_s())
            self._round()
            due_s += self._body.every_s
            now_s = self._context.clock.now_s()
            if now_s > due_s:
                self._late_cycles += self._body.every_s > 0
                due_s = now_s

    def _over(self) -> bool:
        body = self._body
        if body.cycles is not None and self._cycles >= body.cycles:
            return True
        elapsed_s = self._context.clock.now_s() - self._started_s
        return body.for_s is not None and elapsed_s >= body.for_s

    def _round(self) -> None:
        self._cycles += 1
        readings: dict[str, float] = {}
        reread = self._start_round()
        for tally in self._tallies:
            value = self._read_patiently(tally, reread=reread)
            if value is not None:
                readings[tally.device.rom_code] = value
        self._context.note("soak_progress", cycle=self._cycles, readings=readings)

    def _start_round(self) -> bool:
        """One conversion for all where the quantity allows it; True if it was made."""
        devices = [tally.device for tally in self._tallies]
        starts = dict.fromkeys(
            family_of(device.family).convert_all
            for device in devices
            if quantities(device.family)[self._body.quantity].reread is not None
        )
        if not starts or None in starts:
            return False
        try:
            parasite = anybody_on_parasite(self._context, devices)
            for start in starts:
                if start is not None:
                    start(Everybody(self._context.bus), parasite)
        except SlotproofError as fault:
            self._note(None, fault)
            return False
        return True

    def _read_patiently(self, tally: Tally, *, reread: bool) -> float | None:
        """One reading, tried again as the step allows; None if it was lost."""
        quantity = quantities(tally.device.family)[self._body.quantity]
        session = self._context.session(tally.device)
        for number in range(self._body.retries + 1):
            # a device that lost its conversion must not be asked for the old value
            ask = quantity.reread if reread and number == 0 else None
            try:
                value = float((ask or quantity.read)(session).value)
            except SlotproofError as fault:
                self._note(tally, fault)
                if number < self._body.retries:
                    tally.retries += 1
                continue
            tally.take(value)
            self._judge_value(tally, value)
            return value
        tally.lost += 1
        return None

    def _judge_value(self, tally: Tally, value: float) -> None:
        low, high = self._body.low, self._body.high
        if (low is not None and value < low) or (high is not None and value > high):
            tally.out_of_limits += 1
            self._context.note(
                "soak_error",
                device=tally.device.rom_code,
                kind="limit",
                message=f"{self._body.quantity} {value:g}",
                cycle=self._cycles,
            )

    def _note(self, tally: Tally | None, fault: SlotproofError) -> None:
        """Count and record an error; wait for the adapter if it is that."""
        if tally is not None and not isinstance(fault, AdapterUnplugged):
            tally.note(fault.kind)
        self._context.note(
            "soak_error",
            device=tally.device.rom_code if tally else None,
            kind=fault.kind,
            message=fault.what,
            cycle=self._cycles,
            evidence=self._context.bus.evidence(),
        )
        if isinstance(fault, AdapterUnplugged):
            self._wait_for_adapter()
        elif isinstance(fault, AdapterError):
            self._settle()

    def _settle(self) -> None:
        try:
            self._context.bus.adapter.settle()
        except AdapterUnplugged:
            self._wait_for_adapter()

    def _wait_for_adapter(self) -> None:
        """Until the adapter is back or the soak's time is up; the gap is recorded."""
        clock = self._context.clock
        from_s = clock.now_s()
        while not self._over():
            clock.sleep(_REOPEN_EVERY_S)
            try:
                self._context.bus.adapter.reopen()
            except AdapterError:
                continue
            # volatile state of the devices may be gone with the power
            self._context.forget()
            break
        gap_s = clock.now_s() - from_s
        self._gaps += 1
        self._gap_s += gap_s
        started_s = self._started_s
        self._context.note(
            "gap",
            reason="adapter away",
            from_s=round(from_s - started_s, 3),
            to_s=round(from_s - started_s + gap_s, 3),
        )

    # -- results ---------------------------------------------------------------

    def results(self) -> Iterator[CheckResult]:
        """The bus as a whole, then each device."""
        yield self._bus_result()
        for tally in self._tallies:
            yield self._device_result(tally)

    def _bus_result(self) -> CheckResult:
        tolerate = self._body.tolerate
        retries = sum(tally.retries for tally in self._tallies)
        lost = sum(tally.lost for tally in self._tallies)
        wrong = sum(t.errors.get(CheckValueWrong.kind, 0) for t in self._tallies)
        absent = sum(t.errors.get(NobodyAnswers.kind, 0) for t in self._tallies)
        values = (
            Measurement(name="cycles", value=self._cycles, unit="cycles", low=1),
            Measurement(
                name="lost_readings",
                value=lost,
                unit="readings",
                high=tolerate.lost_readings,
            ),
            Measurement(
                name="retries", value=retries, unit="tries", high=tolerate.retries
            ),
            Measurement(
                name="check_values",
                value=wrong,
                unit="errors",
                high=tolerate.check_values,
            ),
            Measurement(name="missing_presence", value=absent, unit="resets"),
            Measurement(name="adapter_gaps", value=self._gaps, unit="gaps"),
            Measurement(name="adapter_away", value=round(self._gap_s, 3), unit="s"),
        )
        broken = [value for value in values if not value.holds]
        return CheckResult(
            outcome=Outcome.FAILED if broken else Outcome.PASSED,
            kind="soak" if broken else "",
            message="; ".join(
                f"{v.name} is {v.value}, allowed {v.high:g}"
                for v in broken
                if v.high is not None
            ),
            hint="see each device below: one device is a branch or a part, all together are line, supply or adapter"
            if broken
            else "",
            measurements=values,
            evidence={"late_cycles": self._late_cycles},
        )

    def _device_result(self, tally: Tally) -> CheckResult:
        quantity = self._body.quantity
        unit = quantities(tally.device.family)[quantity].unit
        values = [
            Measurement(name="readings", value=tally.readings, unit="readings", low=1),
            Measurement(name="lost_readings", value=tally.lost, unit="readings"),
            Measurement(name="retries", value=tally.retries, unit="tries"),
            Measurement(
                name="out_of_limits", value=tally.out_of_limits, unit="readings", high=0
            ),
        ]
        if tally.readings and tally.lowest is not None and tally.highest is not None:
            low, high = self._body.low, self._body.high
            values += [
                Measurement(
                    name=f"{quantity}_lowest",
                    value=tally.lowest,
                    unit=unit,
                    low=low,
                    high=high,
                ),
                Measurement(
                    name=f"{quantity}_highest",
                    value=tally.highest,
                    unit=unit,
                    low=low,
                    high=high,
                ),
                Measurement(
                    name=f"{quantity}_mean",
                    value=round(tally.total / tally.readings, 4),
                    unit=unit,
                ),
            ]
        bad = tally.out_of_limits or not tally.readings
        return CheckResult(
            outcome=Outcome.FAILED if bad else Outcome.PASSED,
            device=tally.device,
            kind="limit" if tally.readings and bad else ("lost" if bad else ""),
            message=_what_is_wrong(tally, quantity) if bad else "",
            hint="look at the times in the journal's soak_error lines" if bad else "",
            measurements=tuple(values),
            evidence={"errors": tally.errors},
        )


def _what_is_wrong(tally: Tally, quantity: str) -> str:
    if not tally.readings:
        return f"no {quantity} was read in {tally.lost} tries"
    return f"{tally.out_of_limits} of {tally.readings} readings of {quantity} out of limits"
