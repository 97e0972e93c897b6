"""Devices whose settings an error left unknown, and what is not judged for it.

A step that writes to a device and ends in an error has written all, a part or nothing.
A limit that depends on settings is then no verdict on the device until it was set up.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from harness.plans.schema.bodies import Configure, Convert, Enumerate, Read, StepBody
from harness.plans.schema.checks import CheckBody
from harness.plans.schema.measure import Shmoo
from harness.plans.schema.transact import Transact
from harness.plans.schema.trials import Stress
from harness.records import CheckResult, DeviceRef, Outcome

KIND = "unsettled"
"""Kind of a result that rests on unknown settings."""

_WRITING = (Configure, CheckBody, Shmoo, Stress)


def _writes(body: StepBody) -> bool:
    """True of a step that may leave other settings when it ends in an error."""
    return isinstance(body, _WRITING) or (
        isinstance(body, Transact) and bool(body.hazard)
    )


_RESTING = frozenset({"limit", "count"})
"""Kinds of failure that settings of the device decide."""

_EVERYBODY = ""
_SETTLED = ""


@dataclass
class Unsettled:
    """Steps that left settings unknown, by the device's ROM code; empty once set up."""

    _steps: dict[str, str] = field(default_factory=dict)

    def take(
        self, body: StepBody, device: DeviceRef | None, result: CheckResult, step: str
    ) -> CheckResult:
        """Learn from a result; an error instead of a failure that rests on settings."""
        code = device.rom_code if device else _EVERYBODY
        if _writes(body) and result.outcome is Outcome.ERROR:
            if code == _EVERYBODY:
                self._steps.clear()
            self._steps[code] = step
        elif isinstance(body, Configure) and result.outcome is Outcome.PASSED:
            self._steps[code] = _SETTLED
        cause = self._cause(body, code)
        if not cause or result.outcome is not Outcome.FAILED:
            return result
        if result.kind not in _RESTING:
            return result
        return replace(
            result,
            outcome=Outcome.ERROR,
            kind=KIND,
            message=f"{result.message}; not judged: step {cause}, which writes to the "
            "device, ended in an error",
            hint="see to that error first, then run again",
        )

    def _cause(self, body: StepBody, code: str) -> str:
        """The step that left unknown what a step judges; empty if none did."""
        if isinstance(body, Read | CheckBody | Configure | Transact):
            return self._steps.get(code, self._steps.get(_EVERYBODY, _SETTLED))
        if isinstance(body, Convert) or (isinstance(body, Enumerate) and body.alarm):
            return next(filter(None, self._steps.values()), _SETTLED)
        return _SETTLED
