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
from harness.families.bridges import packets
from harness.families.check import Findings
from harness.families.option_values import options_for
from harness.families.registry import family_of
from harness.families.restart import Trace
from harness.records import Scalar

Job = Callable[[DeviceSession], object]
"""Something that the driver does with a device."""


def ask(name: str) -> Job:
    """Reads a quantity."""

    def job(session: DeviceSession) -> object:
        return family_of(session.rom.family).quantities[name].read(session).value

    job.__name__ = name
    return job


def put(_store: bool = False, /, **settings: Scalar) -> Job:
    """Configures; stores what was set if the first argument is true."""

    def job(session: DeviceSession) -> object:
        configure = family_of(session.rom.family).configure
        assert configure is not None
        return configure(session, settings, _store).value

    job.__name__ = "configure"
    return job


def do(name: str, **given: Any) -> Job:  # noqa: ANN401 - options are of any type
    """Runs a check."""

    def job(session: DeviceSession) -> Findings:
        check = family_of(session.rom.family).checks[name]
        return check.run(session, options_for(check, given, plan_path=""))

    job.__name__ = name
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
        reads_on: True if the driver reads behind answers, to see that ones follow.
        leave: what takes each restart sign away from its value after a restart, by the
            quantity or function that shows it.
        prepare: what is done before, such as storing settings.
        unseen: of jobs, by name, how many bits of the answers can be flipped so that
            another value is said without an error; none where a job is not named.
        timed: jobs whose values hang on the time between readings, which has no bits to
            flip: the device is pulled off in them, nothing else.
        blind_end: exchanges at the end of a job, beside the last one, behind which nothing
            can tell that the device is gone.
    """

    family: int
    kind: str = ""
    device: Mapping[str, Any] = field(default_factory=dict)
    fixture: Mapping[str, Any] = field(default_factory=dict)
    loop_backs: Mapping[str, str] = field(default_factory=dict)
    work: tuple[Job, ...] = ()
    quantities: tuple[str, ...] | None = None
    unsent: frozenset[str] = frozenset()
    reads_on: bool = False
    leave: Mapping[str, Job] = field(default_factory=dict)
    prepare: tuple[Job, ...] = ()
    unseen: Mapping[str, int] = field(default_factory=dict)
    timed: tuple[Job, ...] = ()
    blind_end: int = 0

    def __str__(self) -> str:
        return f"{self.family:02X}h {self.kind}".strip()

    @property
    def jobs(self) -> tuple[Job, ...]:
        """All that the driver does with it."""
        names = self.quantities
        if names is None:
            names = tuple(family_of(self.family).quantities)
        return (*map(ask, names), *self.work)

    @property
    def pulled(self) -> tuple[Job, ...]:
        """In which the device is pulled off: the first reading, and all of ``work``."""
        return (*self.jobs[:1], *self.work, *self.timed)


def outputs_on(family: int) -> dict[str, Job]:
    """What takes each output away from off."""
    return {
        sign.shown_by: put(**{sign.shown_by.removesuffix("_off"): "on"})
        for sign in family_of(family).restarts
        if sign.trace is Trace.OUTPUT
    }


def send(write: str, read: int = 0) -> Job:
    """A transaction that the driver has no function for."""
    return lambda session: session.transact(bytes.fromhex(write), read)


def _write_status_7(session: DeviceSession) -> None:
    """Of a 12h: outputs off, no condition."""
    session.transact(b"\x55\x07\x00\x60", 2)
    session.more(b"\xff", 1)


def open_case(live: Callable[..., DeviceSession], case: Case) -> DeviceSession:
    """A session with the device of a case, prepared."""
    session = live(
        case.family,
        fixture=dict(case.fixture),
        loop_backs=dict(case.loop_backs),
        **case.device,
    )
    for job in case.prepare:
        job(session)
    return session


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

_BUSY_SLOTS = {"conversion_time": 25, "power_supply": 1}
"""Single slots have no CRC: the supply, and busy or done while a conversion is timed. A
reading does not hang on them, which is why only these two and what is judged by times
(``data_sheet_conformance``, ``variant``) can be wrong. An ``i2c_read`` that may not be repeated
has no CRC either."""

_LOCATED = (
    "variant", "location", "temperature", "conversion_time", "power_supply",
    "alarm_high", "alarm_low", "resolution",
)  # fmt: skip
_OF_MEMORY_PART = {
    "write second scratchpad", "read second scratchpad", "copy second scratchpad",
    "read memory",
}  # fmt: skip
_WRITTEN = (do("memory_write", start=28, data=ROW),)
_STAGED = {
    "scratchpad target": send(f"0F 20 00 {ROW}"),
    "resume": send("F0 00 00", 1),
}
BENCH_SECRET = "01 02 03 04 05 06 07 08"
PROGRAMMING = {"power": {"programming_v": 12.0, "programming_on": "dtr-without-rts"}}
PARASITE = {"line": {"pull_up_ohm": 1000, "supply_v": 5.0, "cable_m": 1}}
_SENSED = (put(sense_mohm=25),)
_GAUGED = (
    put(accumulated_charge=0.5),
    do("memory_write", data=ROW),
    do("block_lock", number=0),
)
_WATCHED = (do("charge_accumulation", for_s=30),)
_ACCOUNTED = {
    "accumulated_charge": put(accumulated_charge=0.5),
    "shadow of 20h": send("6C 20 11 22 33 44"),
}

CASES = (
    Case(
        family=0x28,
        unseen={**_BUSY_SLOTS, "data_sheet_conformance": 99},
        work=(put(True, alarm_high_degc=30), do("data_sheet_conformance")),
        leave=_SET,
    ),
    Case(
        family=0x22,
        unseen=_BUSY_SLOTS,
        work=(put(True, alarm_high_degc=30),),
        leave=_SET,
    ),
    Case(
        family=0x10,
        unseen=_BUSY_SLOTS,
        work=(put(True, alarm_high_degc=30),),
        leave={**_SET_ALARMS, "temperature": ask("temperature")},
    ),
    Case(
        family=0x3B,
        kind="adjustable",
        unseen={"conversion_time": 65, "power_supply": 1, "variant": 29},
        device={"variant": "adjustable"},
        quantities=_LOCATED,
        work=(put(True, alarm_high_degc=30), do("conditional_search")),
        unsent=frozenset(_OF_MEMORY_PART),
        leave=_SET,
    ),
    Case(
        family=0x3B,
        kind="with memory",
        unseen={"conversion_time": 21, "power_supply": 1},
        device={"variant": "with-memory"},
        quantities=_LOCATED[:-3],
        work=(do("memory_write", data=ROW),),
        unsent=frozenset({"write scratchpad", "copy scratchpad", "recall"}),
    ),
    Case(
        family=0x42,
        unseen=_BUSY_SLOTS,
        device={"held_low": ["b"]},
        work=(
            put(True, alarm_high_degc=30, channel_a_output="on"),
            do("output_walk"),
            do("conditional_search"),
            do("chain"),
        ),
        leave={**_SET, **outputs_on(0x42)},
    ),
    Case(
        family=0x2D,
        work=(
            do("memory_write", data=ROW),
            do("protection_write", number=3, mode="write-protected"),
        ),
        leave=_STAGED,
    ),
    Case(
        family=0x43,
        work=(do("memory_write", start=30, data=ROW),),
        leave=_STAGED,
    ),
    Case(family=0x23, work=_WRITTEN, leave=_STAGED),
    *(Case(family=code, work=_WRITTEN, leave=_STAGED) for code in (8, 6, 4, 10, 12)),
    Case(
        family=0x1D,
        work=(
            do("memory_write", start=30, data=ROW),
            do("memory_verify", fill="zeros", length=64),
            do("counting"),
        ),
        leave=_STAGED,
    ),
    Case(
        family=0x14,
        work=(do("memory_write", start=3, data=ROW), do("register_lock", data=ROW)),
        leave={"application_register": send(f"99 00 {ROW}")},
    ),
    *(
        Case(
            family=code,
            fixture=PROGRAMMING,
            quantities=("protected_pages", "redirected_pages"),
            work=(
                do("memory_program", start=0x1E, data="12 34 56"),
                do("page_protect", page=1),
            ),
            unsent=frozenset(
                {"read memory with CRC" if code & 15 == 9 else "read memory"}
            ),
        )
        for code in (0x09, 0x89, 0x0B, 0x8B, 0x0F, 0x8F)
    ),
    Case(
        family=0x3A,
        work=(do("output_walk"), put(channel_a_output="on")),
        leave=outputs_on(0x3A),
    ),
    Case(
        family=0x29,
        work=(
            do("output_walk"),
            do("activity"),
            do("leave_test_mode"),
            do("power_on_flag_clear"),
            do("conditional_search"),
            do("level_samples"),
        ),
        leave={
            **outputs_on(0x29),
            "power_on_flag": do("power_on_flag_clear"),
            "search registers": send("CC 8B 00 FF 0F 01"),
            "resume": ask("ports"),
        },
    ),
    Case(
        family=0x12,
        work=(
            do("output_walk"),
            do("activity"),
            do("conditional_search"),
            do("memory_verify", fill="blank"),
        ),
        unsent=frozenset({"read memory with CRC"}),
        leave={**outputs_on(0x12), "search bits": _write_status_7},
    ),
    Case(
        family=0x05,
        blind_end=1,
        work=(do("output_walk"), do("toggle")),
        leave=outputs_on(0x05),
    ),
    Case(
        family=0x21,
        work=(
            do("clock_set"),
            do("mission", samples=1),
            do("log"),
            do("histogram"),
            do("memory_write", start=28, data=ROW),
        ),
        leave=_STAGED,
    ),
    Case(
        family=0x41,
        work=(
            do("clock_set"),
            do("mission", samples=1),
            do("mission_stop"),
            do("log"),
            do("memory_write", start=28, data=ROW),
        ),
        leave=_STAGED,
    ),
    Case(
        family=0x33,
        fixture=PARASITE,
        device={"secret": BENCH_SECRET, "fill": 0},
        work=(
            do("authenticated_page", secret="env:BENCH_SECRET"),
            do("authenticated_write", secret="env:BENCH_SECRET", data=ROW),
            do(
                "secret_compute",
                secret="env:BENCH_SECRET",
                partial_secret="env:BENCH_SECRET",
            ),
            do("secret_load", secret="env:BENCH_SECRET"),
            do("wrong_mac"),
        ),
        unsent=frozenset({"refresh scratchpad"}),
        leave=_STAGED,
    ),
    Case(
        family=0x2F,
        fixture=PARASITE,
        device={"secret": BENCH_SECRET},
        work=(do("wrong_mac"),),
        unsent=frozenset(
            {
                "refresh scratchpad",
                "read authenticated page",
                "load first secret",
                "compute next secret",
            }
        ),
        leave=_STAGED,
    ),
    Case(
        family=0x19,
        reads_on=True,
        unseen={"i2c_read": 33},
        quantities=("revision", "speed_khz"),
        work=(
            put(speed_khz=100),
            do("i2c_scan", first=0x48, last=0x50, wanted="48 50"),
            do("i2c_register", address=0x50, pointer="00 00", length=4),
            do("i2c_read", address=0x50, length=4, twice=False),
            do("i2c_write", address=0x50, data="00 20 01 02 03", pointer_bytes=2),
            do("absent_address"),
            lambda session: packets.write(session, 0x50, bytes(600)),
        ),
        unsent=frozenset({"enable sleep"}),
        leave={"speed_khz": put(speed_khz=100)},
    ),
    Case(
        family=0x26,
        prepare=_SENSED,
        work=(do("memory_write", data=ROW),),
        leave={
            "scratchpad of page 3": send(f"4E 03 {ROW}"),
            "results of page 0": ask("temperature"),
        },
    ),
    Case(
        family=0x30,
        device={"content": ROW, "current_a": 1.0},
        prepare=_SENSED,
        work=_GAUGED,
        timed=_WATCHED,
        leave={
            **_ACCOUNTED,
            "charge_enabled": put(charge_enabled="off"),
            "discharge_enabled": put(discharge_enabled="off"),
        },
    ),
    *(
        Case(
            family=code,
            device={"content": ROW},
            prepare=_SENSED,
            work=_GAUGED,
            timed=_WATCHED,
            unsent=frozenset(unsent),
            leave=_ACCOUNTED,
        )
        for code, unsent in (
            (0x51, ()),
            (0x2E, ("refresh", "start charging", "stop charging")),
        )
    ),
    Case(
        family=0x36, prepare=_SENSED, work=_GAUGED[:1], timed=_WATCHED, leave=_ACCOUNTED
    ),
    *(
        Case(
            family=code, work=(do("clock_set"), put(oscillator="on"), do("clock_drift"))
        )
        for code in (0x24, 0x27)
    ),
    Case(
        family=0x20,
        work=(
            put(channel_a_resolution_bits=12, channel_b_output="on", supply="external"),
            ask("channel_a_voltage"),
            do("power_on_flags_clear"),
            do("conditional_search"),
        ),
        leave={
            "power_on_flags": do("power_on_flags_clear"),
            "control page": put(channel_a_resolution_bits=12),
            "alarm page": put(channel_b_alarm_low_v=1.0),
            "supply byte": put(supply="external"),
        },
    ),
    Case(
        family=0x2C,
        work=(
            put(position=128, charge_pump="on"),
            do("wiper_ramp"),
            do("wiper_steps", count=2),
            do("conditional_search"),
        ),
        leave={"position": put(position=9), "charge_pump": put(charge_pump="on")},
    ),
)
