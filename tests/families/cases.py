"""Every kind of device once: what it is put to by the tests that all kinds share.

A family registers one ``Case`` here and gets: its rows of commands held against what
the driver sends, its rows of restarts held against the model, flipped bits counted, the
device pulled off in the middle of its work, and noise on the line.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from harness.driver.session import DeviceSession
from harness.families.check import Findings
from harness.families.option_values import options_for
from harness.families.registry import family_of
from harness.records import Scalar

Job = Callable[[DeviceSession], object]
"""Something that the driver does with a device."""


def ask(name: str) -> Job:
    """Reads a quantity."""
    return lambda session: (
        family_of(session.rom.family).quantities[name].read(session).value
    )


def put(*, store: bool = False, **settings: Scalar) -> Job:
    """Configures."""

    def job(session: DeviceSession) -> object:
        configure = family_of(session.rom.family).configure
        assert configure is not None
        return configure(session, settings, store).value

    return job


def do(name: str, **given: Any) -> Job:  # noqa: ANN401 - options are of any type
    """Runs a check."""

    def job(session: DeviceSession) -> Findings:
        check = family_of(session.rom.family).checks[name]
        return check.run(session, options_for(check, given, plan_path=""))

    return job


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """One kind of device.

    Attributes:
        family: its code.
        kind: which of several parts of one code; empty for the only one.
        device: settings of the simulated device.
        fixture: further sections of the fixture.
        loop_backs: outputs that the fixture wires to inputs.
        work: what the driver does with it besides reading every quantity.
        quantities: those to read; all of them if None.
        unsent: names of commands that the driver never sends, or not in this case.
        leave: what takes each restart sign away from its value after a restart, by the
            quantity or function that shows it.
        prepare: what is done before, such as storing settings.
    """

    family: int
    kind: str = ""
    device: Mapping[str, Any] = field(default_factory=dict)
    fixture: Mapping[str, Any] = field(default_factory=dict)
    loop_backs: Mapping[str, str] = field(default_factory=dict)
    work: tuple[Job, ...] = ()
    quantities: tuple[str, ...] | None = None
    unsent: frozenset[str] = frozenset()
    leave: Mapping[str, Job] = field(default_factory=dict)
    prepare: tuple[Job, ...] = ()

    def __str__(self) -> str:
        return f"{self.family:02X}h {self.kind}".strip()

    @property
    def jobs(self) -> tuple[Job, ...]:
        """All that the driver does with it."""
        names = self.quantities
        if names is None:
            names = tuple(family_of(self.family).quantities)
        return (*map(ask, names), *self.work)


ROW = "A5 5A 01 FE 00 FF 80 7F"

_SET_ALARMS = {
    "alarm_high": put(alarm_high_degc=99),
    "alarm_low": put(alarm_low_degc=-99),
}
_SET = {
    **_SET_ALARMS,
    "resolution": put(resolution_bits=10),
    "temperature": ask("temperature"),
}

_LOCATED = (
    "variant", "location", "temperature", "conversion_time", "power_supply",
    "alarm_high", "alarm_low", "resolution",
)  # fmt: skip
_OF_MEMORY_PART = {
    "write second scratchpad", "read second scratchpad", "copy second scratchpad",
    "read memory",
}  # fmt: skip

CASES = (
    Case(
        family=0x28,
        work=(put(store=True, alarm_high_degc=30), do("sheet_behaviour")),
        leave=_SET,
    ),
    Case(family=0x22, work=(put(store=True, alarm_high_degc=30),), leave=_SET),
    Case(
        family=0x10,
        work=(put(store=True, alarm_high_degc=30),),
        leave={**_SET_ALARMS, "temperature": ask("temperature")},
    ),
    Case(
        family=0x3B,
        kind="adjustable",
        device={"variant": "adjustable"},
        quantities=_LOCATED,
        work=(put(store=True, alarm_high_degc=30), do("conditional_search")),
        unsent=frozenset(_OF_MEMORY_PART),
        leave=_SET,
    ),
    Case(
        family=0x3B,
        kind="with memory",
        device={"variant": "with-memory"},
        quantities=_LOCATED[:-3],
        work=(do("memory_write", data=ROW),),
        unsent=frozenset({"write scratchpad", "copy scratchpad", "recall"}),
    ),
    Case(
        family=0x42,
        device={"held_low": ["b"]},
        work=(
            put(store=True, alarm_high_degc=30, output_a="on"),
            do("output_walk"),
            do("conditional_search"),
            do("chain"),
        ),
        leave={**_SET, "latch_a": put(output_a="on"), "latch_b": put(output_b="on")},
    ),
)
