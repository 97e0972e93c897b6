"""Faults of line, supply and thermometers, F01 to F24."""

from __future__ import annotations

from harness.diagnosis.finding import Cause, FindingSeverity
from tests.diagnosis import benches
from tests.diagnosis.case import MANY_CONVERSIONS, MANY_ROUNDS, MANY_SLOTS, Case

CASES_BUS: dict[str, Case] = {
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
        severity=FindingSeverity.NOTE,
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
        measured="wrong CRC",
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
        severity=FindingSeverity.NOTE,
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
        severity=FindingSeverity.NOTE,
    ),
    "F18 no strong pull-up": Case(
        vary=benches.f18,
        right=((Cause.SUPPLY, "no-strong-pull-up"),),
        measured="fed from the data line",
        forbidden=("third-wire", "spikes"),
        twin=benches.healthy,
    ),
    "F18 one conversion at a time": Case(
        vary=benches.f18_together,
        right=((Cause.SUPPLY, "no-strong-pull-up"),),
        measured="conversions of all at once, after 0 of",
        forbidden=("third-wire", "spikes", "unexplained"),
        twin=benches.f18_fed,
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
        severity=FindingSeverity.WARNING,
        prepare=benches.lower_thresholds,
    ),
    "F24 load at an output": Case(
        vary=benches.f24,
        right=((Cause.BUS_WIRING, "output-load"),),
        measured="latch 1, pin 0",
        forbidden=("torn-answer", "odd-answer"),
        twin=benches.f24_twin,
    ),
}
