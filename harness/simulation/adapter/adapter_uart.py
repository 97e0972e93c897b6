"""The adapter's UART on the bench: its rate, and its receiver on the line.

The receiver has a threshold against the adapter's own ground, and may be wired the
wrong way round.
"""

from __future__ import annotations

from collections.abc import Callable
from random import Random
from typing import NamedTuple

from harness.simulation.adapter.clock_grids import achieved_baud
from harness.simulation.adapter.uart import Framing, Receiver
from harness.simulation.line.engine import Engine
from harness.simulation.settings.bench import BenchSettings

RECEIVER_HYSTERESIS_V = 0.02


class _Made(NamedTuple):
    """What comes of a request: rate, format and where the receiver's grid lies."""

    rate: float
    framing: Framing
    phase: float


class UartSide:
    """Rate, format and receiver.

    Attributes:
        framing: rate and format in force.
        receiver: what turns edges into characters.
        error: fault; relative error of every rate.
        above_baud: fault; requests above it fail, and
        made_baud: this is the rate they give.
    """

    framing: Framing
    receiver: Receiver

    def __init__(
        self,
        *,
        settings: BenchSettings,
        engine: Engine,
        random_for: Callable[..., Random],
    ) -> None:
        self.error = 0.0
        self.above_baud: float | None = None
        self.made_baud = 9600.0
        self._settings = settings
        self._engine = engine
        self._random_for = random_for
        self._lift_v = 0.0
        self._inverted = False
        self._made: dict[tuple[float, int, float], _Made] = {}
        self._asked_baud = 9600.0
        self._line_high = True
        self.configure(baud=9600, stop_bits=1)
        self._listen()

    def configure(self, *, baud: float, stop_bits: int) -> float:
        """Set rate and format.

        Returns:
            The rate that the chip really makes, its oscillator's error included.
        """
        self._asked_baud = baud
        if self.above_baud is not None and baud > self.above_baud:
            baud = self.made_baud
        key = (baud, stop_bits, self.error)
        made = self._made.get(key)
        if made is None:
            made = self._made[key] = self._make(baud, stop_bits)
        self.framing = made.framing
        oversampling = self._settings.adapter.oversampling
        self.receiver = Receiver(
            framing=made.framing, oversampling=oversampling, phase=made.phase
        )
        self.receiver.restart(self._level)
        return made.rate

    def _make(self, baud: float, stop_bits: int) -> _Made:
        adapter = self._settings.adapter
        rate = achieved_baud(self._settings.clock_kind, baud)
        rate *= (1 + adapter.error_ppm * 1e-6) * (1 + self.error)
        phase = adapter.grid_phase
        if phase is None:
            phase = self._random_for("receiver grid", round(rate)).random()
        return _Made(rate, Framing(bit_us=1e6 / rate, stop_bits=stop_bits), phase)

    def follow(self) -> None:
        """A fault of the rate came or went."""
        self.configure(baud=self._asked_baud, stop_bits=self.framing.stop_bits)

    def lift(self, volts: float) -> None:
        """The adapter's ground is so far above the line's, from now on."""
        self._lift_v = volts
        engine = self._engine
        engine.line.move_to(engine.now_us)
        engine.ignore("receiver")
        self._listen()

    def invert(self, inverted: bool) -> None:
        """Its input is turned round, or not."""
        self._inverted = inverted
        self.receiver.edge(self._engine.now_us, bool(self._level))

    @property
    def _level(self) -> int:
        """What the receiver sees."""
        return int(self._line_high != self._inverted)

    def _listen(self) -> None:
        threshold_v = self._settings.adapter.threshold_v + self._lift_v
        comparator = self._engine.listen(
            "receiver",
            low_v=threshold_v - RECEIVER_HYSTERESIS_V,
            high_v=threshold_v,
            on_edge=self._on_edge,
            was_high=self._line_high,
        )
        if comparator.is_high != self._line_high:
            self._on_edge(comparator.is_high)

    def _on_edge(self, is_high: bool) -> None:
        self._line_high = is_high
        self.receiver.edge(self._engine.now_us, bool(self._level))
