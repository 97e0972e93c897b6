"""Step kind -> what it does and how long that should take."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

from harness.diagnosis.expected_time import healthy_s
from harness.plans.plug_ins.step import expected_s as plug_in_expected_s
from harness.plans.plug_ins.step import run_plug_in
from harness.plans.steps.bench import run_prompt, run_switch, run_wait
from harness.plans.steps.bus import run_enumerate, run_reset, run_verify
from harness.plans.steps.check import expected_s as check_expected_s
from harness.plans.steps.check import run_check
from harness.plans.steps.context import Context
from harness.plans.steps.dependencies.configuring import run_configure
from harness.plans.steps.devices import run_convert, run_read
from harness.plans.steps.diagnose import effort_of, run_diagnose
from harness.plans.steps.diagnose import expected_s as diagnose_expected_s
from harness.plans.steps.instruments.setting import run_adjust, run_condition, run_meter
from harness.plans.steps.measure import run_measure
from harness.plans.steps.shmoo import run_shmoo
from harness.plans.steps.soak.step import run_soak
from harness.plans.steps.stress import run_stress
from harness.plans.steps.transact.step import expected_s as transact_expected_s
from harness.plans.steps.transact.step import run_transact
from harness.records import CheckResult

_ROUND_TRIP_S = 0.003
_TRANSACTION_S = 0.02
_CONVERSION_S = 0.65


@dataclass(frozen=True, slots=True, kw_only=True)
class StepKind:
    """One kind of step.

    Attributes:
        run: does it; yields a result for the bus or for each device.
        expected_s: rough time (of one device), for the progress display.
        by_device: True if the time is that of one device.
        on_bench: the time on the bench of a run, where that says more.
    """

    run: Callable[[Context, Any], Iterator[CheckResult]]
    expected_s: Callable[[Any], float]
    by_device: bool = False
    on_bench: Callable[[Any, Context], float] | None = None

    def told_s(self, body: Any, context: Context) -> float:  # noqa: ANN401 - a step body
        """What is told beforehand: by the bench where that says more."""
        if self.on_bench is None:
            return self.expected_s(body)
        return self.on_bench(body, context)


def _soak_s(body: Any) -> float:  # noqa: ANN401 - one of the step bodies
    if body.for_s is not None:
        return float(body.for_s)
    return float(body.cycles * body.every_s)


def _stress_s(body: Any) -> float:  # noqa: ANN401 - one of the step bodies
    slots, transactions = (72, 2) if body.slot == "read" else (16, 3)
    probes = math.ceil(body.slots / slots)
    return float(len(body.points_us) * probes * transactions * _TRANSACTION_S)


KINDS: dict[str, StepKind] = {
    "reset": StepKind(
        run=run_reset, expected_s=lambda body: body.times * 2 * _ROUND_TRIP_S
    ),
    "enumerate": StepKind(
        run=run_enumerate,
        expected_s=lambda body: body.scans * (body.count or 8) * 64 * _ROUND_TRIP_S,
    ),
    "verify": StepKind(
        run=run_verify, expected_s=lambda _: _TRANSACTION_S, by_device=True
    ),
    "convert": StepKind(run=run_convert, expected_s=lambda _: _CONVERSION_S),
    "read": StepKind(
        run=run_read,
        by_device=True,
        expected_s=lambda body: (
            body.average
            * (
                _CONVERSION_S
                if body.fresh and body.quantity == "temperature"
                else _TRANSACTION_S
            )
        ),
    ),
    "configure": StepKind(
        run=run_configure, expected_s=lambda _: 3 * _TRANSACTION_S, by_device=True
    ),
    "check": StepKind(run=run_check, expected_s=check_expected_s, by_device=True),
    "plug_in": StepKind(
        run=run_plug_in, expected_s=lambda _: 1.0, on_bench=plug_in_expected_s
    ),
    "transact": StepKind(
        run=run_transact, expected_s=transact_expected_s, by_device=True
    ),
    "wait": StepKind(run=run_wait, expected_s=lambda body: body.for_s),
    "prompt": StepKind(run=run_prompt, expected_s=lambda _: 0.0),
    "switch": StepKind(run=run_switch, expected_s=lambda body: body.settle_s),
    "stress": StepKind(
        run=run_stress,
        expected_s=_stress_s,
        by_device=True,
    ),
    "measure": StepKind(run=run_measure, expected_s=lambda _: 10.0),
    "shmoo": StepKind(
        run=run_shmoo,
        expected_s=lambda body: (
            _stress_s(body) * (len(body.against.values or ()) or body.against.rows)
        ),
        by_device=True,
    ),
    "adjust": StepKind(run=run_adjust, expected_s=lambda _: 1.0),
    "condition": StepKind(run=run_condition, expected_s=lambda _: 10.0),
    "meter": StepKind(run=run_meter, expected_s=lambda _: 0.2),
    "soak": StepKind(run=run_soak, expected_s=_soak_s),
    "diagnose": StepKind(
        run=run_diagnose,
        expected_s=lambda body: healthy_s(effort_of(body), (), _ROUND_TRIP_S),
        on_bench=diagnose_expected_s,
    ),
}
"""Every leaf kind; ``for_each`` and ``repeat`` are the runner's own."""
