"""One run of the plan on one unit: a run like any other, with two more questions.

At its end, before the verdict stands: is the unit still there, and do its ROM codes
belong to it? Both answers go into the journal as results of a last step, so every
report shows them and the verdict rests on the journal alone.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

from harness import ending
from harness.driver.adapter import Adapter
from harness.driver.bus import Bus
from harness.driver.self_check import AdapterReport
from harness.errors import AdapterError, AnswerImpossible
from harness.plans.execution.runner import Runner
from harness.plans.schema.steps import StepItem
from harness.records import CheckResult, DeviceRef, Measurement, Outcome
from harness.results.ledger.entry import KNOWN_ELSEWHERE, UNIT, UNIT_GONE, UnitFacts
from harness.results.ledger.ledger import Conflict
from harness.results.reports.calendar import moment_text
from harness.station.presence_poll import PresencePoll, feel
from harness.wire.romcode import RomCode

PROOF_LASTS_S = 900.0
"""An adapter that was proved while its position was empty is believed for so long."""

STEP = "unit"
"""Name of the step that the station adds to the plan's."""

Claim = Callable[[list[str], str], "tuple[Conflict, ...] | None"]
"""Makes ROM codes the unit's, for a run; None if nobody could be asked."""


class ProvedBus(Bus):
    """A bus whose adapter is proved between units, not during their tests.

    The slots are still fitted to the line with each unit in place.
    """

    def __init__(self, adapter: Adapter) -> None:
        super().__init__(adapter)
        self._plain_slots = self.slots
        self._report: AdapterReport | None = None
        self._proved_s = 0.0

    @property
    def needs_proof(self) -> bool:
        """True if the adapter should be proved before the next unit."""
        age_s = self.clock.now_s() - self._proved_s
        return self._report is None or age_s > PROOF_LASTS_S

    def forget_proof(self) -> None:
        """Something went wrong: believe nothing."""
        self._report = None

    def prove(self) -> AdapterReport:
        """Prove the adapter, or take the last proof, and fit the slots.

        Raises:
            AdapterError: see ``Adapter.self_check``.
        """
        self.use_standard()
        self.slots = self._plain_slots
        if self._report is None or self.needs_proof:
            self._report = None
            self._report = super().prove()
            self._proved_s = self.clock.now_s()
        else:
            self._fit_slots()
        return self._report


class UnitRunner(Runner):
    """Runs the plan on one unit.

    Args:
        unit: the unit; its facts go into ``run_started``.
        claim: asks whose the ROM codes are.
        answers: True if the unit answered before its test, so that it can go away.
        number_goes_out: called before the first bit of the unit's number is sent, with
            True if the device holds another record.
        **of_run: what ``Runner`` takes.
    """

    def __init__(
        self,
        *,
        unit: UnitFacts,
        claim: Claim,
        answers: bool = True,
        number_goes_out: Callable[[bool], None] = lambda _over: None,
        **of_run: Any,  # noqa: ANN401 - as ``Runner`` has them
    ) -> None:
        super().__init__(**of_run)
        self._unit = unit
        self._claim = claim
        self._answers = answers
        self._number_goes_out = number_goes_out
        self._run_id = ""
        self.context.record_goes_out = self._settle_record

    def _settle_record(self, rom_code: str, over: bool) -> None:
        """Before a record is written: whose device is this, and whose number goes out?

        Raises:
            AnswerImpossible: the ROM code belongs to another unit.
            HostError: it cannot be noted that the number is used.
        """
        if self._unit.serial:
            conflicts = self._claim([rom_code], self._run_id)
            if conflicts is None:
                self.context.remark(
                    "the ledger is away: whose this ROM code is was asked of this "
                    "station's own units only, before the record was written"
                )
            for conflict in conflicts or ():
                raise AnswerImpossible(
                    f"ROM code {rom_code} was seen before in unit {conflict.owner} "
                    f"({_when(conflict)}); its record was not written",
                    hint="a copied device, or a label read wrongly: compare both units",
                    cause="configuration",
                )
        if "count" in self._plan.mentions:
            self._number_goes_out(over)

    def _refusal(self, item: StepItem) -> CheckResult | None:
        """A step for units that passed also wants the unit's ROM codes to be its own."""
        refused = super()._refusal(item)
        if refused or not self._passed_before.guards(item) or not self._unit.serial:
            return refused
        sound = [code for code, _ in _sound(self.context.devices or [])]
        conflicts = self._claim(sound, self._run_id)
        if conflicts is None:
            text = (
                "the ledger is away: whose the ROM codes are was asked of this station"
            )
            self._record("note", text=f"{text}'s own units only, before step {item.id}")
        for conflict in conflicts or ():
            return self._passed_before.leave_out(
                item,
                f"ROM code {conflict.rom_code} was seen before in unit "
                f"{conflict.owner} ({_when(conflict)})",
            )
        return None

    def end(self, *, interrupted: bool = False, by: str = ending.CTRL_C) -> int:
        """Ask the two last questions, then end as every run does."""
        if not interrupted and self._cannot_begin is None:
            self._ask_last_questions()
        return super().end(interrupted=interrupted, by=by)

    def _record(self, event: str, **fields: Any) -> None:  # noqa: ANN401 - plain facts
        if event == "run_started":
            fields[UNIT.name] = UNIT.written(self._unit)
            self._run_id = str(fields["run_id"])
        super()._record(event, **fields)

    def _ask_last_questions(self) -> None:
        """As a step of their own, behind those of the plan; no step without an answer."""
        if answers := list(self._last_questions()):
            self._record_step(
                iter(answers),
                step=STEP,
                kind="unit",
                title="unit still present, ROM codes unique",
                expected_s=0.0,
            )

    def _last_questions(self) -> Iterator[CheckResult]:
        bad = self._worst in {Outcome.FAILED, Outcome.ERROR}
        if bad and self._answers and self._is_gone():
            yield CheckResult(
                outcome=Outcome.ERROR,
                kind=UNIT_GONE,
                message="the unit went away during its test, which is invalid",
                hint="leave it in until the verdict; if it was not pulled, it fell "
                "silent: look at its contacts and its supply",
            )
        if self.context.devices and self._unit.serial:
            yield from self._whose(self.context.devices)

    def _is_gone(self) -> bool:
        try:
            return (
                feel(self._bus, frozenset(self._fixture.references))
                is PresencePoll.NOBODY
            )
        except AdapterError:
            return False

    def _whose(self, devices: list[DeviceRef]) -> Iterator[CheckResult]:
        sound = dict(_sound(devices))
        conflicts = self._claim(list(sound), self._run_id)
        if conflicts is None:
            yield CheckResult(
                outcome=Outcome.SKIPPED,
                kind="ledger-away",
                message="the ledger is away: ROM codes were compared with this "
                "station's own units only; the rest follows when it is back",
            )
            return
        foreign = {conflict.rom_code: conflict for conflict in conflicts}
        for rom_code, device in sound.items():
            yield _judged(device, self._unit.serial, foreign.get(rom_code))


def _sound(devices: list[DeviceRef]) -> Iterator[tuple[str, DeviceRef]]:
    """Devices by ROM code, where its CRC holds."""
    for device in devices:
        if RomCode.parse(device.rom_code).crc_holds:
            yield device.rom_code, device


def _when(conflict: Conflict) -> str:
    return moment_text(conflict.since, None)


def _judged(device: DeviceRef, serial: str, conflict: Conflict | None) -> CheckResult:
    owner = conflict.owner if conflict else serial
    value = Measurement(name="rom_code_owner", value=owner, wanted=serial)
    if conflict is None:
        return CheckResult(outcome=Outcome.PASSED, device=device, measurements=(value,))
    lot = f"lot {conflict.owner_lot}, " if conflict.owner_lot else ""
    return CheckResult(
        outcome=Outcome.FAILED,
        device=device,
        kind=KNOWN_ELSEWHERE,
        message=f"ROM code {device.rom_code} was seen before in unit {owner} "
        f"({lot}station {conflict.owner_station or 'unknown'}, {_when(conflict)})",
        hint="a copied device, or a label read wrongly: compare both units",
        measurements=(value,),
    )
