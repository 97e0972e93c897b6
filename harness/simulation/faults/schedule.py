"""When things go wrong: by the fixture's plan, or as a test wants it."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import AbstractContextManager
from functools import partial
from math import inf
from random import Random

from harness.simulation.adapter.adapter import AdapterModel
from harness.simulation.faults.effects import EFFECTS, PRELUDES
from harness.simulation.faults.settings import FaultSettings, When
from harness.simulation.faults.target import FaultTarget
from harness.simulation.line.core import Core
from harness.simulation.line.traffic import HostTraffic


class RunningFault:
    """A fault that is on until it is stopped."""

    def __init__(
        self, effect: AbstractContextManager[None], catch_up: Callable[[], None]
    ) -> None:
        self._effect: AbstractContextManager[None] | None = effect
        self._catch_up = catch_up
        effect.__enter__()

    def stop(self) -> None:
        """Undo it; a second time does nothing."""
        effect, self._effect = self._effect, None
        if effect is not None:
            self._catch_up()
            effect.__exit__(None, None, None)


class Faults:
    """Starts and stops faults on one bench.

    Args:
        core: line and devices.
        adapter: the way to the host.
        catch_up: lets the bench run up to the host's time.
    """

    def __init__(
        self, core: Core, adapter: AdapterModel, catch_up: Callable[[], None]
    ) -> None:
        self._core = core
        self._adapter = adapter
        self._catch_up = catch_up
        self._count = 0

    def start(self, fault: FaultSettings) -> RunningFault:
        """Let a fault strike from now until it is stopped, whatever its times say."""
        self._catch_up()
        return RunningFault(self._effect(fault), self._catch_up)

    def plan(self, fault: FaultSettings) -> None:
        """Enter a fault into the agenda by its own times.

        Raises:
            ValueError: it names a device that is not there.
        """
        for name in fault.names:
            self._core.station(name)
        prelude = PRELUDES.get(type(fault))
        if prelude is not None:
            self._core.agenda.add(0.0, partial(prelude, fault, self._place(fault)))
        if fault.when is None:
            self._plan_at(fault, fault.at_s * 1e6)
        else:
            ambush = _Ambush(
                core=self._core,
                when=fault.when,
                random=self._core.random_for("ambush", self._count),
                strike=lambda at_us: self._plan_at(fault, at_us),
                rest_us=(fault.for_s or inf) * 1e6,
            )
            self._core.agenda.add(fault.at_s * 1e6, ambush.lie_in_wait)

    def _plan_at(self, fault: FaultSettings, at_us: float) -> None:
        agenda = self._core.agenda

        def begin() -> None:
            running = RunningFault(self._effect(fault), _nothing)
            if fault.for_s is not None:
                agenda.add(at_us + fault.for_s * 1e6, running.stop)
            if fault.every_s is not None:
                self._plan_at(fault, at_us + fault.every_s * 1e6)

        agenda.add(at_us, begin)

    def _effect(self, fault: FaultSettings) -> AbstractContextManager[None]:
        return EFFECTS[type(fault)](fault, self._place(fault))

    def _place(self, fault: FaultSettings) -> FaultTarget:
        self._count += 1
        return FaultTarget(
            core=self._core,
            adapter=self._adapter,
            random=self._core.random_for("fault", self._count, fault.kind),
        )


class _Ambush:
    """Waits in the traffic for the moment in which a fault shall strike.

    Args:
        core: the bench whose traffic it follows.
        when: the moment.
        random: source of the chance.
        strike: called with the bench time at which the fault shall begin.
        rest_us: a strike lasts so long, and no other begins meanwhile.
    """

    def __init__(
        self,
        *,
        core: Core,
        when: When,
        random: Random,
        strike: Callable[[float], None],
        rest_us: float,
    ) -> None:
        self._core = core
        self._when = when
        self._random = random
        self._strike = strike
        self._rest_us = rest_us
        self._traffic = HostTraffic()
        self._counted_from: int | None = None
        self._struck = 0
        self._free_us = 0.0

    def lie_in_wait(self) -> None:
        """Follow the traffic from now on."""
        self._core.before_character.append(self._note)

    def _note(self, start_us: float) -> None:
        when = self._when
        slot = self._traffic.note(self._core.next_byte, self._core.framing)
        if slot is None:
            return
        if slot.count == 0:
            self._counted_from = 0 if when.command is None else None
        elif when.command is not None and slot.ends(when.command, when.layer):
            self._counted_from = slot.count
        counted_from = self._counted_from
        if counted_from is not None and slot.count == counted_from + when.slot:
            self._meet(start_us)

    def _meet(self, start_us: float) -> None:
        """The slot has come: strike, unless it was enough, too soon or not drawn."""
        when = self._when
        at_us = start_us + when.wait_ms * 1000
        is_over = when.times is not None and self._struck >= when.times
        if is_over or at_us < self._free_us or self._random.random() >= when.chance:
            return
        self._struck += 1
        self._free_us = at_us + self._rest_us
        self._strike(at_us)


def _nothing() -> None:
    """The agenda runs at the right time already."""
