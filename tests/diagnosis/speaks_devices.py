"""Changes to sound evidence of searches and devices, each beside what its rule must say."""

from __future__ import annotations

from dataclasses import replace

from harness.diagnosis.evidence.bus import (
    Conversion,
    DeviceFacts,
)
from harness.diagnosis.evidence.probed import AlarmFacts
from harness.diagnosis.finding import Cause, Confidence
from tests.diagnosis.sound import (
    BLOCKS,
    LINE,
    OTHER,
    SCANS,
    SOUND,
    THIRD,
    UNPOWERED,
    Speaks,
    conversions,
    echoes,
    first_device,
    probe,
    scans,
)
from tests.diagnosis.speaks_kinds import ROM

SPEAKS_DEVICES: Speaks = {
    "pulled highs": (
        {"line": replace(LINE, ones=echoes(1000, xFF=994, xFE=6))},
        Cause.NOISE,
        "pulled-highs",
        Confidence.CERTAIN,
    ),
    "lifted lows": (
        {"line": replace(LINE, zeros=echoes(250, x00=246, x08=4))},
        Cause.NOISE,
        "lifted-lows",
        Confidence.CERTAIN,
    ),
    "slip of a block": (
        first_device(blocks=replace(BLOCKS, whole=8, slipped=2)),
        Cause.NOISE,
        "slip",
        Confidence.LIKELY,
    ),
    "phantom": (
        scans(rejected={"1F0000008DBE4428": 1}),
        Cause.NOISE,
        "phantom",
        Confidence.CERTAIN,
    ),
    "command lost": (
        {
            "devices": (
                replace(
                    probe(),
                    conversions=(
                        Conversion(alone=True, heard=False, value_degc=25.0),
                        *probe().conversions,
                    ),
                ),
                probe(OTHER),
            )
        },
        Cause.NOISE,
        "command-lost",
        Confidence.UNDECIDED,
    ),
    "no convert command of three heard": (
        {"devices": (conversions(probe(), heard=False, took_ms=None), probe(OTHER))},
        Cause.NOISE,
        "command-lost",
        Confidence.UNDECIDED,
    ),
    "deaf to convert": (
        {
            "devices": (
                probe(
                    conversions=(Conversion(alone=True, heard=False, value_degc=25.0),)
                    * 21
                ),
                probe(OTHER),
            )
        },
        Cause.DEVICE,
        "deaf-to-convert",
        Confidence.UNDECIDED,
    ),
    "one command among those to all lost": (
        {
            "devices": (
                probe(
                    conversions=(
                        *probe().conversions,
                        Conversion(alone=False, heard=False, value_degc=25.0),
                    )
                ),
                probe(OTHER),
            )
        },
        Cause.NOISE,
        "command-lost",
        Confidence.UNDECIDED,
    ),
    "zeros": (
        first_device(blocks=replace(BLOCKS, whole=7, zeros=3)),
        Cause.BUS_WIRING,
        "low-while-reading",
        Confidence.CERTAIN,
    ),
    "branch": (
        first_device(verified=22),
        Cause.BUS_WIRING,
        "branch",
        Confidence.UNDECIDED,
    ),
    "absent": (
        {
            "devices": (
                DeviceFacts(
                    rom_code=ROM,
                    family=0x28,
                    verifies=30,
                    answers_after_pause=False,
                    answers_long_reset=False,
                    answers_overdrive=False,
                ),
                probe(OTHER),
            ),
            "scans": replace(SCANS, found={OTHER: 3}, first=(OTHER,), last=(OTHER,)),
        },
        Cause.DEVICE,
        "absent",
        Confidence.CERTAIN,
    ),
    "absent, or in overdrive: not tried": (
        {
            "devices": (
                DeviceFacts(rom_code=ROM, family=0x28, verifies=30),
                probe(OTHER),
            ),
            "scans": replace(SCANS, found={OTHER: 3}, first=(OTHER,), last=(OTHER,)),
        },
        Cause.DEVICE,
        "absent",
        Confidence.UNDECIDED,
    ),
    "in overdrive": (
        {
            "devices": (
                DeviceFacts(
                    rom_code=ROM,
                    family=0x2D,
                    verifies=30,
                    answers_long_reset=False,
                    answers_overdrive=True,
                ),
                probe(OTHER),
            ),
            "scans": replace(SCANS, found={OTHER: 3}, first=(OTHER,), last=(OTHER,)),
        },
        Cause.CONFIGURATION,
        "left-in-fast-mode",
        Confidence.CERTAIN,
    ),
    "says bus power, and converts": (
        {"devices": (probe(supply_answers=(0, 0, 0)),)},
        Cause.DEVICE,
        "says-bus-power",
        Confidence.CERTAIN,
    ),
    "bus power that nobody declared": (
        {
            "devices": (
                probe(
                    supply_answers=(0, 0, 0),
                    conversions=tuple(
                        Conversion(
                            alone=n < 2,
                            heard=False if n < 2 else None,
                            value_degc=25.0,
                            marker_kept=True,
                        )
                        for n in range(6)
                    ),
                ),
            ),
        },
        Cause.SUPPLY,
        "supply-differs",
        Confidence.CERTAIN,
    ),
    "duplicate": (
        first_device(
            blocks=replace(BLOCKS, whole=0, check_wrong=10, distinct_wrong=1),
        ),
        Cause.DEVICE,
        "duplicate",
        Confidence.UNDECIDED,
    ),
    "loose contact": (
        first_device(blocks=replace(BLOCKS, whole=7, ones=3)),
        Cause.DEVICE,
        "loose-contact",
        Confidence.UNDECIDED,
    ),
    "odd block": (
        first_device(blocks=replace(BLOCKS, whole=0, impossible=10)),
        Cause.DEVICE,
        "odd-block",
        Confidence.LIKELY,
    ),
    "clone": (
        {
            "devices": (
                replace(
                    probe(),
                    conversions=tuple(
                        replace(c, took_ms=30.0 if c.alone else None)
                        for c in probe().conversions
                    ),
                ),
                probe(OTHER),
            )
        },
        Cause.CONFIGURATION,
        "clone-like",
        Confidence.LIKELY,
    ),
    "slow conversion": (
        {"devices": (conversions(probe(), took_ms=820.0, heard=True), probe(OTHER))},
        Cause.SUPPLY,
        "slow-conversion",
        Confidence.UNDECIDED,
    ),
    "attached": (
        scans(last=(ROM, OTHER, THIRD), found={ROM: 3, OTHER: 3, THIRD: 2}),
        Cause.DEVICE,
        "attached",
        Confidence.LIKELY,
    ),
    "vanished together": (
        scans(last=()),
        Cause.SUPPLY,
        "vanished-together",
        Confidence.LIKELY,
    ),
    "vanished": (scans(last=(OTHER,)), Cause.DEVICE, "vanished", Confidence.LIKELY),
    "supply pin open": (
        {
            "devices": (
                conversions(probe(supply_answers=(0, 0, 0)), value_degc=127.94),
                probe(OTHER, supply_answers=(0, 0, 0)),
            )
        },
        Cause.SUPPLY,
        "supply-pin-open",
        Confidence.LIKELY,
    ),
    "starved": (
        {
            "devices": tuple(
                conversions(
                    probe(rom, supply_answers=(0, 0, 0)), heard=None, **UNPOWERED
                )
                for rom in (ROM, OTHER)
            )
        },
        Cause.SUPPLY,
        "no-strong-pull-up",
        Confidence.LIKELY,
    ),
    "starved beside others": (
        {
            "devices": tuple(
                replace(
                    probe(rom, supply_answers=(0, 0, 0)),
                    conversions=(
                        Conversion(alone=True, value_degc=25.0, marker_kept=True),
                        Conversion(
                            alone=False,
                            value_degc=85.0,
                            trouble="extra-echo",
                            **UNPOWERED,
                        ),
                    ),
                )
                for rom in (ROM, OTHER)
            )
        },
        Cause.SUPPLY,
        "no-strong-pull-up",
        Confidence.LIKELY,
    ),
    "third wire": (
        {
            "devices": (
                conversions(
                    probe(supply_answers=(0, 0, 0)),
                    took_ms=None,
                    heard=None,
                    power_on=True,
                    value_degc=85.0,
                    marker_kept=False,
                ),
                probe(OTHER),
                probe(THIRD),
            )
        },
        Cause.SUPPLY,
        "third-wire",
        Confidence.LIKELY,
    ),
    "restart": (
        {"devices": (conversions(probe(), **UNPOWERED), probe(OTHER))},
        Cause.SUPPLY,
        "restart",
        Confidence.UNDECIDED,
    ),
    "brown-out": (
        {
            "devices": tuple(
                replace(
                    probe(rom, supply_answers=(0, 0, 0)),
                    conversions=tuple(
                        Conversion(alone=False, value_degc=v, marker_kept=True)
                        for v in (25.0, 25.06, 31.5, 25.0)
                    ),
                )
                for rom in (ROM, OTHER)
            )
        },
        Cause.SUPPLY,
        "brown-out",
        Confidence.UNDECIDED,
    ),
    "fed outside of the range": (
        {"expected": replace(SOUND.expected, supply_v=2.7, built_for_v=5.0)},
        Cause.SUPPLY,
        "outside-range",
        Confidence.CERTAIN,
    ),
    "reloaded": (
        first_device(settings_kept=False),
        Cause.CONFIGURATION,
        "reloaded",
        Confidence.LIKELY,
    ),
    "lows lifted while devices speak": (
        first_device(
            blocks=replace(
                BLOCKS, reads=20, whole=17, check_wrong=3, distinct_wrong=3, flips_up=10
            )
        ),
        Cause.NOISE,
        "lifted-lows",
        Confidence.UNDECIDED,
    ),
    "another family in its place": (
        {
            "inventory": {
                ROM: "present",
                OTHER: "missing",
                "5000080316215E10": "unlisted family",
            }
        },
        Cause.CONFIGURATION,
        "family-changed",
        Confidence.LIKELY,
    ),
    "unlisted": (
        {"inventory": {ROM: "present", THIRD: "newcomer"}},
        Cause.CONFIGURATION,
        "unlisted",
        Confidence.CERTAIN,
    ),
    "alarm stale": (
        {"alarms": AlarmFacts(before=(ROM,))},
        Cause.CONFIGURATION,
        "alarm-stale",
        Confidence.CERTAIN,
    ),
    "alarm wrong": (
        {"alarms": AlarmFacts(before=(ROM,), after=(ROM,))},
        Cause.DEVICE,
        "alarm-wrong",
        Confidence.LIKELY,
    ),
    "common loss": (
        scans(
            each=((ROM, OTHER), (), (ROM, OTHER), (), (), (ROM, OTHER)),
            found={ROM: 3, OTHER: 3},
            scans=6,
            whole=6,
        ),
        Cause.BUS_WIRING,
        "common-loss",
        Confidence.LIKELY,
    ),
    "constants moved": (
        first_device(blocks=replace(BLOCKS, whole=9, moved=1, constants="FF 10")),
        Cause.NOISE,
        "constants-moved",
        Confidence.CERTAIN,
    ),
    "off the sheet": (
        first_device(blocks_after=replace(BLOCKS, constants="A5 66")),
        Cause.CONFIGURATION,
        "off-sheet",
        Confidence.CERTAIN,
    ),
    "wants a longer reset": (
        first_device(verified=0, answers_long_reset=True, blocks=None),
        Cause.CONFIGURATION,
        "left-in-fast-mode",
        Confidence.CERTAIN,
    ),
}
