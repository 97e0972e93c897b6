"""Watch over devices that hold what a restart takes: settings of this run, cleared flags.

What shows a restart is a row of the family (``families.restart``). It is asked after each
step that addressed such a device, and compared with what it was before: a device that
restarted in between is found although no step asks for it. What the step says of it is
held back, its conversions count no more, and settings are made again by the step that
needs them, which remarks it.

A restart stays visible in its sign until it is cleared. One that a second question
does not show again was no restart but a damaged answer; and like each failure it is
booked only if the adapter proves sound.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace

from harness.errors import SlotproofError
from harness.families.kind_facts import KindFacts, stated
from harness.families.restart import AfterRestart, RestartSign, Trace
from harness.plans.schema.measure import Shmoo
from harness.plans.schema.steps import StepItem
from harness.plans.steps.attempts import vouched
from harness.plans.steps.context import Context
from harness.records import CheckResult, DeviceRef, Outcome, Scalar

_MAY_CHANGE = frozenset({"configure", "switch", "prompt", "diagnose"})
"""Steps that set, cut the supply, let the operator act, or report themselves what moved."""

_FOR_ALL = _MAY_CHANGE - {"configure"}
"""Those that may restart devices which they do not address: a supply switched off by the
plan is no fault of theirs, whenever they are asked next."""

_MAY_SET = frozenset({"check", "transact"})
"""Steps that may leave other settings; a flag that is set again is a restart all the same."""

_SETS_SUPPLY = frozenset({"adjust", "condition"})
"""Steps that may move the supply: a restart by that is what the plan asked for."""

_HELD_BACK = frozenset({"read", "check", "convert", "verify", "transact"})
"""Steps whose results wait until the device was looked at. Others run for long: what they
say stands, and the restart is a failure beside it."""

_IN_STEP = "the device restarted before or in this step"

_SETTINGS = frozenset({Trace.SETTING, Trace.MARKER})


@dataclass
class RestartWatch:
    """The watch of one run."""

    context: Context
    _seen: dict[str, dict[str, Scalar]] = field(default_factory=dict)
    _written: Counter[str] = field(default_factory=Counter)

    def around(
        self, item: StepItem, results: Iterator[CheckResult]
    ) -> Iterator[CheckResult]:
        """The step's results; those of a device that restarted meanwhile held back."""
        before = Counter(self.context.bus.matches)
        changes = self.context.supply_changes
        self._written = Counter(self.context.written)
        if item.kind in _SETS_SUPPLY or _sweeps(item):
            collected = list(results)
            notes = (
                self._after_change() if self.context.supply_changes > changes else ()
            )
            for result in collected:
                yield replace(result, notes=(*result.notes, *notes))
        elif item.kind in _HELD_BACK:
            collected = list(results)
            yield from self._with_restarts(collected, self._look(item, before))
        else:
            yield from results
            if item.kind in _FOR_ALL:
                self._seen.clear()
            for code, why in self._look(item, before).items():
                beside = CheckResult(outcome=Outcome.FAILED, device=self._ref(code))
                yield vouched(
                    _restarted(beside, f"{_IN_STEP}: {why}", why), self.context
                )

    def _with_restarts(
        self, collected: Sequence[CheckResult], restarted: dict[str, str]
    ) -> Iterator[CheckResult]:
        """The results, held back for devices that restarted, and a failure for the rest.

        Args:
            collected: of the step.
            restarted: why, by ROM code.
        """
        for result in collected:
            code = result.device.rom_code if result.device else ""
            why = restarted.pop(code, "")
            yield self._booked(result, why) if why else result
        for code, why in restarted.items():
            yield self._booked(
                CheckResult(outcome=Outcome.PASSED, device=self._ref(code)), why
            )

    def _after_change(self) -> tuple[str, ...]:
        """Restarts that a change of the supply explains: noted, and no fault of a device.

        Devices that do not answer now are asked again after the next change.
        """
        notes = []
        for device in list(self.context.devices or ()):
            was = self._seen.get(device.rom_code)
            if was is None or not self._is_watched(device):
                continue
            now = self._sense(device)
            self._seen[device.rom_code] = {**was, **now}
            if why := _trace_between(self.context, device, was, now, may_move=False):
                self._forget(device, why)
                notes.append(
                    f"{device.label} restarted with the change of the supply: {why}"
                )
        return tuple(notes)

    def _booked(self, result: CheckResult, why: str) -> CheckResult:
        """The failure that a restart is, or the error if the adapter does not prove sound."""
        return vouched(_held_back(result, why), self.context)

    def _look(self, item: StepItem, before: Counter[str]) -> dict[str, str]:
        """Devices that restarted in this step or since the last look, and what shows it."""
        touched = Counter(self.context.bus.matches) - before
        found: dict[str, str] = {}
        for device in list(self.context.devices or ()):
            code = device.rom_code
            if not touched[code] or not self._is_watched(device):
                continue
            now = self._sense(device)
            was = self._seen.get(code, {})
            self._seen[code] = now
            # settings that this step made up for: they moved by our own writing
            ours = self.context.written[code] != self._written[code]
            why = _restart_between(self.context, item, device, was, now, may_set=ours)
            if why and self._sense(device) != now:
                self._seen[code] = was
            elif why:
                found[code] = why
                # what the next step makes again is no second restart
                del self._seen[code]
                self._forget(device, why)
        return found

    def _is_watched(self, device: DeviceRef) -> bool:
        """Only what a restart takes from this run is worth the questions."""
        family = self.context.kinds.family_of(device.family)
        if family.changed_by_match:
            return False
        settled = any(code == device.rom_code for code, _, _ in self.context.settled)
        return settled or any(s.trace is Trace.FLAG for s in family.restarts)

    def _sense(self, device: DeviceRef) -> dict[str, Scalar]:
        """What each sign reads now; signs that cannot be asked now are left out."""
        session, found = self.context.session(device), {}
        for sign in _signs(self.context, device):
            try:
                found[sign.shown_by] = (
                    sign.read(session)
                    if sign.read is not None
                    else self.context.kinds.quantities(device.family)[sign.shown_by]
                    .read(session)
                    .value
                )
            except SlotproofError:
                session.settle()
        return found

    def _forget(self, device: DeviceRef, why: str) -> None:
        context, code = self.context, device.rom_code
        context.conversions.lose(code, "the device restarted")
        context.settled = {row for row in context.settled if row[0] != code}
        context.note("note", text=f"{device.label} restarted: {why}")

    def _ref(self, code: str) -> DeviceRef | None:
        return next((d for d in self.context.devices or () if d.rom_code == code), None)


def _sweeps(item: StepItem) -> bool:
    """True of a grid over the settings of an instrument."""
    return isinstance(item.body, Shmoo) and bool(item.body.axis_settings)


def _signs(context: Context, device: DeviceRef) -> Iterator[RestartSign]:
    known = context.kinds.quantities(device.family)
    for sign in context.kinds.family_of(device.family).restarts:
        can_be_asked = sign.read is not None or sign.shown_by in known
        # an output that may be anything after a restart shows none: a protector, for one,
        # opens it for reasons of its own
        is_fixed_output = sign.trace is Trace.OUTPUT and not isinstance(
            sign.after, AfterRestart
        )
        if can_be_asked and (is_fixed_output or sign.trace in {Trace.FLAG, *_SETTINGS}):
            yield sign


def _restart_between(
    context: Context,
    item: StepItem,
    device: DeviceRef,
    was: dict[str, Scalar],
    now: dict[str, Scalar],
    *,
    may_set: bool,
) -> str:
    """What shows that the device restarted, or empty."""
    if item.kind in _MAY_CHANGE:
        return ""
    may_move = may_set or item.kind in _MAY_SET
    return _trace_between(context, device, was, now, may_move=may_move)


def _trace_between(
    context: Context,
    device: DeviceRef,
    was: dict[str, Scalar],
    now: dict[str, Scalar],
    *,
    may_move: bool,
) -> str:
    """The same of two looks, whatever step lies between them."""
    for sign in _signs(context, device):
        before, after = was.get(sign.shown_by), now.get(sign.shown_by)
        if before is None or after is None or before == after:
            continue
        if _is_trace(sign, after, may_move=may_move):
            return f"{sign.shown_by} ({sign.trace}) was {before} and is {after}"
    return ""


def _is_trace(sign: RestartSign, after: Scalar, *, may_move: bool) -> bool:
    """True if a value that changed to ``after`` is what a restart leaves behind."""
    as_stored = isinstance(sign.after, AfterRestart) or after == sign.after
    if sign.trace is Trace.FLAG:
        return after == sign.after
    if sign.trace is Trace.OUTPUT:
        return after == sign.after and not may_move
    return sign.trace in _SETTINGS and as_stored and not may_move


def _held_back(result: CheckResult, why: str) -> CheckResult:
    said = f"; its own result: {result.outcome}"
    if result.measurements:
        shown = ", ".join(f"{m.name} {m.value}" for m in result.measurements)
        said += f", {shown}"
    return _restarted(
        replace(result, measurements=()), f"held back: {_IN_STEP}: {why}{said}", why
    )


def _restarted(result: CheckResult, message: str, why: str) -> CheckResult:
    return replace(
        result,
        outcome=Outcome.FAILED,
        kind="restarted",
        message=message,
        hint="look for a dip of its supply, a loose lead, what switches a load nearby; "
        "settings are made again by the step that needs them",
        evidence={
            **result.evidence,
            "cause": "supply",
            "facts": stated(KindFacts(restart=why)),
        },
    )
