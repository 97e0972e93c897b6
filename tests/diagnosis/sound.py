"""Sound evidence of a bus with two thermometers, written by hand, and ways to change it."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from harness.diagnosis.evidence.bus import (
    AdapterFacts,
    Blocks,
    Conversion,
    DeviceFacts,
    Echoes,
    Evidence,
    IdleFacts,
    LineEvidence,
    ResetFacts,
    ScanFacts,
)
from harness.diagnosis.evidence.expected import Expected
from harness.diagnosis.evidence.probed import AlarmFacts
from harness.diagnosis.finding import Cause, Confidence
from tests.diagnosis.speaks_kinds import ROM

OTHER, THIRD = "72000000EB02A228", "9F000000CDB9F528"


def echoes(sent: int = 60, **histogram: int) -> Echoes:
    """Single characters that came back as named: ``echoes(60, xFF=60)``."""
    named = {key.removeprefix("x"): n for key, n in histogram.items()}
    return Echoes(sent=sent, silent=sent - sum(named.values()), histogram=named)


ADAPTER = AdapterFacts(
    ones=echoes(xFF=60),
    slow_ones=echoes(4, xFF=4),
    zeros=echoes(10, x00=10),
    quiet_ones=echoes(10, xFF=10),
    round_trip_ms=(1.0, 1.1, 2.0),
    asked_baud=115_200,
    measured_baud=115_150.0,
    rate_doubt=0.005,
    bursts={512: (8, 8)},
)
LINE = LineEvidence(
    ones=echoes(1000, xFF=1000),
    zeros=echoes(250, x00=250),
    fine_ones=echoes(64, xFF=64),
    rise_us=(0.0, 2.2),
    crossing_us=12.4,
)
RESETS = tuple(
    ResetFacts(
        baud=baud,
        byte=0xF0,
        low_us=5e6 / baud,
        first_sample_us=0.5e6 / baud,
        echoes=echoes(20, xE0=20),
    )
    for baud in (9600, 7200)
)
BLOCKS = Blocks(reads=10, whole=10, usual="90 01 4B 46 7F FF 0F 10 25")


def probe(rom: str = ROM, **more: Any) -> DeviceFacts:  # noqa: ANN401
    """A thermometer with its own supply and nothing wrong."""
    facts: dict[str, Any] = {
        "rom_code": rom,
        "family": 0x28,
        "verified": 30,
        "verifies": 30,
        "supply_answers": (1, 1, 1),
        "blocks": BLOCKS,
        "blocks_after": BLOCKS,
        "conversions": tuple(
            Conversion(
                alone=alone,
                heard=alone or None,
                took_ms=600.0 if alone else None,
                value_degc=25.0,
                marker_kept=True,
            )
            for alone in (True, True, False)
        ),
        "settings_kept": True,
        "longest_ms": 750.0,
        "full_resolution": True,
    }
    return DeviceFacts(**(facts | more))


SCANS = ScanFacts(
    scans=3,
    whole=3,
    found={ROM: 3, OTHER: 3},
    first=(ROM, OTHER),
    last=(ROM, OTHER),
    passes=6,
)
SOUND = Evidence(
    expected=Expected(rom_codes={ROM: "A1", OTHER: "A2"}, devices=2),
    adapter=ADAPTER,
    idle=IdleFacts(for_s=15.0),
    resets=RESETS,
    line=LINE,
    scans=SCANS,
    devices=(probe(), probe(OTHER)),
    alarms=AlarmFacts(),
)


def conversions(device: DeviceFacts, **more: Any) -> DeviceFacts:  # noqa: ANN401
    """All conversions of a device changed alike."""
    changed = tuple(replace(c, **more) for c in device.conversions)
    return replace(device, conversions=changed)


def scans(**more: Any) -> dict[str, Any]:  # noqa: ANN401
    """Other results of the search."""
    return {"scans": replace(SCANS, **more)}


def first_device(**more: Any) -> dict[str, Any]:  # noqa: ANN401
    """The first device changed, the second as it was."""
    return {"devices": (probe(**more), probe(OTHER))}


def nobody(count: int) -> dict[str, Any]:
    """Perfect echoes and silence after each reset."""
    return {
        "resets": tuple(replace(r, echoes=echoes(20, xF0=20)) for r in RESETS),
        "devices": (),
        "scans": None,
        "expected": Expected(devices=count),
    }


NOTHING = Echoes(sent=3, silent=3)
LATE = tuple(
    replace(r, echoes=echoes(20, **({"xF0": 20} if r.baud == 9600 else {"xE0": 20})))
    for r in RESETS
)
UNPOWERED = {"power_on": True, "marker_kept": False}

Speaks = dict[str, tuple[dict[str, Any], Cause, str, Confidence]]
"""What is changed, and the cause, kind and sureness that a rule must find then."""
