"""The field failures as cases: bench, right cause, what must be measured, what is forbidden.

The cases F01 to F34 and their verdicts are those of the collection of field failures
(public reports and device documentation, retold). An examination alone changes nothing
and supposes nothing; where a failure shows in a step only (F22 stores an EEPROM), the
case is the diagnosis that the failed step of a plan carries.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from harness.diagnosis.diagnose import Effort
from harness.diagnosis.finding import Cause, Weight
from harness.driver.bus import Bus
from tests.diagnosis import benches, benches_kinds

QUICK = Effort(
    listen_s=2.0, resets=8, slots=2000, scans=3, verifies=12, reads=8, rounds=2, alone=2
)


@dataclass(frozen=True, kw_only=True)
class Case:
    """One field failure.

    Attributes:
        vary: a bench with the fault, other numbers each time.
        right: causes and kinds that may stand first.
        measured: words that the first finding's numbers must hold.
        forbidden: kinds that must not be found as faults at all.
        effort: of the examination.
        weight: of the first finding.
        prepare: what the host did before, on the open bus.
        twin: a bench without the fault; the same with no faults unless given.
        names: what an undecided finding must list.
        keys: further keys of the fixture.
        expect: what the fixture declares of the first socket besides.
        steps: steps of a plan whose failed one is diagnosed; the examination alone
            if there are none.
    """

    vary: benches.Vary
    right: tuple[tuple[Cause, str], ...]
    measured: str
    forbidden: tuple[str, ...] = ()
    effort: Effort = QUICK
    weight: Weight = Weight.FAULT
    prepare: Callable[[Bus], None] | None = None
    twin: benches.Vary | None = None
    names: str = ""
    keys: dict[str, Any] = field(default_factory=dict)
    expect: dict[str, Any] = field(default_factory=dict)
    steps: str = ""


LONG = Effort(
    listen_s=25.0, resets=8, slots=2000, scans=3, verifies=8, reads=6, rounds=1, alone=1
)
MANY_ROUNDS = Effort(
    listen_s=1.0, resets=8, slots=1000, scans=2, verifies=6, reads=4, rounds=8, alone=6
)
MANY_SLOTS = Effort(
    listen_s=1.0,
    resets=40,
    slots=8000,
    scans=3,
    verifies=20,
    reads=20,
    rounds=1,
    alone=1,
)
MANY_CONVERSIONS = Effort(
    listen_s=1.0,
    resets=8,
    slots=1000,
    scans=2,
    verifies=6,
    reads=4,
    rounds=1,
    alone=100,
)
"""One lost command in twenty escapes a hundred with a chance of 0.6 %."""
SUPPLY_SWITCH = {"power": {"supply_on": "rts"}}

CASES: dict[str, Case] = {
    "F01 restart while converting": Case(
        vary=benches.f01,
        right=((Cause.SUPPLY, "restart"),),
        measured="marker in the alarm bytes gone",
        forbidden=("spikes", "slow-edge", "duplicate"),
    ),
    "F02 supply pin open": Case(
        vary=benches.f02,
        right=((Cause.SUPPLY, "supply-pin-open"),),
        measured="degC",
        forbidden=("spikes", "slow-edge"),
        effort=MANY_ROUNDS,
    ),
    "F03 zeros": Case(
        vary=benches.f03_zeros,
        right=((Cause.BUS_WIRING, "low-while-reading"),),
        measured="blocks all zero",
        forbidden=("absent",),
        effort=MANY_SLOTS,
    ),
    "F03 ones": Case(
        vary=benches.f03_ones,
        right=((Cause.DEVICE, "loose-contact"), (Cause.DEVICE, "comes-and-goes")),
        measured="of",
        forbidden=("low-while-reading", "slow-edge"),
        effort=MANY_SLOTS,
    ),
    "F04 command lost": Case(
        vary=benches.f04,
        right=((Cause.NOISE, "command-lost"),),
        measured="busy not seen",
        forbidden=("restart", "slow-edge", "spikes"),
        effort=MANY_ROUNDS,
    ),
    "F04 command lost rarely": Case(
        vary=benches.f04_rarely,
        right=((Cause.NOISE, "command-lost"),),
        measured="busy not seen",
        forbidden=("restart", "slow-edge", "spikes"),
        effort=MANY_CONVERSIONS,
    ),
    "F05 clone": Case(
        vary=benches.f05,
        right=((Cause.CONFIGURATION, "clone-like"),),
        measured="conversion",
        forbidden=("restart", "odd-block"),
        weight=Weight.WARNING,
        twin=benches.healthy,
    ),
    "F06 low in search": Case(
        vary=benches.f06,
        right=((Cause.BUS_WIRING, "low-in-search"),),
        measured="zeros throughout",
        forbidden=("absent", "phantom"),
    ),
    "F07 random slots": Case(
        vary=benches.f07,
        right=tuple(
            (Cause.NOISE, k) for k in ("spikes", "pulled-highs", "lifted-lows")
        ),
        measured="pulled low",
        forbidden=("slow-edge", "duplicate", "attached"),
        effort=MANY_SLOTS,
    ),
    "F08 star": Case(
        vary=benches.f08,
        right=((Cause.BUS_WIRING, "branch"),),
        measured="directed searches",
        forbidden=("spikes", "absent"),
        effort=MANY_SLOTS,
    ),
    "F09 duplicate": Case(
        vary=benches.f09,
        right=((Cause.DEVICE, "duplicate"),),
        measured="wrong check value",
        forbidden=("spikes", "slow-edge"),
    ),
    "F10 slip": Case(
        vary=benches.f10,
        right=((Cause.NOISE, "slip"),),
        measured="moved by one slot",
        forbidden=("odd-block", "duplicate"),
        effort=MANY_SLOTS,
    ),
    "F11 slow edge": Case(
        vary=benches.f11,
        right=((Cause.BUS_WIRING, "slow-edge"),),
        measured="margin",
        forbidden=("spikes", "pull-up", "absent"),
        twin=benches.healthy,
    ),
    "F12 weak pull-up": Case(
        vary=benches.f12,
        right=((Cause.BUS_WIRING, "pull-up"),),
        measured="rise",
        forbidden=("drops", "inverted"),
    ),
    "F12 leakage": Case(
        vary=benches.f12_hot,
        right=((Cause.UNDECIDED, "silent"), (Cause.BUS_WIRING, "stuck-low")),
        measured="characters echoed",
        names="stuck-low",
        twin=benches.healthy,
    ),
    "F13 late presence": Case(
        vary=benches.f13,
        right=((Cause.DEVICE, "late-presence"),),
        measured="9600",
        forbidden=("nobody", "absent"),
        weight=Weight.NOTE,
        twin=benches.healthy,
    ),
    "F14 short": Case(
        vary=benches.f14,
        right=((Cause.BUS_WIRING, "stuck-low"),),
        measured="echoed at first",
        forbidden=("absent", "drops"),
    ),
    "F14 short from the start": Case(
        vary=benches.f14_from_the_start,
        right=((Cause.UNDECIDED, "silent"),),
        measured="echoed",
        forbidden=("absent", "receive-open"),
        names="stuck-low",
    ),
    "F14 thermostat": Case(
        vary=benches.f14_thermostat,
        right=((Cause.UNDECIDED, "silent"), (Cause.BUS_WIRING, "stuck-low")),
        measured="echoed",
        forbidden=("absent",),
        names="thermostat",
    ),
    "F15 low level": Case(
        vary=benches.f15,
        right=((Cause.BUS_WIRING, "low-level"),),
        measured="9600",
        forbidden=("absent", "wrong-rate", "push-pull"),
    ),
    "F16 bursts": Case(
        vary=benches.f16,
        right=tuple(
            (Cause.NOISE, k)
            for k in ("spikes", "pulled-highs", "lifted-lows", "idle-spikes")
        ),
        measured="",
        forbidden=("slow-edge", "duplicate", "second-master"),
        effort=MANY_SLOTS,
    ),
    "F17 plugged in": Case(
        vary=benches.f17,
        right=((Cause.DEVICE, "attached"),),
        measured="new since the first scan",
        forbidden=("absent", "phantom", "spikes"),
        weight=Weight.NOTE,
    ),
    "F18 no strong pull-up": Case(
        vary=benches.f18,
        right=((Cause.SUPPLY, "no-strong-pull-up"),),
        measured="fed from the data line",
        forbidden=("third-wire", "spikes"),
        twin=benches.healthy,
    ),
    "F19 third wire": Case(
        vary=benches.f19,
        right=((Cause.SUPPLY, "third-wire"),),
        measured="S3=0",
        forbidden=("spikes", "no-strong-pull-up"),
    ),
    "F20 brown-out": Case(
        vary=benches.f20,
        right=((Cause.SUPPLY, "brown-out"),),
        measured="K off",
        forbidden=("spikes", "slow-edge"),
        effort=MANY_ROUNDS,
    ),
    "F21 settings reloaded": Case(
        vary=benches.f21,
        right=((Cause.CONFIGURATION, "reloaded"),),
        measured="alarm bytes",
        forbidden=("restart", "spikes"),
    ),
    "F23 alarm": Case(
        vary=benches.f23,
        right=((Cause.CONFIGURATION, "alarm-stale"),),
        measured="disagree before",
        forbidden=("alarm-wrong",),
        weight=Weight.WARNING,
        prepare=benches.lower_thresholds,
    ),
    "F24 load at an output": Case(
        vary=benches.f24,
        right=((Cause.BUS_WIRING, "output-load"),),
        measured="latch 1, pin 0",
        forbidden=("torn-answer", "odd-answer"),
        twin=benches.f24_twin,
    ),
    "F28 fast mode": Case(
        vary=benches.f28,
        right=(
            (Cause.CONFIGURATION, "left-in-fast-mode"),
            (Cause.ADAPTER, "wrong-rate"),
        ),
        measured="",
        twin=benches.healthy,
    ),
    "F28 part that wants a longer reset": Case(
        vary=benches.f28_late_resetter,
        right=((Cause.CONFIGURATION, "left-in-fast-mode"),),
        measured="0 after a reset of 694 us",
        forbidden=("wrong-rate", "spikes"),
    ),
    "F29 latency": Case(
        vary=benches.f29,
        right=((Cause.ADAPTER, "latency"),),
        measured="round trip",
        forbidden=("absent", "drops"),
        weight=Weight.WARNING,
        twin=benches.healthy,
    ),
    "F30a no echo": Case(
        vary=benches.f30a,
        right=((Cause.UNDECIDED, "silent"),),
        measured="echoed",
        forbidden=("absent", "stuck-low"),
        names="receive-open",
    ),
    "F30b inverted": Case(
        vary=benches.f30b,
        right=((Cause.ADAPTER, "inverted"),),
        measured="00h",
        forbidden=("stuck-low", "pull-up", "absent"),
    ),
    "F30c push-pull": Case(
        vary=benches.f30c,
        right=((Cause.ADAPTER, "push-pull"),),
        measured="supply off",
        keys=SUPPLY_SWITCH,
    ),
    "F30d doubled echo": Case(
        vary=benches.f30d,
        right=((Cause.ADAPTER, "doubled-echo"),),
        measured="extra characters",
        forbidden=("second-master", "spikes"),
    ),
    "F30d escaped characters": Case(
        vary=benches.f30_escaped,
        right=((Cause.ADAPTER, "escaped-characters"),),
        measured="0 behind 0 of",
        forbidden=("second-master", "spikes", "drops"),
    ),
    "F31a fallback rate": Case(
        vary=benches.f31a,
        right=((Cause.ADAPTER, "wrong-rate"),),
        measured="1000 slots take",
        forbidden=("absent", "low-level"),
    ),
    "F31b rate": Case(
        vary=benches.f31b,
        right=((Cause.ADAPTER, "wrong-rate"),),
        measured="slot rate",
    ),
    "F32 overrun": Case(
        vary=benches.f32,
        right=((Cause.ADAPTER, "drops"),),
        measured="came back whole",
        forbidden=("phantom", "absent"),
    ),
    "F33 adapter lost": Case(
        vary=benches.f33,
        right=((Cause.ADAPTER, "lost"),),
        measured="port lost",
    ),
    "F33 power blinks": Case(
        vary=benches.f33_blink,
        right=((Cause.ADAPTER, "supply-blinks"),),
        measured="openings of the port",
        forbidden=("restart", "reloaded"),
        weight=Weight.WARNING,
    ),
    "F34 stretched reset": Case(
        vary=benches.f34_stretched,
        right=((Cause.DEVICE, "stretches-reset"),),
        measured="echoes 00h",
        forbidden=("stuck-low", "low-in-search", "absent"),
    ),
    "F34 part that signals": Case(
        vary=benches.f34_signals,
        right=((Cause.DEVICE, "signals"),),
        measured="lone pulls",
        forbidden=("second-master", "idle-spikes", "comes-and-goes"),
        weight=Weight.NOTE,
        effort=LONG,
    ),
    "F34 second master": Case(
        vary=benches.f34,
        right=((Cause.BUS_WIRING, "second-master"),),
        measured="bursts of",
        forbidden=("doubled-echo",),
        effort=LONG,
    ),
    "F22 supply dip in a store": Case(
        vary=benches_kinds.f22_dip,
        steps=benches_kinds.WRITE_ROW,
        right=((Cause.SUPPLY, "store-dip"),),
        measured="end byte",
        forbidden=("store-protected", "restart", "spikes"),
    ),
    "F22 pull-up too weak for a store": Case(
        vary=benches_kinds.f22_weak,
        steps=benches_kinds.WRITE_ROW,
        right=((Cause.SUPPLY, "store-dip"),),
        measured="status",
        forbidden=("store-protected", "restart", "spikes"),
        twin=benches_kinds.f22_weak_twin,
    ),
    "F22 protected row": Case(
        vary=benches_kinds.f22_protected,
        steps=benches_kinds.WRITE_ROW,
        right=((Cause.CONFIGURATION, "store-protected"),),
        measured="protection bytes 00 55 00 00",
        forbidden=("store-dip", "spikes"),
        twin=benches_kinds.f22_protected_twin,
    ),
    "F22 copy blocked": Case(
        vary=benches_kinds.f22_locked,
        steps=benches_kinds.WRITE_ROW,
        right=((Cause.CONFIGURATION, "store-protected"),),
        measured="end byte FFh",
        forbidden=("store-dip", "spikes"),
        twin=benches_kinds.f22_protected_twin,
    ),
    "F09 duplicate of another kind": Case(
        vary=benches_kinds.f09_other_kind,
        right=((Cause.DEVICE, "wrong-check"), (Cause.DEVICE, "odd-answer")),
        measured="answers not to be believed",
        forbidden=("deaf-to-commands", "spikes"),
    ),
    "F19 another kind": Case(
        vary=benches_kinds.f19_other_kind,
        right=((Cause.SUPPLY, "supply-differs"),),
        measured="power query: parasite",
        forbidden=("spikes", "deaf-to-commands"),
        weight=Weight.WARNING,
    ),
    "F26 dead after a conversion": Case(
        vary=benches_kinds.dead_logger,
        prepare=benches_kinds.kill,
        right=((Cause.DEVICE, "deaf-to-commands"),),
        measured="directed searches answered",
        forbidden=("absent", "spikes"),
    ),
    "F25 polled by a match": Case(
        vary=benches_kinds.f25_polled,
        right=((Cause.CONFIGURATION, "toggled"),),
        measured="0 matches by this harness",
        forbidden=("output-load", "absent", "second-master"),
    ),
    "F25 polled in a step": Case(
        vary=benches_kinds.f25_polled_in_a_step,
        steps=benches_kinds.WAIT,
        right=((Cause.CONFIGURATION, "toggled"),),
        measured="0 matches by this step",
        forbidden=("output-load", "absent"),
    ),
    "F26 oscillator off": Case(
        vary=benches_kinds.f26_oscillator,
        prepare=benches_kinds.start_without_oscillator,
        right=((Cause.CONFIGURATION, "oscillator-off"),),
        measured="byte 80h, bit 7 of 020Eh",
        forbidden=("no-samples", "clock-drift"),
    ),
    "F26 oscillator off before a mission": Case(
        vary=benches_kinds.f26_not_started,
        prepare=benches_kinds.clear_only,
        right=((Cause.CONFIGURATION, "oscillator-off"),),
        measured="byte 00h, bit 0 of 0212h",
        forbidden=("no-samples", "clock-drift", "deaf-to-commands"),
        weight=Weight.WARNING,
    ),
    "F26 drift": Case(
        vary=benches_kinds.f26_drift,
        prepare=benches_kinds.weeks_of_mission,
        right=((Cause.DEVICE, "clock-drift"),),
        measured="ppm",
        forbidden=("oscillator-off", "no-samples"),
        twin=benches_kinds.f26_drift_twin,
    ),
    "F26 drift in a check": Case(
        vary=benches_kinds.f26_drift,
        steps=benches_kinds.DRIFT,
        right=((Cause.DEVICE, "clock-drift"),),
        measured="ppm against the host",
        forbidden=("oscillator-off", "no-samples"),
        twin=benches_kinds.f26_drift_twin,
    ),
    "F27 offset": Case(
        vary=benches_kinds.f27_offset,
        expect={"no_load": True, "sense_mohm": 25},
        right=((Cause.CONFIGURATION, "current-offset"),),
        measured="Ah a day over 25 mohm",
        forbidden=("current-moves",),
        twin=benches_kinds.f27_twin,
    ),
    "F27 offset in a check": Case(
        vary=benches_kinds.f27_offset,
        expect={"sense_mohm": 25},
        steps=benches_kinds.OFFSET,
        right=((Cause.CONFIGURATION, "current-offset"),),
        measured="Ah a day over 25 mohm",
        forbidden=("current-moves",),
        twin=benches_kinds.f27_twin,
    ),
    "F27 moving": Case(
        vary=benches_kinds.f27_moving,
        expect={"no_load": True},
        right=((Cause.DEVICE, "current-moves"),),
        measured="they move by",
        forbidden=("current-offset",),
        twin=benches_kinds.f27_twin,
    ),
    "F27 nothing declared": Case(
        vary=benches_kinds.f27_load,
        right=((Cause.UNDECIDED, "current-flows"),),
        measured="counts",
        forbidden=("current-offset", "current-moves"),
        weight=Weight.NOTE,
        names="it goes with the load",
        twin=benches_kinds.f27_twin,
    ),
}

PREPARED_TWINS = frozenset({"F26 drift"})
"""Cases whose twin needs the same preparation: the bench has the fault, not the host."""
