"""Hands at the bench: devices go in and out at bench times, contacts bounce, lines short."""

from __future__ import annotations

from collections.abc import Collection, Iterable

from harness.simulation.devices.thermometers.scratchpad_thermometer import (
    ThermometerModel,
)
from harness.simulation.faults.settings import ShortedLineFault
from harness.simulation.servers.bench import Bench

_BOUNCES_S = (0.004, 0.011, 0.013, 0.031)
"""Contacts open and close at these times after the first touch, and stay closed."""


class Handling:
    """Puts the devices of a bench in and takes them out.

    Args:
        bench: the bench; at the beginning nothing else is in.
        stay: ROM codes of devices that belong to the bench and stay in.
    """

    def __init__(self, bench: Bench, stay: Collection[str] = ()) -> None:
        self._bench = bench
        units = [
            place
            for place, station in enumerate(bench.stations, 1)
            if str(station.device.true_rom) not in stay
        ]
        self._set(units, connected=False)

    @property
    def now_s(self) -> float:
        """Bench time, as the host has it."""
        return self._bench.clock.now_us * 1e-6

    def put_in(
        self, devices: Iterable[int], *, after_s: float, bouncing: bool = False
    ) -> None:
        """Put devices in, some seconds from now.

        Args:
            devices: places in the list of devices, from 1.
            after_s: when.
            bouncing: let the contacts open again a few times.
        """
        chosen = tuple(devices)
        self._at(after_s, chosen, connected=True)
        for number, bounce_s in enumerate(_BOUNCES_S if bouncing else ()):
            self._at(after_s + bounce_s, chosen, connected=number % 2 == 1)

    def take_out(self, devices: Iterable[int], *, after_s: float) -> None:
        """Take devices out, some seconds from now."""
        self._at(after_s, tuple(devices), connected=False)

    def short(self, *, after_s: float, for_s: float) -> None:
        """Short the line, as a unit does that is put in the wrong way round."""
        self._bench.faults.plan(
            ShortedLineFault(
                kind="line-shorted", at_s=self.now_s + after_s, for_s=for_s
            )
        )

    def warm(self, device: int, *, by_k: float) -> bool:
        """Make a device warmer than it was, as a hand does; False if it does not measure that."""
        held = self._bench.stations[device - 1].device
        if not isinstance(held, ThermometerModel):
            return False
        held.warmed_k += by_k
        return True

    def _at(self, after_s: float, devices: tuple[int, ...], *, connected: bool) -> None:
        self._bench.core.agenda.add(
            (self.now_s + after_s) * 1e6,
            lambda: self._set(devices, connected=connected),
        )

    def _set(self, devices: Iterable[int], *, connected: bool) -> None:
        for place in devices:
            station = self._bench.stations[place - 1]
            if station.is_attached is connected:
                continue
            if connected:
                station.supply.connect(True)
                station.attach()
            else:
                station.detach()
                station.supply.connect(False)
        self._bench.core.population_changed()
