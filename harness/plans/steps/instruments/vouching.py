"""A failure counts only while the instruments of the bench are as they were set.

A supply whose mains was pulled leaves a dark bus, and each device on it fails: that is
the bench's error. What was set is asked again before a failure leaves its step.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from harness.errors import InstrumentFault
from harness.plans.steps.context import Context
from harness.records import CheckResult, Outcome


def vouched(context: Context, results: Iterator[CheckResult]) -> Iterator[CheckResult]:
    """Results; a failure beside an instrument that is not as set is an error."""
    for result in results:
        fault = _fault(context) if result.outcome is Outcome.FAILED else None
        yield _of_the_bench(result, fault) if fault else result


def _fault(context: Context) -> InstrumentFault | None:
    for instrument in context.instruments.all:
        try:
            instrument.require_as_set()
        except InstrumentFault as fault:
            return fault
    return None


def _of_the_bench(result: CheckResult, fault: InstrumentFault) -> CheckResult:
    return replace(
        result,
        outcome=Outcome.ERROR,
        kind=fault.kind,
        message=f"{fault.where}: {fault.what}; what failed meanwhile counts for nothing: "
        f"{result.message}",
        hint=fault.hint,
    )
