"""Each rule alone, from evidence written by hand: it speaks, and it keeps silent."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from harness.diagnosis.causes.table import RULES, judge
from harness.diagnosis.evidence.bus import (
    DeviceFacts,
    Evidence,
)
from harness.diagnosis.evidence.probed import ProbeNote
from harness.diagnosis.finding import (
    Cause,
    Confidence,
    Finding,
    FindingSeverity,
    gathered,
    ranked,
)
from tests.diagnosis.sound import (
    ADAPTER,
    BLOCKS,
    LINE,
    OTHER,
    SCANS,
    SOUND,
    THIRD,
    conversions,
    echoes,
    probe,
    scans,
)
from tests.diagnosis.speaks_devices import SPEAKS_DEVICES
from tests.diagnosis.speaks_kinds import ROM, SPEAKS_KINDS
from tests.diagnosis.speaks_line import SPEAKS_LINE

SPEAKS = {**SPEAKS_LINE, **SPEAKS_DEVICES, **SPEAKS_KINDS}


def found(**changes: Any) -> tuple[Finding, ...]:  # noqa: ANN401
    """Findings of sound evidence with these changes."""
    return judge(replace(SOUND, **changes))[0]


@pytest.mark.parametrize("name", SPEAKS)
def test_each_rule_speaks(name: str) -> None:
    """One change to sound evidence, and the cause that it stands for comes first."""
    changes, cause, kind, confidence = SPEAKS[name]
    first = found(**changes)[0]
    assert (first.cause, first.kind, first.confidence) == (cause, kind, confidence)
    assert first.measured
    assert all(any(c.isdigit() for c in text) for text in first.measured[:1])
    assert first.summary
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


def test_what_a_fault_brings_about_is_told_under_it() -> None:
    """A wrong rate makes devices look absent; that is no second fault."""
    changes = {
        "adapter": replace(ADAPTER, measured_baud=9600.0),
        "devices": (
            DeviceFacts(rom_code=ROM, family=0x28, verifies=30),
            probe(OTHER),
        ),
        "scans": replace(SCANS, found={OTHER: 3}, first=(OTHER,), last=(OTHER,)),
    }
    (first,) = found(**changes)
    assert first.kind == "wrong-rate"
    (follows,) = first.follows
    assert follows.startswith("device (absent): ")


def test_declared_bus_power_is_no_broken_wire() -> None:
    """A device that the fixture declares as fed from the line is where it should be."""
    expected = replace(SOUND.expected, parasite=frozenset({ROM}))
    fed = conversions(probe(supply_answers=(0, 0, 0)), took_ms=None, heard=None)
    devices = (fed, probe(OTHER), probe(THIRD))
    assert not found(devices=devices, expected=expected)


def test_undeclared_bus_power_that_converts_is_no_fault() -> None:
    """Among others with a supply too: each reading is valid, so it is a warning."""
    fed = conversions(probe(supply_answers=(0, 0, 0)), took_ms=None, heard=None)
    (only,) = found(devices=(fed, probe(OTHER), probe(THIRD)))
    assert (only.kind, only.severity) == ("supply-differs", FindingSeverity.WARNING)


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


def test_a_slow_edge_is_nobody_in_fast_mode() -> None:
    """Where short lows come back pulled, what follows a long one says nothing of its own."""
    late = replace(
        ADAPTER,
        ones=echoes(60, xFE=60),
        quiet_ones=echoes(10, xFE=10),
        fast_resets=echoes(10, x80=10),
    )
    line = replace(
        LINE, ones=echoes(1000, xFE=1000), rise_us=(4.3, 6.5), crossing_us=19.8
    )
    (first, *_) = found(adapter=late, line=line)
    assert (first.kind, first.confidence) == ("slow-edge", Confidence.CERTAIN)
    assert not any(
        "fast-mode" in text for text in (*first.discriminators, *first.follows)
    )


def test_who_gets_power_for_the_first_time_did_not_restart() -> None:
    """Plugged in between: no block at first, the power-on value then, no marker yet."""
    late = conversions(
        probe(blocks=replace(BLOCKS, whole=0, ones=10)), power_on=True, marker_kept=None
    )
    kinds = {f.kind for f in found(devices=(late, probe(OTHER)))}
    assert "restart" not in kinds


def test_pulls_at_each_conversion_are_a_restart_not_a_loose_lead() -> None:
    """Presence pulses of a device that gets its power back while it converts.

    Eight pulls in a quarter of the time: by lot in 0.25^8 of cases.
    """
    probes = tuple(
        ProbeNote(name=name, did="", took_s=took_s)
        for name, took_s in (
            ("idle line", 15.0),
            ("devices", 15.0),
            ("conversions", 10.0),
        )
    )
    at_s = tuple(31.0 + n for n in range(8))
    victim = conversions(probe(), power_on=True, marker_kept=False)
    kinds = [
        f.kind for f in found(pulls=at_s, probes=probes, devices=(victim, probe(OTHER)))
    ]
    assert kinds[0] == "restart"
    assert "comes-and-goes" not in kinds
    spread = tuple(4.0 + 4.5 * n for n in range(8))
    assert "comes-and-goes" in {f.kind for f in found(pulls=spread, probes=probes)}


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
    assert only.severity is FindingSeverity.FAULT
    assert "directed searches without answer: 11 of 90" in only.measured
    assert len(only.discriminators) > 2


def test_one_loss_is_a_warning() -> None:
    """A single transaction lost in an examination is not enough for a fault."""
    (only,) = found(**_verified(30, 29, 30))
    assert (only.kind, only.severity, only.confidence) == (
        "branch",
        FindingSeverity.WARNING,
        Confidence.UNDECIDED,
    )
    assert any(rival.startswith("noise") for rival in only.discriminators)


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


def test_rank_is_severity_then_confidence() -> None:
    """Faults before warnings before notes; certain before likely before possible."""

    def finding(severity: FindingSeverity, confidence: Confidence) -> Finding:
        return Finding(
            cause=Cause.NOISE,
            kind="x",
            confidence=confidence,
            summary="",
            measured=(),
            try_first="",
            severity=severity,
        )

    mixed = [
        finding(w, s) for s in reversed(Confidence) for w in reversed(FindingSeverity)
    ]
    assert [(f.severity, f.confidence) for f in ranked(mixed)] == [
        (w, s) for w in FindingSeverity for s in Confidence
    ]


def _restart(number: int) -> Finding:
    code = f"{number:016X}"
    return Finding(
        cause=Cause.SUPPLY,
        kind="restart",
        confidence=Confidence.CERTAIN,
        summary=f"{code} restarted",
        measured=(f"{number} of 9 conversions", "marker gone"),
        try_first=f"reseat {code}",
        device=code,
    )


@pytest.mark.parametrize("count", [1, 2])
def test_a_few_devices_are_told_one_by_one(count: int) -> None:
    findings = [_restart(number) for number in range(count)]
    assert gathered(findings) == findings


def test_the_same_trouble_of_many_devices_is_one_finding() -> None:
    """What hits many is no matter of a single device (common practice, no source)."""
    other = replace(_restart(99), kind="third-wire")
    bus = replace(_restart(0), device="")
    many = [_restart(number) for number in range(8)]
    first, *rest = gathered([bus, bus, bus, many[0], other, *many[1:]])
    assert [first, *rest[:2]] == [bus, bus, bus]
    shared, last = rest[2:]
    assert last == other
    assert shared.summary.startswith("8 devices alike; of the first: 0000000000000000")
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


def _losing(*, silent: int, slots: int, **lifted: int) -> dict[str, Any]:
    """Two devices that each lose so many searches by their reset and by their slots."""
    return {
        "devices": tuple(
            probe(
                rom,
                verified=30 - silent - slots,
                verify_troubles={"no-presence": silent} if silent else {},
                **lifted,
            )
            for rom in (ROM, OTHER)
        )
    }


def test_a_zero_of_the_host_that_comes_back_high_is_no_contact() -> None:
    """Whoever is away: nobody but noise lifts what the host pulls low."""
    lost = found(**_losing(silent=2, slots=4))[0]
    assert (lost.cause, lost.kind) == (Cause.BUS_WIRING, "common-loss")
    assert any("noise" in text for text in lost.discriminators)
    noise = found(**_losing(silent=2, slots=4, zeros_lifted=2))[0]
    assert (noise.cause, noise.kind) == (Cause.NOISE, "lifted-lows")
    assert any("common-loss" in text for text in noise.ruled_out)
    assert "4 a zero that the host wrote came back high" in " ".join(noise.measured)


def test_who_goes_on_in_step_was_never_away() -> None:
    """A device whose single lows are missing, and whose CRC is right, kept its contact."""
    noise = found(**_losing(silent=2, slots=4, lows_missed=3))[0]
    assert noise.cause is Cause.NOISE
    assert any("common-loss" in text for text in noise.ruled_out)
    once = probe(verified=28, lows_missed=2)
    causes = {(f.cause, f.kind) for f in found(devices=(once, probe(OTHER)))}
    assert (Cause.DEVICE, "loose-contact") not in causes


def test_a_contact_takes_presence_before_slots() -> None:
    """Noise meets 14 ms of slots as often as the 1 ms of the reset before them, or oftener."""
    away = found(**_losing(silent=6, slots=1))[0]
    assert (away.cause, away.kind) == (Cause.BUS_WIRING, "common-loss")
    assert not any("noise" in text for text in away.discriminators)
    assert any(
        "noise" in text and "12 searches without presence, 2 broken" in text
        for text in away.ruled_out
    )


@pytest.mark.parametrize(
    ("silent", "bursts", "says", "cure"),
    [
        (
            0,
            {512: (0, 8), 256: (0, 8), 128: (8, 8)},
            "long bursts lose",
            "max_burst: 128",
        ),
        (
            3,
            {512: (0, 8), 256: (2, 8), 128: (5, 8), 64: (8, 8)},
            "single ones as",
            "port",
        ),
        (0, {512: (5, 8), 256: (8, 8)}, "single ones may be lost", "max_burst: 256"),
    ],
    ids=["bursts only", "single ones too", "too few to tell"],
)
def test_losses_of_bursts_and_of_single_characters(
    silent: int, bursts: dict[int, tuple[int, int]], says: str, cure: str
) -> None:
    """Shorter bursts are the cure of what bursts lose beyond single characters."""
    ones = echoes(200, xFF=200 - silent)
    adapter = replace(ADAPTER, ones=ones, bursts=bursts, burst_missing=30)
    first = found(adapter=adapter)[0]
    assert (first.cause, first.kind) == (Cause.ADAPTER, "drops")
    assert says in first.summary
    assert cure in first.try_first
    assert ("max_burst" in first.try_first) == (not silent)
