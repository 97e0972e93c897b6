"""Known courses of events, so that a busy bus need not be worked out slot by slot.

The exact engine runs each distinct situation once: this byte, these devices pulling
a 0, this voltage at the start. If the line is calm at both ends, everything that
came of it is kept as an ``KnownOutcome``; the next time the outcome is looked up and only
the devices' logic runs. What the exact engine would do and what the table does are
the same by construction, since it starts from the same numbers.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable
from dataclasses import dataclass
from functools import reduce
from math import exp
from operator import and_

from harness.simulation.adapter.uart import HeardCharacter
from harness.simulation.devices.mounted_device import Station
from harness.simulation.devices.supply import HYSTERESIS_V, ParasiteSupply
from harness.simulation.line.engine import Engine
from harness.simulation.line.slot_log import SlotLog
from harness.simulation.line.trace import LineCourse

MOST_OUTCOMES = 200_000
"""Under one circumstance; more than that and it is emptied."""

MOST_RECORDED = 20_000
"""Under all circumstances while the line is recorded: an outcome with its course takes
some 10 kB. Then all start afresh."""

MOST_STRETCHES = 10_000
"""Under one circumstance; more than that and they are emptied. One takes about 1 kB."""

MOST_CIRCUMSTANCES = 64
"""More than that and all are emptied."""

GUARD_V = 0.2
"""How far above brown-out the lumped account of parasite power is trusted."""


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownOutcome:
    """What one character does to a calm line.

    Attributes:
        echo: the one character received.
        heard_us: when, from the start of the character.
        ones: mask of the devices that sampled a 1.
        slots: mask of the devices that took it for a time slot.
        resets: the devices that took it for a reset, in order, each with True if that
            makes it leave overdrive.
        taken_us: when each device sampled, by index.
        end_cv: voltage at the end, in hundredths of a volt.
        spent_v: what it costs a parasite device, and then
        keep: factor, and
        gain_v: addend, of the recharging; see ``LumpedSupply``.
        course: what the line does meanwhile, if it is recorded.
    """

    echo: int
    heard_us: float
    ones: int
    slots: int
    resets: tuple[tuple[Station, bool], ...]
    taken_us: tuple[float, ...]
    end_cv: int
    spent_v: float
    keep: float
    gain_v: float
    course: LineCourse | None


class KnownStretch:
    """What several characters in a row do to a calm line, outcome after outcome.

    Attributes:
        outcomes: of each; none is a reset.
        echoes: the characters received.
        heard_us: when, each from the start of its own character.
        slots: mask of the devices that took all of them for time slots.
        end_cv: voltage at the end, in hundredths of a volt.
    """

    __slots__ = ("_bits", "echoes", "end_cv", "heard_us", "outcomes", "slots")

    def __init__(self, outcomes: tuple[KnownOutcome, ...]) -> None:
        self.outcomes = outcomes
        self.echoes = bytes(each.echo for each in outcomes)
        self.heard_us = tuple(each.heard_us for each in outcomes)
        self.slots = reduce(and_, (each.slots for each in outcomes))
        self.end_cv = outcomes[-1].end_cv
        self._bits: dict[int, int] = {}

    def bits(self, of: int) -> int:
        """What a device sampled, first slot in bit 0; ``of`` is its bit in the masks."""
        bits = self._bits.get(of)
        if bits is None:
            ones = (1 << k for k, each in enumerate(self.outcomes) if each.ones & of)
            bits = self._bits[of] = sum(ones)
        return bits


def situation(byte: int, pulling: int, start_cv: int) -> int:
    """Key of a situation."""
    return (pulling << 12 | start_cv) << 8 | byte


@dataclass(frozen=True, slots=True, kw_only=True)
class LumpedSupply:
    """The worst of all parasite devices together, for a quick account.

    It has the smallest capacitor, the largest currents and the highest brown-out
    level of them, and it charges as if all were as empty as it is.
    """

    nodes: tuple[ParasiteSupply, ...]
    full_v: float
    tau_us: float
    drain_v_per_us: float
    slot_v: float
    floor_v: float

    @classmethod
    def of(cls, stations: list[Station], engine: Engine) -> LumpedSupply | None:
        """None if no device lives on the line's charge."""
        nodes = tuple(
            station.supply
            for station in stations
            if isinstance(station.supply, ParasiteSupply) and station.is_attached
        )
        if not nodes:
            return None

        def all_of(setting: str) -> list[float]:
            return [getattr(node.settings, setting) for node in nodes]

        # the worst of each, so that no device runs dry before the account says so
        stores_pf, line = all_of("store_pf"), engine.line
        store_pf = min(stores_pf)
        return cls(
            nodes=nodes,
            full_v=line.final_v - max(all_of("diode_v")),
            tau_us=line.source_ohm * sum(stores_pf) * 1e-6,
            drain_v_per_us=max(all_of("idle_ua")) / store_pf,
            slot_v=max(all_of("slot_charge_nc")) * 1000 / store_pf,
            floor_v=max(all_of("brown_out_v")) + GUARD_V,
        )

    def start_v(self) -> float:
        """Voltage of the emptiest capacitor now."""
        return min(node.present_v() for node in self.nodes)

    def assume(self, volts: float) -> None:
        """All are as empty as the account says, and recharge from here."""
        for node in self.nodes:
            node.assume(volts)

    def spent_v(self, low_us: float) -> float:
        """What one character with so long a low costs."""
        return low_us * self.drain_v_per_us + self.slot_v

    def recharge(self, high_us: float) -> tuple[float, float]:
        """Factor and addend by which the high that follows brings it back."""
        keep = exp(-high_us / self.tau_us)
        return keep, self.full_v * (1 - keep)


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    """What is known under one circumstance (rate, line, population, speeds).

    Attributes:
        outcomes: by ``situation``.
        stretches: of several characters, by what they depend on.
        lumped: the parasite devices, if there are any.
    """

    outcomes: dict[int, KnownOutcome]
    stretches: dict[Hashable, KnownStretch]
    lumped: LumpedSupply | None


class Outcomes:
    """Collects outcomes from the exact engine, and keeps them.

    They are kept by circumstance (rate, line, who runs in overdrive); when a device comes or goes or changes
    its times, all are invalid.
    """

    def __init__(self, engine: Engine, stations: list[Station]) -> None:
        self._engine = engine
        self._stations = stations
        self._known: dict[Hashable, Known] = {}
        self._recorded = 0
        self._low_us = 0.0
        self._low_from_us = 0.0
        self._mind_feeds()

    def _mind_feeds(self) -> None:
        """Watch for how long parasite devices get nothing from the line."""
        self._engine.ignore(self)
        feeds_v = [
            station.supply.feed_v
            for station in self._stations
            if isinstance(station.supply, ParasiteSupply)
        ]
        if feeds_v:
            self._engine.listen(
                self,
                low_v=max(feeds_v),
                high_v=max(feeds_v) + HYSTERESIS_V,
                on_edge=self._on_feed_edge,
            )

    def known(self, circumstance: Hashable) -> Known:
        """What is known under a circumstance of a settled line."""
        known = self._known.get(circumstance)
        if known is None:
            if len(self._known) >= MOST_CIRCUMSTANCES:
                self._known.clear()
            lumped = LumpedSupply.of(self._stations, self._engine)
            known = Known(outcomes={}, stretches={}, lumped=lumped)
            self._known[circumstance] = known
        elif len(known.outcomes) >= MOST_OUTCOMES:
            known.outcomes.clear()
        if len(known.stretches) >= MOST_STRETCHES:
            known.stretches.clear()
        return known

    def keep(self, known: Known, key: int, outcome: KnownOutcome) -> None:
        """An outcome of a situation, under the circumstance that is ``known``."""
        if outcome.course is not None:
            if self._recorded >= MOST_RECORDED:
                for each in self._known.values():
                    each.outcomes.clear()
                    each.stretches.clear()
                self._recorded = 0
            self._recorded += 1
        known.outcomes[key] = outcome

    def forget(self) -> None:
        """All that is known is invalid."""
        self._recorded = 0
        self._known.clear()
        self._mind_feeds()

    def rebase(self, by_us: float) -> None:
        """Times now count from a point ``by_us`` later."""
        self._low_from_us -= by_us

    def watch(self) -> None:
        """A character begins: start a new account."""
        self._low_us = 0.0
        for station in self._stations:
            station.pin.forget()

    def seen(
        self,
        heard: list[HeardCharacter],
        *,
        lumped: LumpedSupply | None,
        character_us: float,
        end_cv: int,
        course: LineCourse | None,
    ) -> KnownOutcome | None:
        """What came of the character watched; None if it is nothing that repeats."""
        logs = [(station, station.pin.slot_log) for station in self._stations]
        if len(heard) != 1 or not all(log.is_plain for _, log in logs):
            return None
        spent_v, keep, gain_v = self._supply_of(lumped, character_us)
        return KnownOutcome(
            echo=heard[0].byte,
            heard_us=heard[0].done_us,
            ones=_mask(logs, lambda log: bool(log.bit)),
            slots=_mask(logs, lambda log: bool(log.slots)),
            resets=tuple((s, log.leaves_overdrive) for s, log in logs if log.resets),
            taken_us=tuple(log.taken_us for _, log in logs),
            end_cv=end_cv,
            spent_v=spent_v,
            keep=keep,
            gain_v=gain_v,
            course=course,
        )

    def _supply_of(
        self, lumped: LumpedSupply | None, character_us: float
    ) -> tuple[float, float, float]:
        """What the character took from parasite supplies: spent, share kept, gained."""
        if lumped is None:
            return 0.0, 1.0, 0.0
        keep, gain_v = lumped.recharge(character_us - self._low_us)
        return lumped.spent_v(self._low_us), keep, gain_v

    def _on_feed_edge(self, is_high: bool) -> None:
        if is_high:
            self._low_us += self._engine.now_us - self._low_from_us
        else:
            self._low_from_us = self._engine.now_us


def _mask(logs: list[tuple[Station, SlotLog]], holds: Callable[[SlotLog], bool]) -> int:
    """Bits of the devices whose log of the character holds."""
    return sum(station.bit for station, log in logs if holds(log))
