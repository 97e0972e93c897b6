"""Rules about kinds, clocks, currents and stores: worked examples, and where they keep silent."""

from __future__ import annotations

from typing import Any

import pytest

from harness.diagnosis.causes.table import judge
from harness.diagnosis.evidence.bus import Conversion, Evidence
from harness.diagnosis.evidence.expected import Expected
from harness.diagnosis.finding import Cause, Confidence, Finding, FindingSeverity
from harness.families.kind_facts import Trim
from harness.wire.crc import crc16_sent
from tests.diagnosis.speaks_kinds import (
    NO_LOAD,
    OSCILLATOR_21H,
    ROM,
    SENSE,
    TRIM,
    counts,
    device,
    failed,
    failing,
    mission,
    ports,
    reading,
    store,
)


def found(**changes: Any) -> tuple[Finding, ...]:  # noqa: ANN401
    """Findings of nothing but this."""
    return judge(Evidence(**changes))[0]


def kinds(**changes: Any) -> list[str]:  # noqa: ANN401
    """Their kinds."""
    return [finding.kind for finding in found(**changes)]


# -- F22: stores ---------------------------------------------------------------------


def test_published_check_bytes_of_a_store() -> None:
    """Write check 2F CA; status 27 instead of 07 turns the check from 08 9D to 91 5C.

    Source: data sheet family 2Dh (part DS2431) p. 7-12; row 0020h, data 11 to 88 chosen.
    """
    data = bytes.fromhex("11 22 33 44 55 66 77 88")
    assert crc16_sent(b"\x0f\x20\x00" + data) == bytes.fromhex("2F CA")
    assert crc16_sent(b"\xaa\x20\x00\x07" + data) == bytes.fromhex("08 9D")
    assert crc16_sent(b"\xaa\x20\x00\x27" + data) == bytes.fromhex("91 5C")


def test_a_dip_during_the_store() -> None:
    """Status 27h and end byte FFh although the check of the write was right."""
    first = found(**store(status="27", end="FF", protection="00 00 00 00, lock 00"))[0]
    assert (first.cause, first.kind) == (Cause.SUPPLY, "store-dip")
    assert "status 27h" in " ".join(first.measured)
    assert "end byte FFh" in " ".join(first.measured)
    assert first.try_first.startswith("external strong pull-up, power for 10 ms")
    assert "read back after a power cycle" in first.try_first


def test_a_protected_row_is_configuration() -> None:
    """The protection byte says so; the supply is ruled out."""
    protected = {"protected": "in page 1, write-protected", "protection": "00 55 00 00"}
    first = found(**store(end="FF", status="07", **protected))[0]
    assert (first.cause, first.kind) == (Cause.CONFIGURATION, "store-protected")
    assert "55" in " ".join(first.measured)
    assert any("supply" in text for text in first.ruled_out)


def test_a_start_off_the_row_is_configuration() -> None:
    """A 2Dh copies rows of eight bytes alone."""
    first = found(**store(address=0x24, end="FF", status="07"))[0]
    assert (first.cause, first.kind) == (Cause.CONFIGURATION, "store-row")


def test_a_store_without_a_word_is_only_likely_supply() -> None:
    """No flag, open protection: supply is likely, a worn part remains."""
    first = found(**store(end="FF", status="07"))[0]
    assert (first.cause, first.confidence) == (Cause.SUPPLY, Confidence.LIKELY)
    assert any("worn" in text for text in first.discriminators)


# -- F25: toggled --------------------------------------------------------------------


def test_an_even_number_of_own_matches_blames_somebody_else() -> None:
    """Two matches of ours leave the output as it was; it is not."""
    facts = {"before": 1, "after": 0, "matches": 2, "matched_by": {"2": 2}}
    first = found(**failed("toggled", evidence=facts))[0]
    assert "another host" in first.summary
    assert "step 2 2x" in " ".join(first.measured)


def test_off_after_a_single_change_may_be_a_restart() -> None:
    """The output is off after each power-up."""
    changed = device(
        reading("channel_a_output_off", 0, watched=True),
        later=(reading("channel_a_output_off", 1, watched=True),),
    )
    first = found(**changed)[0]
    assert first.confidence is Confidence.LIKELY
    assert any("restart" in text for text in first.discriminators)


def test_a_state_that_stays_says_nothing() -> None:
    """Sensed three times, the same each time."""
    steady = reading("channel_a_output_off", 1, watched=True)
    assert not kinds(**device(steady, later=(steady, steady)))


# -- F26: clocks ---------------------------------------------------------------------


def test_a_fresh_part_with_its_oscillator_off_is_no_fault() -> None:
    """Parts are shipped so: a note, and what it would mean for a mission."""
    off = reading("oscillator", "off", evidence=OSCILLATOR_21H)
    (only,) = found(**device(off, mission("none", oscillator="off")))
    assert only.severity is FindingSeverity.NOTE
    assert "a mission started now would take no samples" in only.summary
    assert "byte 80h, bit 7 of 020Eh, 0 runs" in only.measured


def test_memory_cleared_for_a_mission_that_cannot_sample_is_a_warning() -> None:
    """Somebody is about to start one."""
    off = reading("oscillator", "off", evidence=OSCILLATOR_21H)
    rows = device(
        off, mission("none", oscillator="off"), reading("memory_cleared", True)
    )
    assert [f.severity for f in found(**rows)] == [FindingSeverity.WARNING]


def test_published_drift_is_within_limits() -> None:
    """-22 ppm is -57 s in 30 days: a note with the correction, no fault (F26)."""
    facts = {"mission": True, "since_start_s": 30 * 86_400.0}
    (only,) = found(**device(reading("clock_offset", -57.0, evidence=facts)))
    assert (only.kind, only.severity) == ("clock-drift", FindingSeverity.NOTE)
    assert "-22 ppm" in " ".join(only.measured)
    assert "-57 s in 30 days" in only.summary


@pytest.mark.parametrize("offset_s", [0.0, 1.0, -4.0])
def test_a_clock_that_is_right_says_nothing(offset_s: float) -> None:
    """Seconds are what reading to the second leaves open."""
    assert not kinds(**device(reading("clock_offset", offset_s)))


def test_an_hour_off_after_a_day_is_no_drift() -> None:
    """No crystal does that: the clock was set so."""
    facts = {"mission": True, "since_start_s": 86_400.0}
    rows = device(reading("clock_offset", 3600.0, evidence=facts))
    assert kinds(**rows) == ["clock-off"]


def test_a_mission_that_samples_says_nothing() -> None:
    """As many samples as were due, and one that is under way."""
    assert not kinds(**device(mission(samples=3)))
    assert not kinds(**device(mission(samples=2)))


def test_a_failed_drift_check_is_the_crystal() -> None:
    """The rate was measured: certain."""
    first = found(
        **failed(
            "limit",
            "clock_drift",
            values={"clock_drift": -120.0},
            beyond=("clock_drift",),
        )
    )[0]
    assert (first.cause, first.confidence) == (Cause.DEVICE, Confidence.CERTAIN)
    assert "-120.0 ppm" in first.measured[0]
    assert "-311 s in 30 days" in first.summary


def test_a_mission_that_never_began() -> None:
    """Oscillator on, flag 0: memory was not cleared before the start."""
    facts = {"oscillator": "on", "mission": False, "samples": 0, "cleared": False}
    first = found(**failed("answer-impossible", "mission", evidence=facts))[0]
    assert (first.cause, first.kind) == (Cause.CONFIGURATION, "mission-not-started")


# -- F27: currents -------------------------------------------------------------------


def test_published_trim() -> None:
    """Trim -3 shifted left by three is FFE8h: bytes E8 FF (F27)."""
    assert Trim(**TRIM).encoded(-3) == bytes.fromhex("E8 FF")


def test_published_offset() -> None:
    """Raw +3 over 25 mohm is +29 mA, 0.70 Ah a day (F27)."""
    first = found(**NO_LOAD, **device(counts(*[3] * 32)))[0]
    assert (first.cause, first.severity) == (Cause.CONFIGURATION, FindingSeverity.FAULT)
    assert "32 readings +3.0 counts" in first.measured[0]
    assert first.measured[1] == "+29 mA = +0.70 Ah a day over 25 mohm"
    assert "E8 FF" in first.try_first


def test_a_trim_in_force_counts() -> None:
    """What is written adds to what is there: -2 in force and +3 left make -5."""
    rows = device(counts(3, 3, 3), reading("offset_trim", -2))
    first = found(**NO_LOAD, **rows)[0]
    assert "trim -5" in first.try_first
    assert "D8 FF" in first.try_first


def test_a_current_that_moves_is_the_device() -> None:
    """No trim takes away what moves by more than two steps."""
    first = found(**NO_LOAD, **device(counts(1, 6, -2, 3)))[0]
    assert (first.cause, first.kind) == (Cause.DEVICE, "current-moves")
    assert "move by 8" in first.measured[0]


def test_without_the_declaration_it_is_undecided_and_a_note() -> None:
    """Offset or load: open the load first."""
    (only,) = found(**device(counts(3, 3, 3)))
    assert (only.cause, only.severity) == (Cause.UNDECIDED, FindingSeverity.NOTE)
    assert only.try_first.startswith("open the load first")
    assert "Kelvin" in " ".join(only.discriminators)


@pytest.mark.parametrize("values", [(0, 0), (2, 2, 2), (-1, 1, 0)])
def test_two_counts_are_allowed(values: tuple[int, ...]) -> None:
    """With and without the declaration."""
    assert not kinds(**NO_LOAD, **device(counts(*values)))
    assert not kinds(**device(counts(*values)))


def test_without_a_resistor_there_are_no_amperes() -> None:
    """Microvolt are reported, and what is missing."""
    bare = {key: value for key, value in SENSE.items() if key != "sense_mohm"}
    (only,) = found(**device(reading("current_counts", 3, 3, evidence=bare)))
    assert "+732 uV" in only.measured[1]
    assert "expect.sense_mohm" in only.measured[1]


# -- any kind ------------------------------------------------------------------------


def test_latch_on_and_pin_low_is_as_it_must_be() -> None:
    """Only off and low says that something holds it."""
    assert not kinds(**device(ports(a=(0, 0), b=(1, 1))))


def test_declared_bus_power_that_is_none_is_a_note() -> None:
    """Nothing is spoilt by a supply more than was declared."""
    expected = Expected(rom_codes={ROM: "A1"}, parasite=frozenset({ROM}))
    (only,) = found(expected=expected, **device(reading("power_supply", "external")))
    assert only.severity is FindingSeverity.NOTE


@pytest.mark.parametrize(
    ("trouble", "severity"),
    [("", FindingSeverity.WARNING), ("slot-disturbed", FindingSeverity.FAULT)],
)
def test_a_lost_supply_is_a_fault_where_it_spoils_others(
    trouble: str, severity: FindingSeverity
) -> None:
    """Who lives on the data line unasked drags it down when all convert at once."""
    done = (Conversion(alone=False, trouble=trouble),)
    changes = device(reading("power_supply", "parasite"), conversions=done)
    (only,) = found(**changes, expected=Expected(rom_codes={ROM: "A1"}))
    assert (only.kind, only.severity) == ("supply-differs", severity)
    assert ("1 of 1" in " ".join(only.measured[1:])) is bool(trouble)


def test_supply_as_declared_says_nothing() -> None:
    """External unless the fixture says otherwise."""
    expected = Expected(rom_codes={ROM: "A1"})
    assert not kinds(expected=expected, **device(reading("power_supply", "external")))


def test_a_device_that_searches_lose_is_not_judged_by_its_answers() -> None:
    """Its branch comes first: only a device that is surely there is called odd."""
    rows = device(failing("ports", "answer-impossible"), verified=20)
    assert "odd-answer" not in kinds(**rows)


def test_two_devices_that_answer_wrong_are_undecided() -> None:
    """It hits more than one: no single device is to blame (rule 3)."""
    first = device(failing("ports", "check-value"))["devices"]
    second = device(failing("ports", "check-value"), rom_code="72000000EB02A228")
    both = found(devices=first + second["devices"])
    assert {f.cause for f in both} == {Cause.UNDECIDED}


def test_own_matches_are_counted_not_supposed() -> None:
    """An odd number of matches by this harness explains one change: nobody else is blamed."""
    rows = device(
        reading("channel_a_output_off", 1, watched=True),
        later=(reading("channel_a_output_off", 0, watched=True),),
        matches=1,
    )
    (only,) = found(**rows)
    assert "1 matches by this program" in only.measured[0]
    assert "another host" not in only.summary
    assert not only.ruled_out
