"""What the instruments of a position keep up between its units, and their rest at its end."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from harness.driver.bus import Bus
from harness.errors import InstrumentFault
from harness.instruments.bench import StandingBench
from harness.plans.schema.fixture import Fixture
from harness.plans.steps.instruments.running import standing_instruments_of
from harness.plans.steps.instruments.setting import require_start_borne


class StandingSetUp:
    """The start set-up of a fixture's instruments, for as long as a position is served.

    Args:
        fixture: of the position.
        name: of the position.
        left_on: takes a sentence for each instrument that may still be on at the end.

    Attributes:
        bench: the instruments; None while no bus is open.
        is_resting: they are being brought to rest, which may take a while.
    """

    def __init__(self, fixture: Fixture, name: str, left_on: list[str]) -> None:
        self._fixture = fixture
        self._name = name
        self._left_on = left_on
        self._has_stood = False
        self.bench: StandingBench | None = None
        self.is_resting = False

    def keep_up(self) -> None:
        """Set up again what a run or a fault changed.

        Raises:
            InstrumentFault: an instrument does not do so.
        """
        if self.bench is not None:
            self.bench.stand()

    def never_stood(self, fault: Exception) -> bool:
        """True if an instrument keeps the position from beginning at all."""
        return isinstance(fault, InstrumentFault) and not self._has_stood

    @contextmanager
    def on(self, bus: Bus) -> Iterator[None]:
        """Set up while this lasts; at rest at its end, whatever ends it.

        Raises:
            UsageError: a device or the adapter does not bear a supply.
            InstrumentFault: an instrument cannot be used, or does not do so.
        """
        require_start_borne(self._fixture)
        bench = self.bench = standing_instruments_of(self._fixture, bus)
        try:
            bench.stand()
            self._has_stood = True
            yield
        finally:
            self.is_resting = True
            self._left_on.extend(
                f"{self._name}: {each.sentence}" for each in bench.end() if each.fault
            )
            self.bench, self.is_resting = None, False
