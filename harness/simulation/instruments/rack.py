"""The instruments of a simulated bench, wired to its supply node and its chamber.

    supply        feeds the pull-up and the supply pins, less the drop over its leads
    multimeter    sees the node's voltage and the current that flows out of the supply
    chamber       carries every device that knows a temperature along
    thermometer   reads the chamber, with an error of its own

The drop over the leads is that of the current at the moment of switching.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import partial

from harness.simulation.instruments.heat import Heat
from harness.simulation.instruments.scpi import ScpiError, ScpiInterface
from harness.simulation.line.core import Core
from harness.simulation.settings.instruments import (
    SimulatedChamber,
    SimulatedInstrument,
    SimulatedMultimeter,
    SimulatedSupply,
    SimulatedThermometer,
)


@dataclass(frozen=True, slots=True)
class _Node:
    """The bench's supply node.

    Attributes:
        core: line, devices and power.
        now_s: lets the line run up to the host's time, which it returns.
    """

    core: Core
    now_s: Callable[[], float]

    def drawn_a(self) -> float:
        """Current out of the supply now: supply pins, and the pull-up into the line."""
        self.now_s()
        pins_ua = sum(station.supply.draws_ua for station in self.core.stations)
        return pins_ua * 1e-6 + self.core.wiring.pull_up_a


class Rack:
    """Every instrument of a bench; where there is a supply, the bus begins without.

    Args:
        instruments: what the fixture says of each.
        core: line, devices and power of the bench.
        now_s: lets the line run up to the host's time, which it returns, in seconds.
    """

    def __init__(
        self,
        instruments: Iterable[SimulatedInstrument],
        core: Core,
        now_s: Callable[[], float],
    ) -> None:
        self._node = _Node(core, now_s)
        self._open: dict[str, ScpiInterface] = {}
        self._heat: Heat | None = None
        for settings in instruments:
            self._open[settings.resource] = self._made(settings)

    def open(self, resource: str) -> ScpiInterface:
        """The interface of one.

        Raises:
            KeyError: there is none of that name.
        """
        return self._open[resource]

    def _made(self, settings: object) -> ScpiInterface:
        if isinstance(settings, SimulatedSupply):
            return _Supply(self._node, settings).interface
        if isinstance(settings, SimulatedChamber):
            return self._chamber(settings)
        if isinstance(settings, SimulatedMultimeter):
            node = self._node
            queries: dict[str, Callable[[], float]] = {
                "MEAS:VOLT:DC?": lambda: node.core.wiring.rail_v,
                "MEAS:CURR:DC?": node.drawn_a,
            }
            return ScpiInterface(settings.identity, {}, queries)
        assert isinstance(settings, SimulatedThermometer)
        error_k = settings.error_k
        return ScpiInterface(
            settings.identity, {}, {"MEAS:TEMP?": lambda: self._degc() + error_k}
        )

    def _degc(self) -> float:
        return 23.0 if self._heat is None else self._heat.at(self._node.now_s())

    def _chamber(self, settings: SimulatedChamber) -> ScpiInterface:
        heat = self._heat = Heat(
            start=settings.start_degc,
            time_constant_s=settings.time_constant_s,
            overshoot=settings.overshoot,
        )
        start = settings.start_degc
        self._node.core.ambient_k = lambda now_s: heat.at(now_s) - start
        state = {"SOUR:TEMP": start, "OUTP": 0.0}

        def keep(header: str, value: float) -> None:
            state[header] = value
            target = state["SOUR:TEMP"] if state["OUTP"] else start
            heat.aim(target, self._node.now_s())

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

    def __init__(self, node: _Node, settings: SimulatedSupply) -> None:
        self._node = node
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
                "MEAS:CURR?": node.drawn_a,
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
        if self._on and self._node.drawn_a() > self._limit_a:
            self._tripped = True
            self._feed()
        return float(self._tripped)

    def _feed(self) -> None:
        """Drive the bench's supply node."""
        self._node.now_s()
        volts = self._output_v()
        if volts > 0:
            volts -= self._node.drawn_a() * self._settings.series_ohm
        self._node.core.feed_rail(max(0.0, volts))
