"""Settings of devices: the configure step, and those that a later step lacks.

A quantity that a setting governs is judged only under the settings that the plan makes
before it. What did not happen in this run, for its step was left out or the adapter was
away since, is made up for and noted. What carries a hazard is never made up for unasked,
nor is a store: the step is then an error that names the missing one.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from functools import partial

from harness.errors import StepMissing
from harness.families.family import ALARM_SEARCH, Answer
from harness.plans.execution.hazard_gate import require_on_device
from harness.plans.schema.bodies import Configure, Switch
from harness.plans.schema.checks import CheckBody
from harness.plans.schema.steps import ForEach, StepItem
from harness.plans.steps.attempts import attempt, judged
from harness.plans.steps.context import Context
from harness.records import CheckResult, DeviceRef, Measurement, Outcome, Scalar


def run_configure(context: Context, body: Configure) -> Iterator[CheckResult]:
    """Write settings to each device meant, and read them back."""
    for device in context.targets():
        unknown = set(body.settings) - set(
            context.kinds.family_of(device.family).settings
        )
        if unknown:
            yield CheckResult(
                outcome=Outcome.SKIPPED,
                device=device,
                kind="no-setting",
                message=f"{context.kinds.family_of(device.family).name} does not have "
                f"{', '.join(sorted(unknown))}",
            )
            continue
        result = attempt(
            context, body, partial(_configure, context, body, device), device
        )
        if result.outcome in {
            Outcome.PASSED,
            Outcome.FAILED,
        }:  # not taken: its own fault
            context.settled |= {
                (device.rom_code, context.step, name) for name in body.settings
            }
        yield result


def _configure(context: Context, body: Configure, device: DeviceRef) -> CheckResult:
    rows = context.kinds.family_of(device.family).settings
    require_on_device(
        frozenset(h for name in body.settings for h in rows[name].hazards),
        named=body.hazard,
        allowed=context.allowed,
        what=f"configure {', '.join(body.settings)}",
    )
    answer = _write(context, device, body.settings, store=body.store)
    return judged(
        *(
            Measurement(
                name=name, value=value, unit=rows[name].unit, wanted=value
            )  # as read back: configure raises if it is not
            for name, value in body.settings.items()
        ),
        evidence={"written": answer.value, **answer.evidence},
    )


def _write(
    context: Context, device: DeviceRef, settings: Mapping[str, Scalar], *, store: bool
) -> Answer:
    """Write settings and read them back; conversions under others count no more."""
    family = context.kinds.family_of(device.family)
    assert family.configure is not None  # a family with settings has it
    context.written[device.rom_code] += 1  # also if it ends in an error half-way
    governed = {name for key in settings for name in family.settings[key].governs}
    left = {
        n
        for n, row in context.kinds.quantities(device.family).items()
        if row.reread is not None
    }
    if governed & left:
        why = f"{context.here} set what the conversion depends on"
        context.conversions.lose(device.rom_code, why)
    if ALARM_SEARCH in governed:
        why = f"{context.here} set alarm limits"
        context.conversions.spoil_flag(device.rom_code, why)
    return family.configure(context.session(device), settings, store)


# -- what a step lacks ---------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class _Wanted:
    """A setting as the plan has it where the step runs.

    Attributes:
        item: the configure step.
        value: what it sets.
        kept: True if it must have outlived a loss of supply that the plan makes.
    """

    item: StepItem
    value: Scalar
    kept: bool = False


def make_up_settings(context: Context, device: DeviceRef, what: str) -> None:
    """Set what governs a quantity, a check or an alarm search, where it was not set.

    Raises:
        StepMissing: it may not be made up for; and what configuring raises.
    """
    _require_checks(context, device, what)
    missing = {
        name: wanted
        for name, wanted in _wanted(context, device, what).items()
        if (device.rom_code, wanted.item.id, name) not in context.settled
    }
    for name, wanted in missing.items():
        _require_harmless(context, device, what, name, wanted)
    for step in dict.fromkeys(wanted.item.id for wanted in missing.values()):
        settings = {n: w.value for n, w in missing.items() if w.item.id == step}
        _write(context, device, settings, store=False)
        context.settled |= {(device.rom_code, step, name) for name in settings}
        listed_settings = ", ".join(
            f"{name} {value}" for name, value in settings.items()
        )
        context.remark(
            f"{_missing(context, step)}: {listed_settings} was set for this step"
        )


def _require_checks(context: Context, device: DeviceRef, what: str) -> None:
    """Insist that the checks ran whose traces ``what`` shows; none is made up for."""
    known = context.kinds.checks(device.family)
    for item, around in _before(context.plan.steps, context.step):
        body = item.body
        if not isinstance(body, CheckBody) or body.function not in known:
            continue
        shows = what in known[body.function].leaves
        done = (device.rom_code, item.id, body.function) in context.settled
        if not shows or done or not all(_means(outer, device) for outer in around):
            continue
        if item.id in context.waived:
            context.remark(f"{context.called(item.id)} was left out: read as it is")
        else:
            raise StepMissing(
                f"{what} shows what {context.called(item.id)} leaves, which did not "
                f"happen in this run{context.left_out(item.id)}: what is there is older"
            )


def _missing(context: Context, step: str) -> str:
    called = context.called(step)
    if step in context.ran:
        return f"what {called} set did not outlive this run so far"
    return f"{called} was not run{context.left_out(step)}"


def _require_harmless(
    context: Context, device: DeviceRef, what: str, name: str, wanted: _Wanted
) -> None:
    hazards = context.kinds.family_of(device.family).settings[name].hazards
    why = ""
    if hazards:
        why = f"it carries the hazard {', '.join(sorted(map(str, hazards)))}"
    elif wanted.kept:
        why = "it would have to be stored before the supply is switched"
    if why:
        raise StepMissing(
            f"{what} depends on {name}: {_missing(context, wanted.item.id)}, and it is "
            f"not made up for, since {why}"
        )


def _wanted(context: Context, device: DeviceRef, what: str) -> dict[str, _Wanted]:
    """The settings that govern ``what`` on a device, by the steps before this one."""
    wanted: dict[str, _Wanted] = {}
    for item, around in _before(context.plan.steps, context.step):
        body = item.body
        if isinstance(body, Switch) and body.supply is not None:
            wanted = _stored(wanted)
        elif item.id in context.waived:
            continue
        elif isinstance(body, Configure) and all(_means(o, device) for o in around):
            governing = _governing(context, body, device, what)
            wanted |= {n: _Wanted(item=item, value=v) for n, v in governing.items()}
    return wanted


def _stored(wanted: dict[str, _Wanted]) -> dict[str, _Wanted]:
    """Those of the settings that outlive a switched supply."""
    return {
        name: replace(setting, kept=True)
        for name, setting in wanted.items()
        if isinstance(setting.item.body, Configure) and setting.item.body.store
    }


def _governing(
    context: Context, body: Configure, device: DeviceRef, what: str
) -> dict[str, Scalar]:
    """The settings of a step that govern ``what``; none of a device that it skips."""
    rows = context.kinds.family_of(device.family).settings
    if not set(body.settings) <= set(rows):
        return {}
    return {n: v for n, v in body.settings.items() if what in rows[n].governs}


def _means(outer: StepItem, device: DeviceRef) -> bool:
    body = outer.body
    if not isinstance(body, ForEach):
        return True
    return (body.family is None or device.family in body.family) and (
        body.sockets is None or device.socket in body.sockets
    )


def _before(
    steps: Iterable[StepItem], until: str
) -> Iterator[tuple[StepItem, tuple[StepItem, ...]]]:
    """Leaf steps before one, in the order of the plan, with the steps around each."""
    for item, outer in _leaves(steps, ()):
        if item.id == until:
            return
        yield item, outer


def _leaves(
    steps: Iterable[StepItem], around: tuple[StepItem, ...]
) -> Iterator[tuple[StepItem, tuple[StepItem, ...]]]:
    for item in steps:
        if item.steps:
            yield from _leaves(item.steps, (*around, item))
        else:
            yield item, around
