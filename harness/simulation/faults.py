"""When things go wrong: by the fixture's plan, or as a test wants it."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import AbstractContextManager

from harness.simulation.adapter import Adapter
from harness.simulation.core import Core
from harness.simulation.fault_effects import EFFECTS, Place
from harness.simulation.fault_settings import FaultSettings


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
        self, core: Core, adapter: Adapter, catch_up: Callable[[], None]
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
        self._plan_at(fault, fault.at_s * 1e6)

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
        self._count += 1
        place = Place(
            core=self._core,
            adapter=self._adapter,
            random=self._core.random_for("fault", self._count, fault.kind),
        )
        return EFFECTS[type(fault)](fault, place)


def _nothing() -> None:
    """The agenda runs at the right time already."""
