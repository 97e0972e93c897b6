"""Faults of other kinds of device, many in a step of a plan, F09 to F27."""

from __future__ import annotations

from harness.diagnosis.finding import Cause, FindingSeverity
from tests.diagnosis import benches_kinds
from tests.diagnosis.case import Case

CASES_KINDS: dict[str, Case] = {
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
        measured="answers impossible",
        forbidden=("deaf-to-commands", "spikes"),
    ),
    "F19 another kind": Case(
        vary=benches_kinds.f19_other_kind,
        right=((Cause.SUPPLY, "supply-differs"),),
        measured="power query: parasite",
        forbidden=("spikes", "deaf-to-commands"),
        severity=FindingSeverity.WARNING,
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
        measured="0 matches by this program",
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
        severity=FindingSeverity.WARNING,
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
        severity=FindingSeverity.NOTE,
        names="it goes with the load",
        twin=benches_kinds.f27_twin,
    ),
}
