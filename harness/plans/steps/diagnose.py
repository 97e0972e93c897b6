"""Step diagnose, and the short diagnosis that a failed step of a run can carry."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import replace
from typing import Any

from harness.diagnosis.declared import Declared
from harness.diagnosis.diagnosis import DIAGNOSIS, Diagnosis
from harness.diagnosis.effort import Effort
from harness.diagnosis.engine import Examination
from harness.diagnosis.evidence.bus import Evidence
from harness.diagnosis.evidence.expected import Expected
from harness.diagnosis.evidence.kinds import FailedCheck
from harness.diagnosis.expected_time import healthy_s
from harness.diagnosis.finding import NO_VERDICT, Finding, FindingSeverity
from harness.diagnosis.titles import title_of
from harness.errors import SlotproofError
from harness.plans.execution.seating import Seating, seat
from harness.plans.schema.diagnose import Diagnose
from harness.plans.schema.fixture import Expectation, Fixture, Socket
from harness.plans.schema.steps import StepItem
from harness.plans.steps.context import Context, detail_of
from harness.records import Bound, CheckResult, Measurement, Outcome


def effort_of(body: Diagnose) -> Effort:
    """What the step asks for."""
    return Effort(
        listen_s=body.listen_s,
        resets=body.resets,
        slots=body.slots,
        scans=body.scans,
        verifies=body.verifies,
        reads=body.reads,
        rounds=body.rounds,
        alone=body.alone,
        means=body.means,
    )


def run_diagnose(context: Context, body: Diagnose) -> Iterator[CheckResult]:
    """The whole examination; one result for the bus, its evidence in the journal."""
    effort = effort_of(body)
    started_s = context.clock.now_s()
    found = examine(context, effort)
    took_s = round(context.clock.now_s() - started_s, 6)
    yield replace(result_of(found), duration_s=took_s)


def expected_s(body: Diagnose, context: Context) -> float:
    """Time of the examination on this bench if nothing is wrong.

    For the devices that the run has found, else for those that the fixture expects: how
    many there are besides nobody knows before the search.
    """
    families = [device.family for device in context.devices or ()] or [
        code
        for socket in context.fixture.sockets
        if (code := socket.expect.family_code) is not None
    ]
    return healthy_s(effort_of(body), families, context.bus.adapter.round_trip_s)


def examine(
    context: Context, effort: Effort, failed: FailedCheck | None = None
) -> Diagnosis:
    """Examine the bus of a run; sessions forget what may have changed.

    Raises:
        SlotproofError: never on purpose; probes keep errors as evidence.
    """
    examination = Examination(
        context.bus,
        declared=lambda codes: declared_by(
            context.fixture_in_force, codes, built_for_v=context.fixture.line.supply_v
        ),
        failed=failed,
        effort=effort,
        kinds=context.kinds,
        tell=context.note,
    )
    try:
        return examination.run()
    finally:
        context.forget("a diagnosis converted since")


def declared_by(
    fixture: Fixture, found: Iterable[str] = (), *, built_for_v: float | None = None
) -> Declared:
    """What a fixture declares, as far as a diagnosis can use it.

    Args:
        fixture: the fixture.
        found: ROM codes found before, in print form: one that no socket names may turn
            out to be the only one for its socket.
        built_for_v: supply that the line was built for, where an instrument may feed it.
    """
    codes = set(found)
    seating = seat(fixture, codes)
    return Declared(
        expected=_expected(fixture, seating, built_for_v),
        sockets={code: seating.about(code) for code in codes},
    )


def _expected(
    fixture: Fixture, seating: Seating, built_for_v: float | None
) -> Expected:
    line, sockets = fixture.line, fixture.sockets
    tied = {name: code for code, name in seating.tied.items()}
    codes = {
        code: socket
        for socket in sockets
        if (code := socket.expect.rom_code or tied.get(socket.name))
    }
    return Expected(
        rom_codes={code: socket.name for code, socket in codes.items()},
        devices=sum(socket.expect.family_code is not None for socket in sockets),
        pull_up_ohm=line.pull_up_ohm,
        cable_pf=line.cable_m * line.cable_pf_per_m,
        parasite=_codes_where(codes, lambda expect: expect.supply == "parasite"),
        no_load=_codes_where(codes, lambda expect: expect.no_load),
        supply_v=line.supply_v,
        built_for_v=None if built_for_v == line.supply_v else built_for_v,
    )


def _codes_where(
    codes: Mapping[str, Socket], holds: Callable[[Expectation], bool]
) -> frozenset[str]:
    return frozenset(code for code, socket in codes.items() if holds(socket.expect))


def result_of(found: Diagnosis) -> CheckResult:
    """A diagnosis as a verdict: faults fail, what is no verdict on the bus is an error."""
    evidence = {DIAGNOSIS.name: DIAGNOSIS.written(found)}
    measurements = tuple(_measurements(found.evidence))
    faults = [f for f in found.findings if f.severity is FindingSeverity.FAULT]
    if not faults:
        return CheckResult(
            outcome=Outcome.PASSED, measurements=measurements, evidence=evidence
        )
    first = faults[0]
    error = first.cause in NO_VERDICT
    return CheckResult(
        outcome=Outcome.ERROR if error else Outcome.FAILED,
        kind=f"{first.cause}: {first.kind}",
        message=_sentence(first),
        hint=first.try_first,
        measurements=measurements,
        evidence=evidence,
    )


def _sentence(finding: Finding) -> str:
    numbers = "; ".join(finding.measured)
    title = title_of(finding.cause, finding.kind)
    return f"{title}, {finding.confidence}: {finding.summary} [{numbers}]"


def _measurements(evidence: Evidence) -> Iterator[Measurement]:
    adapter, line, scans = evidence.adapter, evidence.line, evidence.scans
    if adapter is not None and adapter.round_trip_ms:
        yield Measurement(
            name="round_trip_median", value=adapter.round_trip_ms[0], unit="ms"
        )
    if adapter is not None and adapter.measured_baud is not None:
        yield Measurement(
            name="slot_rate",
            value=adapter.measured_baud,
            unit="baud",
            uncertainty=round(adapter.rate_doubt * adapter.measured_baud, 1),
        )
    if line is not None:
        yield _rise(*line.rise_us)
    if scans is not None:
        yield Measurement(name="devices", value=len(scans.last), unit="devices")


def _rise(low_us: float, high_us: float) -> Measurement:
    """Where no slot is too fast for the line, only the upper end of its rise is known."""
    if low_us <= 0:
        return Measurement(
            name="rise_time", value=high_us, unit="us", bound=Bound.AT_MOST
        )
    return Measurement(
        name="rise_time",
        value=round((low_us + high_us) / 2, 3),
        unit="us",
        uncertainty=round((high_us - low_us) / 2, 3),
    )


_TRANSPORT = frozenset({"sent", "echoes", "baud", "stop_bits", "unsolicited"})


_MOST_CHARACTERS = 4000
"""Longer evidence stands in the step's own result and is not repeated for the rules."""


def failed_check(item: StepItem, result: CheckResult) -> FailedCheck:
    """What the rules may use of a result that did not pass."""
    device = result.device
    return FailedCheck(
        step=item.kind,
        what=detail_of(item.kind, item.body),
        kind=result.kind,
        says=result.message,
        device=device.rom_code if device else "",
        socket=device.socket if device else "",
        family=device.family if device else None,
        evidence=_known(result.evidence),
        values={m.name: m.value for m in result.measurements},
        units={m.name: m.unit for m in result.measurements if m.unit},
        beyond=tuple(m.name for m in result.measurements if not m.holds),
    )


def _known(evidence: Mapping[str, Any]) -> dict[str, Any]:
    """The facts that a family gave, else what of the evidence is neither frames nor long."""
    return dict(
        evidence.get("facts")
        or {
            key: value
            for key, value in evidence.items()
            if key not in _TRANSPORT and len(repr(value)) <= _MOST_CHARACTERS
        }
    )


def explain(context: Context, item: StepItem, result: CheckResult) -> CheckResult:
    """Append a short diagnosis to a result that did not pass."""
    try:
        found = examine(context, Effort.short(), failed_check(item, result))
    except SlotproofError as fault:
        return replace(result, message=f"{result.message}; no diagnosis: {fault.what}")
    faults = [f for f in found.findings if f.severity is FindingSeverity.FAULT]
    said = _sentence(faults[0]) if faults else "nothing wrong is found now"
    return replace(
        result,
        message=f"{result.message}; diagnosis: {said}",
        hint=faults[0].try_first if faults else result.hint,
        evidence={**result.evidence, DIAGNOSIS.name: DIAGNOSIS.written(found)},
    )
