"""Evidence of devices of any kind, written by hand, each beside what its rule must say.

Numbers: data sheets of the kinds and common practice (check bytes recomputed in
``test_rules_kinds``).
"""

from __future__ import annotations

from typing import Any

from harness.diagnosis.evidence.bus import DeviceFacts
from harness.diagnosis.evidence.expected import Expected
from harness.diagnosis.evidence.kinds import FailedCheck, KindReading
from harness.diagnosis.finding import Cause, Confidence

ROM = "1E0000008DBE4428"

Change = dict[str, Any]


def device(*readings: KindReading, **more: Any) -> Change:  # noqa: ANN401
    """One device that answers every search, and these readings of it."""
    facts: dict[str, Any] = {
        "rom_code": ROM,
        "family": 0x3A,
        "verified": 30,
        "verifies": 30,
    }
    return {"devices": (DeviceFacts(**(facts | more), readings=readings),)}


def reading(quantity: str, *values: Any, **more: Any) -> KindReading:  # noqa: ANN401
    """A quantity that came each time it was asked for."""
    return KindReading(
        quantity=quantity, values=values, **({"tries": len(values)} | more)
    )


def failing(quantity: str, trouble: str) -> KindReading:
    """A quantity that never came."""
    return KindReading(
        quantity=quantity, tries=3, troubles={trouble: 3}, said="it cannot be"
    )


def ports(**channels: tuple[int, int]) -> KindReading:
    """Latch and pin of each channel."""
    rows = {name: {"latch": a, "pin": b} for name, (a, b) in channels.items()}
    return reading("ports", "in words", evidence={"channels": rows})


OSCILLATOR_21H = {"byte": "80", "place": "bit 7 of 020Eh, 0 runs"}


def mission(value: str = "running", **facts: Any) -> KindReading:  # noqa: ANN401
    """A logger's mission."""
    known = {
        "mission": value == "running",
        "cleared": False,
        "samples": 0,
        "period_s": 300.0,
        "since_start_s": 1200.0,
        "samples_due": 3,
        "oscillator": "on",
        "byte": "00",
        "place": "bit 7 of 020Eh, 0 runs",
    }
    return reading("mission", value, evidence=known | facts)


TRIM: dict[str, Any] = {
    "quantity": "offset_trim",
    "place": "page 1, bytes 5 and 6",
    "shift": 3,
    "size": 2,
}
SENSE = {"count_uv": 1e6 / 4096, "sense_mohm": 25.0, "trim": TRIM}
NO_LOAD = {"expected": Expected(rom_codes={ROM: "A1"}, no_load=frozenset({ROM}))}


def counts(*values: int, **more: Any) -> KindReading:  # noqa: ANN401
    """A current register read again and again."""
    return reading("current_counts", *values, evidence=SENSE, **more)


def failed(kind: str, what: str = "memory_write", **more: Any) -> Change:  # noqa: ANN401
    """A check of a plan that did not pass."""
    step: dict[str, Any] = {
        "step": "check",
        "what": what,
        "kind": kind,
        "says": "did not pass",
    }
    return {"failed": FailedCheck(**(step | {"device": ROM, "socket": "A1"} | more))}


def store(**facts: Any) -> Change:  # noqa: ANN401
    """A failed store of row 0020h of a 2Dh."""
    known = {"address": 0x20, "row": 8, "wanted": 7, "check": True} | facts
    return failed("answer-impossible", evidence={"store": known})


SPEAKS_KINDS: dict[str, tuple[Change, Cause, str, Confidence]] = {
    # status 1Eh: latch of A 1, pin of A 0 (data sheet of family 3Ah, PIO access read)
    "load at an output": (
        device(ports(a=(1, 0), b=(0, 0))),
        Cause.BUS_WIRING,
        "output-load",
        Confidence.LIKELY,
    ),
    "address damaged": (
        device(
            reading(
                "ports",
                "x",
                tries=2,
                troubles={"check-value": 1},
                evidence={"heard": "F0 DF 00", "meant": "F0 FF 00"},
            )
        ),
        Cause.NOISE,
        "address-damaged",
        Confidence.UNDECIDED,
    ),
    "torn answer": (
        device(reading("ports", "x", tries=2, troubles={"answer-impossible": 1})),
        Cause.NOISE,
        "torn-answer",
        Confidence.UNDECIDED,
    ),
    "odd answer": (
        device(failing("ports", "answer-impossible")),
        Cause.DEVICE,
        "odd-answer",
        Confidence.UNDECIDED,
    ),
    "wrong check": (
        device(failing("protection", "check-value")),
        Cause.DEVICE,
        "wrong-check",
        Confidence.UNDECIDED,
    ),
    "deaf to commands": (
        device(failing("mission", "device-absent"), failing("ports", "device-absent")),
        Cause.DEVICE,
        "deaf-to-commands",
        Confidence.LIKELY,
    ),
    "supply differs": (
        device(reading("power_supply", "parasite")),
        Cause.SUPPLY,
        "supply-differs",
        Confidence.LIKELY,
    ),
    "toggled": (
        device(
            reading("channel_a_output_off", 1, watched=True),
            later=(reading("channel_a_output_off", 0, watched=True),),
        ),
        Cause.CONFIGURATION,
        "toggled",
        Confidence.CERTAIN,
    ),
    "toggled in a step": (
        failed(
            "toggled",
            evidence={"before": 1, "after": 0, "matches": 3, "matched_by": {"4": 3}},
        ),
        Cause.CONFIGURATION,
        "toggled",
        Confidence.CERTAIN,
    ),
    "oscillator off": (
        device(
            reading("oscillator", "off", evidence=OSCILLATOR_21H),
            mission(oscillator="off"),
        ),
        Cause.CONFIGURATION,
        "oscillator-off",
        Confidence.CERTAIN,
    ),
    "mission stalled": (
        device(mission()),
        Cause.DEVICE,
        "no-samples",
        Confidence.LIKELY,
    ),
    # -22 ppm is -57 s in 30 days (F26); four times that is beyond any promise
    "clock drifts": (
        device(
            reading(
                "clock_offset",
                -228.0,
                evidence={"mission": True, "since_start_s": 30 * 86_400.0},
            )
        ),
        Cause.DEVICE,
        "clock-drift",
        Confidence.LIKELY,
    ),
    "clock off": (
        device(reading("clock_offset", 3600.0, evidence={"mission": True})),
        Cause.CONFIGURATION,
        "clock-off",
        Confidence.LIKELY,
    ),
    "failed mission": (
        failed(
            "reading-implausible",
            "mission",
            evidence={"oscillator": "on", "mission": True, "samples": 0},
        ),
        Cause.DEVICE,
        "no-samples",
        Confidence.LIKELY,
    ),
    "current offset": (
        NO_LOAD | device(counts(3, 3, 4, 3, 3)),
        Cause.CONFIGURATION,
        "current-offset",
        Confidence.CERTAIN,
    ),
    "failed offset": (
        failed(
            "limit",
            "current_offset",
            values={"offset": 3.0},
            evidence={"counts": [3, 3, 3], **SENSE},
        ),
        Cause.CONFIGURATION,
        "current-offset",
        Confidence.CERTAIN,
    ),
    "store dipped": (
        store(status="27", end="FF"),
        Cause.SUPPLY,
        "store-dip",
        Confidence.CERTAIN,
    ),
}
"""Name -> change of sound evidence, and cause, kind and sureness of the first finding."""
