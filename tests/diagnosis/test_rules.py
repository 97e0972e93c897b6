"""Each rule alone, from evidence written by hand: it speaks, and it keeps silent."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from harness.diagnosis.evidence import (
    AdapterFacts,
    AlarmFacts,
    Blocks,
    Conversion,
    DeviceFacts,
    Echoes,
    Evidence,
    Expected,
    IdleFacts,
    LineFacts,
    ResetFacts,
    ScanFacts,
)
from harness.diagnosis.finding import Cause, Finding, Sure, Weight, gathered, ranked
from harness.diagnosis.rules import RULES, judge
from tests.diagnosis.speaks_kinds import ROM, SPEAKS_KINDS

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
LINE = LineFacts(
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

SPEAKS: dict[str, tuple[dict[str, Any], Cause, str, Sure]] = {
    "lost": ({"lost": 1}, Cause.ADAPTER, "lost", Sure.CERTAIN),
    "inverted": (
        {"adapter": replace(ADAPTER, ones=echoes(x00=60), slow_ones=echoes(4, x00=4))},
        Cause.ADAPTER,
        "inverted",
        Sure.CERTAIN,
    ),
    "doubled echo": (
        {
            "adapter": replace(
                ADAPTER,
                quiet_ones=replace(ADAPTER.quiet_ones, extra=12, followed=9),
                zeros=replace(ADAPTER.zeros, extra=11, followed=10),
            )
        },
        Cause.ADAPTER,
        "doubled-echo",
        Sure.CERTAIN,
    ),
    "escaped characters": (
        {
            "adapter": replace(
                ADAPTER, quiet_ones=replace(ADAPTER.quiet_ones, extra=10, followed=10)
            )
        },
        Cause.ADAPTER,
        "escaped-characters",
        Sure.CERTAIN,
    ),
    "supply blinks": (
        {
            "devices": (
                probe(openings=2, lost_at_openings=2),
                probe(OTHER, openings=2, lost_at_openings=2),
            )
        },
        Cause.ADAPTER,
        "supply-blinks",
        Sure.CERTAIN,
    ),
    "stretched reset": (
        {
            "resets": tuple(
                replace(r, echoes=replace(echoes(20, x00=20), extra=20, followed=20))
                for r in RESETS
            )
        },
        Cause.DEVICE,
        "stretches-reset",
        Sure.LIKELY,
    ),
    "wrong rate": (
        {"adapter": replace(ADAPTER, measured_baud=125_500.0)},
        Cause.ADAPTER,
        "wrong-rate",
        Sure.CERTAIN,
    ),
    "drops": (
        {
            "adapter": replace(
                ADAPTER, bursts={512: (3, 8), 256: (8, 8)}, burst_missing=70
            )
        },
        Cause.ADAPTER,
        "drops",
        Sure.CERTAIN,
    ),
    "latency": (
        {"adapter": replace(ADAPTER, round_trip_ms=(16.0, 16.1, 17.0))},
        Cause.ADAPTER,
        "latency",
        Sure.CERTAIN,
    ),
    "push-pull": (
        {"adapter": replace(ADAPTER, echo_without_supply="FF")},
        Cause.ADAPTER,
        "push-pull",
        Sure.LIKELY,
    ),
    "silent": (
        {
            "adapter": AdapterFacts(ones=NOTHING, slow_ones=NOTHING, zeros=NOTHING),
            "resets": (),
            "line": None,
            "scans": None,
            "devices": (),
        },
        Cause.UNDECIDED,
        "silent",
        Sure.CERTAIN,
    ),
    "stuck low": (
        {
            "resets": tuple(replace(r, echoes=NOTHING) for r in RESETS),
            "line": None,
            "scans": None,
            "devices": (),
        },
        Cause.BUS_WIRING,
        "stuck-low",
        Sure.LIKELY,
    ),
    "second master": (
        {
            "idle": IdleFacts(
                for_s=25.0,
                arrivals=((2.0, 73), (9.3, 73), (16.6, 73), (23.9, 73)),
                values={"00": 4, "FF": 288},
            )
        },
        Cause.BUS_WIRING,
        "second-master",
        Sure.CERTAIN,
    ),
    "idle spikes": (
        {
            "idle": IdleFacts(
                for_s=15.0, arrivals=((2.0, 3), (4.1, 1)), values={"FF": 4}
            )
        },
        Cause.NOISE,
        "idle-spikes",
        Sure.LIKELY,
    ),
    "comes and goes": (
        {
            "idle": IdleFacts(
                for_s=15.0,
                arrivals=((2.0, 1), (4.1, 1), (7.0, 1)),
                values={"00": 3},
            )
        },
        Cause.DEVICE,
        "comes-and-goes",
        Sure.LIKELY,
    ),
    "slow edge": (
        {
            "line": replace(
                LINE,
                ones=echoes(1000, xFE=1000),
                rise_us=(6.5, 8.7),
                crossing_us=23.5,
            )
        },
        Cause.BUS_WIRING,
        "slow-edge",
        Sure.CERTAIN,
    ),
    "weak pull-up": (
        {
            "line": replace(
                LINE,
                ones=echoes(1000, x80=1000),
                rise_us=(56.0, 65.0),
                crossing_us=119.0,
            )
        },
        Cause.BUS_WIRING,
        "pull-up",
        Sure.CERTAIN,
    ),
    "late presence": (
        {"resets": LATE},
        Cause.DEVICE,
        "late-presence",
        Sure.CERTAIN,
    ),
    "none of several": (nobody(3), Cause.BUS_WIRING, "low-level", Sure.LIKELY),
    "the only one": (nobody(1), Cause.UNDECIDED, "nobody", Sure.CERTAIN),
    "fast mode, presence inside the character": (
        {
            "adapter": replace(
                ADAPTER, fast_resets=echoes(10, x40=9, xC0=1), zeros=echoes(10, x00=10)
            ),
        },
        Cause.CONFIGURATION,
        "left-in-fast-mode",
        Sure.CERTAIN,
    ),
    "fast mode": (
        {
            "line": replace(LINE, answers_in_zeros=250, answers_after_long_reset=0),
            "adapter": replace(
                ADAPTER, zeros=replace(ADAPTER.zeros, extra=10, followed=10)
            ),
        },
        Cause.CONFIGURATION,
        "left-in-fast-mode",
        Sure.CERTAIN,
    ),
    "low in search": (
        scans(whole=0, found={}, first=(), last=(), troubles={"line-shorted": 3}),
        Cause.BUS_WIRING,
        "low-in-search",
        Sure.CERTAIN,
    ),
    "zero ROM": (
        scans(rejected={"0" * 16: 3}),
        Cause.DEVICE,
        "zero-rom",
        Sure.LIKELY,
    ),
    "impossible ROM": (
        scans(rejected={"1F0000008DBE4428": 3}),
        Cause.DEVICE,
        "rom-code",
        Sure.LIKELY,
    ),
    "pulled highs": (
        {"line": replace(LINE, ones=echoes(1000, xFF=994, xFE=6))},
        Cause.NOISE,
        "pulled-highs",
        Sure.CERTAIN,
    ),
    "lifted lows": (
        {"line": replace(LINE, zeros=echoes(250, x00=246, x08=4))},
        Cause.NOISE,
        "lifted-lows",
        Sure.CERTAIN,
    ),
    "slip of a block": (
        first_device(blocks=replace(BLOCKS, whole=8, slipped=2)),
        Cause.NOISE,
        "slip",
        Sure.CERTAIN,
    ),
    "phantom": (
        scans(rejected={"1F0000008DBE4428": 1}),
        Cause.NOISE,
        "phantom",
        Sure.LIKELY,
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
        Sure.LIKELY,
    ),
    "deaf to convert": (
        {"devices": (conversions(probe(), heard=False, took_ms=None), probe(OTHER))},
        Cause.NOISE,
        "command-lost",
        Sure.LIKELY,
    ),
    "zeros": (
        first_device(blocks=replace(BLOCKS, whole=7, zeros=3)),
        Cause.BUS_WIRING,
        "low-while-reading",
        Sure.LIKELY,
    ),
    "branch": (
        first_device(verified=22),
        Cause.BUS_WIRING,
        "branch",
        Sure.LIKELY,
    ),
    "absent": (
        {
            "devices": (
                DeviceFacts(rom_code=ROM, family=0x28, verifies=30),
                probe(OTHER),
            ),
            "scans": replace(SCANS, found={OTHER: 3}, first=(OTHER,), last=(OTHER,)),
        },
        Cause.DEVICE,
        "absent",
        Sure.CERTAIN,
    ),
    "duplicate": (
        first_device(
            blocks=replace(BLOCKS, whole=0, check_wrong=10, distinct_wrong=1),
        ),
        Cause.DEVICE,
        "duplicate",
        Sure.LIKELY,
    ),
    "loose contact": (
        first_device(blocks=replace(BLOCKS, whole=7, ones=3)),
        Cause.DEVICE,
        "loose-contact",
        Sure.CERTAIN,
    ),
    "odd block": (
        first_device(blocks=replace(BLOCKS, whole=0, impossible=10)),
        Cause.DEVICE,
        "odd-block",
        Sure.LIKELY,
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
        Sure.LIKELY,
    ),
    "slow conversion": (
        {"devices": (conversions(probe(), took_ms=820.0, heard=True), probe(OTHER))},
        Cause.DEVICE,
        "slow-conversion",
        Sure.LIKELY,
    ),
    "attached": (
        scans(last=(ROM, OTHER, THIRD), found={ROM: 3, OTHER: 3, THIRD: 2}),
        Cause.DEVICE,
        "attached",
        Sure.LIKELY,
    ),
    "vanished together": (
        scans(last=()),
        Cause.SUPPLY,
        "vanished-together",
        Sure.LIKELY,
    ),
    "vanished": (scans(last=(OTHER,)), Cause.DEVICE, "vanished", Sure.LIKELY),
    "supply pin open": (
        {
            "devices": (
                conversions(probe(supply_answers=(0, 0, 0)), value_degc=127.94),
                probe(OTHER, supply_answers=(0, 0, 0)),
            )
        },
        Cause.SUPPLY,
        "supply-pin-open",
        Sure.LIKELY,
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
        Sure.LIKELY,
    ),
    "third wire": (
        {
            "devices": (
                conversions(probe(supply_answers=(0, 0, 0)), took_ms=None, heard=None),
                probe(OTHER),
                probe(THIRD),
            )
        },
        Cause.SUPPLY,
        "third-wire",
        Sure.CERTAIN,
    ),
    "restart": (
        {"devices": (conversions(probe(), **UNPOWERED), probe(OTHER))},
        Cause.SUPPLY,
        "restart",
        Sure.CERTAIN,
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
        Sure.LIKELY,
    ),
    "reloaded": (
        first_device(settings_kept=False),
        Cause.CONFIGURATION,
        "reloaded",
        Sure.CERTAIN,
    ),
    "unlisted": (
        {"inventory": {ROM: "present", THIRD: "newcomer"}},
        Cause.CONFIGURATION,
        "unlisted",
        Sure.CERTAIN,
    ),
    "alarm stale": (
        {"alarms": AlarmFacts(before=(ROM,))},
        Cause.CONFIGURATION,
        "alarm-stale",
        Sure.CERTAIN,
    ),
    "alarm wrong": (
        {"alarms": AlarmFacts(before=(ROM,), after=(ROM,))},
        Cause.DEVICE,
        "alarm-wrong",
        Sure.LIKELY,
    ),
    **SPEAKS_KINDS,
}


def found(**changes: Any) -> tuple[Finding, ...]:  # noqa: ANN401
    """Findings of sound evidence with these changes."""
    return judge(replace(SOUND, **changes))[0]


@pytest.mark.parametrize("name", SPEAKS)
def test_each_rule_speaks(name: str) -> None:
    """One change to sound evidence, and the cause that it stands for comes first."""
    changes, cause, kind, sure = SPEAKS[name]
    first = found(**changes)[0]
    assert (first.cause, first.kind, first.sure) == (cause, kind, sure)
    assert first.measured
    assert all(any(c.isdigit() for c in text) for text in first.measured[:1])
    assert first.says
    assert first.try_first
    assert first.rule


def test_sound_evidence_says_nothing() -> None:
    """Every rule keeps silent on a sound bus, and says what it rules out."""
    findings, ruled_out = judge(SOUND)
    assert findings == ()
    assert ruled_out == tuple(r.otherwise for r in RULES if r.otherwise)


def test_nothing_is_ruled_out_without_evidence() -> None:
    """Where nothing was probed, nothing is found and nothing is ruled out."""
    assert judge(Evidence()) == ((), ())


def test_every_rule_is_tried_above() -> None:
    """The table of this module leaves no rule out."""
    spoken = {f.rule for changes, *_ in SPEAKS.values() for f in found(**changes)}
    assert {rule.name for rule in RULES} == spoken


def test_below_a_spoiling_fault_all_is_only_possible() -> None:
    """A wrong rate makes devices look absent; that is no second fault."""
    changes = {
        "adapter": replace(ADAPTER, measured_baud=9600.0),
        "devices": (
            DeviceFacts(rom_code=ROM, family=0x28, verifies=30),
            probe(OTHER),
        ),
        "scans": replace(SCANS, found={OTHER: 3}, first=(OTHER,), last=(OTHER,)),
    }
    first, second = found(**changes)
    assert (first.kind, first.sure) == ("wrong-rate", Sure.CERTAIN)
    assert (second.kind, second.sure) == ("absent", Sure.POSSIBLE)


def test_declared_bus_power_is_no_broken_wire() -> None:
    """A device that the fixture declares as fed from the line is where it should be."""
    expected = replace(SOUND.expected, parasite=frozenset({ROM}))
    changes = SPEAKS["third wire"][0]
    assert not found(**changes, expected=expected)


def test_bus_power_hides_busy() -> None:
    """A device fed from the data line cannot pull it low: no command was lost there."""
    deaf = conversions(probe(supply_answers=(0, 0, 0)), heard=False, took_ms=None)
    kinds = {f.kind for f in found(devices=(deaf, probe(OTHER), probe(THIRD)))}
    assert "third-wire" in kinds
    assert not kinds & {"command-lost", "deaf-to-convert"}


def test_a_conversion_that_never_began_is_no_restart() -> None:
    """Power-on value with the marker still there: nothing restarted."""
    device = conversions(probe(), power_on=True, marker_kept=True)
    kinds = {f.kind for f in found(devices=(device, probe(OTHER)))}
    assert "restart" not in kinds


def _verified(*counts: int) -> dict[str, Any]:
    roms = (ROM, OTHER, THIRD)
    return {
        "devices": tuple(
            probe(rom, verified=n) for rom, n in zip(roms, counts, strict=True)
        )
    }


def test_trouble_without_a_cause_is_undecided() -> None:
    """Losses spread evenly over all devices: no branch, no adapter, and not nothing."""
    (only,) = found(**_verified(26, 27, 26))
    assert (only.cause, only.kind) == (Cause.UNDECIDED, "unexplained")
    assert only.weight is Weight.FAULT
    assert "directed searches without answer: 11 of 90" in only.measured
    assert len(only.tells_apart) > 2


def test_one_loss_is_a_warning() -> None:
    """A single transaction lost in an examination is not enough for a fault."""
    (only,) = found(**_verified(30, 29, 30))
    assert (only.kind, only.weight) == ("unexplained", Weight.WARNING)


def test_a_cause_explains_its_trouble() -> None:
    """Where a rule has a cause, or a device was plugged in, nothing is left over."""
    kinds = {f.kind for f in found(**_verified(22, 30, 30))}
    assert kinds == {"branch"}
    plugged = scans(last=(ROM, OTHER, THIRD), found={ROM: 3, OTHER: 3, THIRD: 2})
    kinds = {f.kind for f in found(**(plugged | _verified(30, 29, 30)))}
    assert "attached" in kinds
    assert "unexplained" not in kinds


def test_a_restart_by_chance_is_no_blinking_supply() -> None:
    """Settings gone after one of two openings, or without a second look, say nothing."""
    for openings, lost in ((2, 1), (1, 1)):
        device = probe(openings=openings, lost_at_openings=lost)
        assert not found(devices=(device, probe(OTHER, openings=openings)))


def test_rank_is_weight_then_sureness() -> None:
    """Faults before warnings before notes; certain before likely before possible."""

    def finding(weight: Weight, sure: Sure) -> Finding:
        return Finding(
            cause=Cause.NOISE,
            kind="x",
            sure=sure,
            says="",
            measured=(),
            try_first="",
            weight=weight,
        )

    mixed = [finding(w, s) for s in reversed(Sure) for w in reversed(Weight)]
    assert [(f.weight, f.sure) for f in ranked(mixed)] == [
        (w, s) for w in Weight for s in Sure
    ]


def _restart(number: int) -> Finding:
    code = f"{number:016X}"
    return Finding(
        cause=Cause.SUPPLY,
        kind="restart",
        sure=Sure.CERTAIN,
        says=f"{code} restarted",
        measured=(f"{number} of 9 conversions", "marker gone"),
        try_first=f"reseat {code}",
        device=code,
    )


@pytest.mark.parametrize("count", [1, 2])
def test_a_few_devices_are_told_one_by_one(count: int) -> None:
    findings = [_restart(number) for number in range(count)]
    assert gathered(findings) == findings


def test_the_same_trouble_of_many_devices_is_one_finding() -> None:
    """Rule 3 of the field failures: what hits many is no matter of a single device."""
    other = replace(_restart(99), kind="third-wire")
    bus = replace(_restart(0), device="")
    many = [_restart(number) for number in range(8)]
    first, *rest = gathered([bus, bus, bus, many[0], other, *many[1:]])
    assert [first, *rest[:2]] == [bus, bus, bus]
    shared, last = rest[2:]
    assert last == other
    assert shared.says.startswith("8 devices alike; of the first: 0000000000000000")
    assert shared.device == ""
    assert "8 share" in shared.try_first
    numbers = " ".join(shared.measured)
    assert "0000000000000005: 5 of 9" in numbers
    assert "and 2 more: 0000000000000006, 0000000000000007" in numbers
    assert "marker gone" in numbers


def test_advice_that_names_no_device_stays() -> None:
    advice = "convert fewer at a time"
    many = [replace(_restart(number), try_first=advice) for number in range(3)]
    (shared,) = gathered(many)
    assert shared.try_first == advice
