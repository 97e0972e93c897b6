"""All instruments of a fixture: locked, identified, and brought to rest at every end."""

from __future__ import annotations

from collections.abc import Iterable
from contextlib import ExitStack
from dataclasses import dataclass
from functools import partial

from harness import ending
from harness.clock import Clock
from harness.errors import InstrumentFault, SlotproofError, UsageError
from harness.instruments import marker
from harness.instruments.instrument import Instrument
from harness.instruments.levels import in_order
from harness.instruments.link import Connect, connect
from harness.instruments.row import InstrumentRow


@dataclass(frozen=True, slots=True, kw_only=True)
class Rested:
    """How bringing one instrument to rest went.

    Attributes:
        row: the instrument.
        fault: why it may still be on; None if it is at rest.
        stands: it is set up as at the start, for the next unit of a station.
        not_back: why it is at rest instead; None if it was not to stand, or does.
    """

    row: InstrumentRow
    fault: SlotproofError | None
    stands: bool = False
    not_back: SlotproofError | None = None

    @property
    def sentence(self) -> str:
        """One sentence; of one that may be on it says what to do."""
        name = self.row.name
        if self.fault is None and self.not_back is not None:
            return f"{name} is at rest: its start failed ({self.not_back.what})"
        if self.fault is None:
            return f"{name} is as at the start" if self.stands else f"{name} is at rest"
        return (
            f"{self.row.kind} {self.row.name} may still be on: switch it off by hand "
            f"({self.fault.what})"
        )


class InstrumentBench:
    """The instruments of a fixture.

    Args:
        rows: what the fixture says, in its order.
        clock: the port's time.
        open_link: opens the link of one.
    """

    def __init__(
        self,
        rows: Iterable[InstrumentRow],
        clock: Clock,
        open_link: Connect = connect,
    ) -> None:
        self._by_name: dict[str, Instrument] = {}
        for row in rows:
            meter = partial(self._measure, row.meter) if row.meter else None
            self._by_name[row.name] = Instrument(row, clock, open_link, meter)
        self._locks = ExitStack()
        self._locked: set[str] = set()

    @property
    def all(self) -> tuple[Instrument, ...]:
        """Every instrument, in the fixture's order."""
        return tuple(self._by_name.values())

    def get(self, name: str) -> Instrument:
        """An instrument by name.

        Raises:
            UsageError: the fixture has none of that name.
        """
        if name not in self._by_name:
            known = ", ".join(self._by_name) or "none"
            raise UsageError(
                f"the fixture has no instrument {name!r}", hint=f"it has {known}"
            )
        return self._by_name[name]

    def _measure(self, meter: str, quantity: str) -> float:
        return self.get(meter).read(quantity)

    def begin(self, names: Iterable[str]) -> dict[str, str]:
        """Lock and identify what a run uses; identities by name.

        Raises:
            InstrumentFault: one may be on since an earlier run, is used by another run,
                does not answer, or is another one.
        """
        try:
            wanted = self.lock(names)
            self.require_at_rest()
        except SlotproofError:
            self._unlock()
            raise
        return {
            instrument.row.name: instrument.identify()
            for instrument in self.all
            if instrument.row.name in wanted
        }

    def lock(self, names: Iterable[str]) -> set[str]:
        """Keep instruments, and those that measure for them, to this process; who.

        Raises:
            InstrumentFault: another run uses one.
        """
        wanted = set(names)
        wanted |= {self.get(name).row.meter for name in wanted} - {""}
        for instrument in self.all:
            if instrument.row.name in wanted - self._locked:
                self._locks.enter_context(marker.locked(instrument.row))
                self._locked.add(instrument.row.name)
        return wanted

    def _unlock(self) -> None:
        self._locks.close()
        self._locked.clear()

    def require_at_rest(self) -> None:
        """Insist that no mark of an earlier run stands; one that is on here has its own.

        Raises:
            InstrumentFault: one does.
        """
        for instrument in self.all:
            mark = marker.standing(instrument.row)
            if mark is not None and not instrument.may_be_on:
                since = f" since {mark.since[:19]}" if mark.since else ""
                raise InstrumentFault(
                    f"it may be on{since}: a run that used it did not come to its end",
                    where=f"{instrument.row.name} ({instrument.row.resource})",
                    hint="`slotproof instruments --rest --fixture FILE` brings it to rest",
                )

    def rest(self, *, whatever: bool = False) -> list[Rested]:
        """Bring to rest what left it, in the fixture's order; requests to end wait.

        Args:
            whatever: bring every instrument that has a rest state there.

        Returns:
            How it went, one for each instrument that was to be brought to rest.
        """
        done = []
        with ending.held():
            for instrument in self.all:
                if instrument.may_be_on or (whatever and instrument.row.rest):
                    done.append(Rested(row=instrument.row, fault=_rest(instrument)))
        return done

    def close(self) -> None:
        """Close all links and give the locks back."""
        for instrument in self.all:
            instrument.close()
        self._unlock()


class StandingBench(InstrumentBench):
    """Instruments that stay as their start says between the runs of a station.

    A run's end sets them back to it, and only ``end`` brings them to rest and gives them
    up: an empty position must be fed, or no unit would be seen put in.
    """

    def stand(self) -> None:
        """Set up what has a start and is not so.

        Raises:
            InstrumentFault: one cannot be used, or does not do so.
            HostError: the mark that it leaves rest cannot be written.
        """
        apart = [each for each in self.all if each.row.start and not _stands(each)]
        self.begin(each.row.name for each in apart)
        for instrument in apart:
            for name, value in in_order(instrument.row.start):
                instrument.set(name, value)

    def rest(self, *, whatever: bool = False) -> list[Rested]:
        """Set back what a run moved; at rest what has no start, or does not go back."""
        done = []
        with ending.held():
            for instrument in self.all:
                if instrument.row.start and not _stands(instrument):
                    done.append(_set_back(instrument))
                elif not instrument.row.start and (instrument.may_be_on or whatever):
                    done.append(Rested(row=instrument.row, fault=_rest(instrument)))
        return done

    def close(self) -> None:
        """Nothing: links and locks stay until ``end``."""

    def end(self) -> list[Rested]:
        """Bring to rest what left it, close all links and give the locks back."""
        done = super().rest()
        super().close()
        return done


def _stands(instrument: Instrument) -> bool:
    settings = instrument.row.start.items()
    if instrument.unproved & set(instrument.row.start):
        return False
    return all(instrument.in_force.get(name) == value for name, value in settings)


def _set_back(instrument: Instrument) -> Rested:
    try:
        for name, value in in_order(instrument.row.start):
            instrument.set(name, value)
    except SlotproofError as fault:
        return Rested(row=instrument.row, fault=_rest(instrument), not_back=fault)
    return Rested(row=instrument.row, fault=None, stands=True)


def _rest(instrument: Instrument) -> SlotproofError | None:
    try:
        instrument.rest()
    except SlotproofError as fault:
        return fault
    return None
