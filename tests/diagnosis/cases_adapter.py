"""Faults of adapter and host, and of parts that disturb all, F28 to F34."""

from __future__ import annotations

from harness.diagnosis.finding import Cause, FindingSeverity
from tests.diagnosis import benches, benches_adapter
from tests.diagnosis.case import LONG, SUPPLY_SWITCH, Case

CASES_ADAPTER: dict[str, Case] = {
    "F28 fast mode": Case(
        vary=benches_adapter.f28,
        right=(
            (Cause.CONFIGURATION, "left-in-fast-mode"),
            (Cause.ADAPTER, "wrong-rate"),
        ),
        measured="",
        twin=benches.healthy,
    ),
    "F28 part that wants a longer reset": Case(
        vary=benches_adapter.f28_late_resetter,
        right=((Cause.CONFIGURATION, "left-in-fast-mode"),),
        measured="0 after a reset of 694 us",
        forbidden=("wrong-rate", "spikes"),
        twin=benches.healthy,
    ),
    "F29 latency": Case(
        vary=benches_adapter.f29,
        right=((Cause.ADAPTER, "latency"),),
        measured="round trip",
        forbidden=("absent", "drops"),
        severity=FindingSeverity.WARNING,
        twin=benches.healthy,
    ),
    "F29 late host": Case(
        vary=benches_adapter.f29_late_host,
        right=((Cause.HOST, "late-now-and-then"),),
        measured="longest",
        forbidden=("absent", "drops", "latency"),
        severity=FindingSeverity.NOTE,
    ),
    "F30a no echo": Case(
        vary=benches_adapter.f30a,
        right=((Cause.UNDECIDED, "silent"),),
        measured="echoed",
        forbidden=("absent", "stuck-low"),
        names="receive-open",
    ),
    "F30b inverted": Case(
        vary=benches_adapter.f30b,
        right=((Cause.ADAPTER, "inverted"),),
        measured="00h",
        forbidden=("stuck-low", "pull-up", "absent"),
    ),
    "F30c push-pull": Case(
        vary=benches_adapter.f30c,
        right=((Cause.ADAPTER, "push-pull"),),
        measured="supply off",
        keys=SUPPLY_SWITCH,
    ),
    "F30d doubled echo": Case(
        vary=benches_adapter.f30d,
        right=((Cause.HOST, "doubled-echo"),),
        measured="extra characters",
        forbidden=("second-master", "spikes"),
    ),
    "F30d escaped characters": Case(
        vary=benches_adapter.f30_escaped,
        right=((Cause.HOST, "terminal-layer"),),
        measured="0 behind 0 of",
        forbidden=("second-master", "spikes", "drops"),
    ),
    "F31a fallback rate": Case(
        vary=benches_adapter.f31a,
        right=((Cause.ADAPTER, "wrong-rate"),),
        measured="1000 slots take",
        forbidden=("absent", "low-level"),
    ),
    "F31b rate": Case(
        vary=benches_adapter.f31b,
        right=((Cause.ADAPTER, "wrong-rate"),),
        measured="slot rate",
    ),
    "F32 overrun": Case(
        vary=benches_adapter.f32,
        right=((Cause.ADAPTER, "drops"),),
        measured="came back whole",
        forbidden=("phantom", "absent"),
    ),
    "F33 adapter lost": Case(
        vary=benches_adapter.f33,
        right=((Cause.ADAPTER, "lost"),),
        measured="port lost",
    ),
    "F33 power blinks": Case(
        vary=benches_adapter.f33_blink,
        right=((Cause.ADAPTER, "supply-blinks"),),
        measured="openings of the port",
        forbidden=("restart", "reloaded"),
        severity=FindingSeverity.WARNING,
    ),
    "F34 stretched reset": Case(
        vary=benches_adapter.f34_stretched,
        right=((Cause.DEVICE, "stretches-reset"),),
        measured="echoes 00h",
        forbidden=("stuck-low", "low-in-search", "absent"),
    ),
    "F34 part that signals": Case(
        vary=benches_adapter.f34_signals,
        right=((Cause.DEVICE, "signals"),),
        measured="lone pulls",
        forbidden=("second-master", "idle-spikes", "comes-and-goes"),
        severity=FindingSeverity.NOTE,
        effort=LONG,
    ),
    "F34 second master": Case(
        vary=benches_adapter.f34,
        right=((Cause.BUS_WIRING, "second-master"),),
        measured="bursts of",
        forbidden=("doubled-echo",),
        effort=LONG,
    ),
}
