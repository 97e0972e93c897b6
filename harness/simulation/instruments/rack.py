"""The instruments of a simulated bench, wired to its supply node and its chamber.

    supply        feeds the pull-up and the supply pins, less the drop over its leads
    multimeter    sees the node's voltage and the current that flows out of the supply
    chamber       carries every device that knows a temperature along
    thermometer   reads the chamber, with an error of its own

The drop over the leads is that of the current at the moment of switching.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import TYPE_CHECKING

from harness.simulation.instruments.heat import Heat
from harness.simulation.instruments.scpi import ScpiError, ScpiInterface
from harness.simulation.settings.instruments import (
    SimulatedChamber,
    SimulatedMultimeter,
    SimulatedSupply,
    SimulatedThermometer,
)

if TYPE_CHECKING:
    from harness.simulation.servers.bench import Bench

_ALL = (SimulatedSupply, SimulatedChamber, SimulatedMultimeter, SimulatedThermometer)


class Rack:
    """Every instrument of a bench; where there is a supply, the bus begins without.

    Args:
        bench: the bench.
    """

    def __init__(self, bench: Bench) -> None:
        self._bench = bench
        self._open: dict[str, ScpiInterface] = {}
        self._heat: Heat | None = None
        for settings in bench.settings.instruments:
            self._open[settings.resource] = self._made(settings)

    def open(self, resource: str) -> ScpiInterface:
        """The interface of one.

        Raises:
            KeyError: there is none of that name.
        """
        return self._open[resource]

    def _made(self, settings: object) -> ScpiInterface:
        if isinstance(settings, SimulatedSupply):
            return _Supply(self._bench, settings).interface
        if isinstance(settings, SimulatedChamber):
            return self._chamber(settings)
        if isinstance(settings, SimulatedMultimeter):
            core = self._bench.core
            queries: dict[str, Callable[[], float]] = {
                "MEAS:VOLT:DC?": lambda: core.wiring.rail_v,
                "MEAS:CURR:DC?": partial(_drawn_a, self._bench),
            }
            return ScpiInterface(settings.identity, {}, queries)
        assert isinstance(settings, SimulatedThermometer)
        error_k = settings.error_k
        return ScpiInterface(
            settings.identity, {}, {"MEAS:TEMP?": lambda: self._degc() + error_k}
        )

    def _now_s(self) -> float:
        self._bench.catch_up()
        return self._bench.clock.now_us * 1e-6

    def _degc(self) -> float:
        return 23.0 if self._heat is None else self._heat.at(self._now_s())

    def _chamber(self, settings: SimulatedChamber) -> ScpiInterface:
        heat = self._heat = Heat(
            start=settings.start_degc,
            time_constant_s=settings.time_constant_s,
            overshoot=settings.overshoot,
        )
        start = settings.start_degc
        self._bench.core.ambient_k = lambda now_s: heat.at(now_s) - start
        state = {"SOUR:TEMP": start, "OUTP": 0.0}

        def keep(header: str, value: float) -> None:
            state[header] = value
            target = state["SOUR:TEMP"] if state["OUTP"] else start
            heat.aim(target, self._now_s())

        return ScpiInterface(
            settings.identity,
            {header: partial(keep, header) for header in state},
            {
                "SOUR:TEMP?": lambda: state["SOUR:TEMP"],
                "OUTP?": lambda: state["OUTP"],
                "MEAS:TEMP?": self._degc,
            },
        )


class _Supply:
    """A bench supply: set-point, current limit, output."""

    def __init__(self, bench: Bench, settings: SimulatedSupply) -> None:
        self._bench = bench
        self._settings = settings
        self._volts = 0.0
        self._limit_a = 0.1
        self._on = False
        self._tripped = False
        self.interface = ScpiInterface(
            settings.identity,
            {"VOLT": self._set_volts, "CURR": self._set_limit, "OUTP": self._set_on},
            {
                "VOLT?": lambda: self._volts,
                "CURR?": lambda: self._limit_a,
                "OUTP?": lambda: float(self._on),
                "MEAS:VOLT?": self._output_v,
                "MEAS:CURR?": partial(_drawn_a, bench),
                "VOLT:PROT:TRIP?": lambda: 0.0,
                "CURR:PROT:TRIP?": self._trip,
            },
        )
        self._feed()

    def _set_volts(self, volts: float) -> None:
        if not 0 <= volts <= 30:
            raise ScpiError('-222,"Data out of range"')
        self._volts = volts
        self._feed()

    def _set_limit(self, amperes: float) -> None:
        if not 0 <= amperes <= 3:
            raise ScpiError('-222,"Data out of range"')
        self._limit_a = amperes

    def _set_on(self, value: float) -> None:
        self._on = bool(value)
        self._tripped = False
        self._feed()

    def _output_v(self) -> float:
        on = self._on and not self._tripped
        return self._volts + self._settings.voltage_error_v if on else 0.0

    def _trip(self) -> float:
        if self._on and _drawn_a(self._bench) > self._limit_a:
            self._tripped = True
            self._feed()
        return float(self._tripped)

    def _feed(self) -> None:
        """Drive the bench's supply node."""
        bench = self._bench
        bench.catch_up()
        volts = self._output_v()
        if volts > 0:
            volts -= _drawn_a(bench) * self._settings.series_ohm
        bench.core.feed_rail(max(0.0, volts))


def _drawn_a(bench: Bench) -> float:
    """Current out of the supply now: supply pins, and the pull-up into the line."""
    bench.catch_up()
    core = bench.core
    pins_ua = sum(station.supply.draws_ua for station in core.stations)
    return pins_ua * 1e-6 + core.wiring.pull_up_a
