"""Watch over parts that every match by their ROM code changes.

Each is sensed by search, which changes nothing, when the run first knows of it and at
the end of every step: a step that leaves it otherwise than it found it has failed.

Source: data sheet of family 05h (part DS2405), p. 1.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field

from harness.errors import SlotproofError
from harness.families.kind_facts import KindFacts, stated
from harness.plans.schema.steps import StepItem
from harness.plans.steps.attempts import vouched
from harness.plans.steps.context import Context
from harness.records import CheckResult, DeviceRef, Outcome, Scalar

_MAY_CHANGE = frozenset({"configure", "switch", "prompt", "diagnose"})
"""Steps that are asked to change outputs, cut the supply, or let the operator act; an
examination says by itself what moved in it."""


_AT_POWER_UP = 1
"""A latch is off after each power-up (from memory)."""


@dataclass
class _Watched:
    """One such part: its state at first, its state last seen, who matched it."""

    device: DeviceRef
    first: Scalar
    last: Scalar
    matched_by: Counter[str] = field(default_factory=Counter)


@dataclass
class ToggleWatch:
    """The watch of one run."""

    context: Context
    _watched: dict[str, _Watched] = field(default_factory=dict)

    def around(
        self, item: StepItem, results: Iterator[CheckResult]
    ) -> Iterator[CheckResult]:
        """The step's results, and one more for each part that it left changed."""
        self._begin()
        before = Counter(self.context.bus.matches)
        yield from results
        matched = self.context.bus.matches - before
        for code, watched in self._watched.items():
            times = matched[code]
            if times:
                watched.matched_by[item.id] += times
            now = self._sense(watched.device)
            if now is None:
                continue
            held, watched.last = watched.last, now
            if now != held and item.kind not in _MAY_CHANGE:
                found = self._toggled(watched, held, times)
                yield vouched(found, self.context)
        self._begin()

    def lines(self) -> Iterator[str]:
        """What the run did to each of them, for its end."""
        for watched in self._watched.values():
            matches = ", ".join(f"step {s} {n}x" for s, n in watched.matched_by.items())
            yield (
                f"{watched.device.label}: {self._quantity(watched.device)} {watched.first} at "
                f"the start, {watched.last} at the end; matched by {matches or 'no step'}"
            )

    def _begin(self) -> None:
        """Parts that the run knows by now; each is sensed once it is known."""
        for device in self.context.devices or ():
            if self._quantity(device) and device.rom_code not in self._watched:
                now = self._sense(device)
                if now is not None:
                    self._watched[device.rom_code] = _Watched(device, now, now)

    def _sense(self, device: DeviceRef) -> Scalar | None:
        """None where the bus gives no answer now; its own step will say so."""
        quantity = self.context.kinds.quantities(device.family)[self._quantity(device)]
        try:
            self.context.begin_check()
            return quantity.read(self.context.session(device)).value
        except SlotproofError:
            return None

    def _quantity(self, device: DeviceRef) -> str:
        return self.context.kinds.family_of(device.family).changed_by_match

    def _toggled(self, watched: _Watched, before: Scalar, times: int) -> CheckResult:
        name = self._quantity(watched.device)
        by_us = f"this step matched it {times} times"
        cause = "configuration"
        if times % 2 == 0:
            by_us = f"another controller addresses it ({by_us})"
            if watched.last == _AT_POWER_UP:
                by_us += ", or it lost its supply"
                cause = "configuration or supply"
        return CheckResult(
            outcome=Outcome.FAILED,
            device=watched.device,
            kind="toggled",
            message=f"{name} was {before} before this step and is {watched.last} after it: "
            f"each match toggles this device, and {by_us}; cause: {cause}",
            hint="leave this kind out of whatever polls by ROM code; sense it by search",
            evidence={
                "cause": cause,
                "facts": stated(
                    KindFacts(
                        quantity=name,
                        before=before,
                        after=watched.last,
                        matches=times,
                        matched_by=dict(watched.matched_by),
                    )
                )
                | {"at_start": watched.first},
            },
        )
