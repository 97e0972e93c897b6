"""Readings and the conversion that they are of: held, lost, made up and noted.

A value is judged only if the conversion that it depends on happened in this run,
whatever way steps are selected (public reports, retold: stale and power-on values have
a right CRC).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from harness.records import Outcome
from harness.results.reports.html import render
from harness.results.reports.junit import write_junit
from harness.results.reports.table import plain_lines

Make = Callable[..., Any]
"""A fixture that makes or runs something."""

REREAD = {
    "read": {
        "quantity": "temperature",
        "fresh": False,
        "low": 10,
        "high": 30,
        "unit": "degC",
    }
}
THERMOMETERS = (0x10, 0x22, 0x28, 0x3B, 0x42)


def warm(new_device: Make, families: tuple[int, ...] = (0x28, 0x28), **more: Any) -> Any:  # noqa: ANN401  # fmt: skip
    """Thermometers at 20 degC."""
    return [
        new_device(f, n, temperature_degc=20.0, **more)
        for n, f in enumerate(families, 5)
    ]


def notes(ran: Any, step: str) -> list[str]:  # noqa: ANN401 - a finished run
    """All notes of a step's results."""
    return [note for result in ran.step(step).results for note in result.notes]


@pytest.mark.parametrize("family", THERMOMETERS)
def test_without_a_conversion_one_is_made_and_noted(
    run_plan: Make, bench_data: Make, new_device: Make, family: int
) -> None:
    """Every kind of thermometer: no value of 85 degC, no failed device, a note."""
    ran = run_plan([REREAD], bench_data(warm(new_device, (family,))))
    (result,) = ran.step("1").results
    assert ran.code == 0
    assert result.shown.measurements[0].value == 20.0
    assert result.shown.evidence["conversion"] == "of this reading"
    assert result.notes == (
        "no conversion of this run served it (the plan has no convert step before this "
        "one): one was made for this step",
    )


def test_the_note_stands_in_every_report(
    run_plan: Make, bench_data: Make, new_device: Make
) -> None:
    """JUnit, report page and table say what was made up for."""
    ran = run_plan([REREAD], bench_data(warm(new_device)))
    path = ran.folder / "junit.xml"
    write_junit(ran.record, path)
    for text in (path.read_text("utf-8"), render(ran.record)):
        assert text.count("one was made for this step") == 2
    said = [line for line in plain_lines(ran.record) if "one was made" in line]
    assert len(said) == 1  # once, for both
    assert said[0].startswith("    2 devices alike, note: ")


def test_a_reading_says_which_conversion_it_is_of(
    run_plan: Make, bench_data: Make, new_device: Make
) -> None:
    """The evidence names the step that converted, and how long ago."""
    steps = [{"convert": {}}, {"wait": {"for_s": 5}}, REREAD]
    ran = run_plan(steps, bench_data(warm(new_device)))
    told = ran.shown("3", "S1").evidence["conversion"]
    assert told.startswith("of all together, by step 1, 5.")
    assert not notes(ran, "3")


LOST: dict[str, tuple[list[Any], str]] = {
    "supply": (
        [{"switch": {"supply": "off"}}, {"switch": {"supply": "on"}}],
        "step 3 (switch) switched the supply on",
    ),
    "prompt": (
        [{"prompt": {"text": "warm it"}}],
        "the operator had the bench in step 2 (prompt)",
    ),
    "diagnosis": (
        [{"diagnose": {"resets": 4, "scans": 2, "reads": 2, "rounds": 2, "alone": 1}}],
        "a diagnosis converted since",
    ),
    "resolution": (
        [{"configure": {"settings": {"resolution_bits": 9}}}],
        "step 2 (configure resolution_bits) set what the conversion depends on",
    ),
    "other family": (
        [{"convert": {"family": 0x22}}],
        "step 2 (convert) did not wait for this device",
    ),
}


@pytest.mark.parametrize("case", LOST)
def test_what_takes_a_conversion_away(
    run_plan: Make, bench_data: Make, new_device: Make, case: str
) -> None:
    """What came between conversion and reading is the reason in the note."""
    between, words = LOST[case]
    data = bench_data(warm(new_device, (0x28, 0x22)))
    data["power"] = {"supply_on": "rts"}
    inner = {"for_each": {"family": 0x28, "steps": [REREAD]}}
    ran = run_plan([{"convert": {}}, *between, inner], data)
    last = ran.record.steps[-1]
    (note,) = notes(ran, last.step)
    assert words in note
    assert last.outcome is Outcome.PASSED


def test_settings_that_govern_nothing_leave_the_conversion(
    run_plan: Make, bench_data: Make, new_device: Make
) -> None:
    """Alarm limits say nothing of a temperature: what was converted before counts."""
    limits = {"configure": {"settings": {"alarm_high_degc": 50}}}
    ran = run_plan([{"convert": {}}, limits, REREAD], bench_data(warm(new_device)))
    assert not notes(ran, "3")


def test_failed_convert(run_plan: Make, bench_data: Make, new_device: Make) -> None:
    """After a convert step that did not end, each reading makes its own conversion."""
    slow = new_device(0x28, 5, temperature_degc=20.0, conversion_ms=900)
    data = bench_data([slow, new_device(0x28, 6, temperature_degc=20.0)])
    ran = run_plan([{"convert": {}}, REREAD], data)
    assert ran.shown("1").kind == "still-busy"
    assert ran.shown("2", "S1").kind == "still-busy"
    assert ran.shown("2", "S2").outcome is Outcome.PASSED
    reason = "the conversion of step 1 (convert) did not come to its end"
    assert [reason in note for note in notes(ran, "2")] == [True, True]


def test_convert_in_a_for_each_that_failed(
    run_plan: Make, bench_data: Make, new_device: Make
) -> None:
    """Inside a for_each likewise: no old value passes after a convert that failed."""
    slow = new_device(0x28, 5, temperature_degc=20.0, conversion_ms=900)
    data = bench_data([slow, new_device(0x28, 6, temperature_degc=20.0)])
    inner = {"for_each": {"family": 0x28, "steps": [{"convert": {}}, REREAD]}}
    ran = run_plan([inner], data)
    assert ran.shown("1.1").kind == "still-busy"
    assert ran.shown("1.2", "S2").evidence["conversion"] == "of this reading"


def test_a_mean_measures_anew(
    run_plan: Make, bench_data: Make, new_device: Make
) -> None:
    """A mean of four after one convert is four conversions, and says so."""
    data = bench_data([new_device(0x28, 5, temperature_degc=20.0, noise_degc=0.3)])
    read = {"read": {"quantity": "temperature", "fresh": False, "average": 4}}
    ran = run_plan([{"convert": {}}, read], data)
    assert len(set(ran.shown("2", "S1").evidence["readings"])) > 1
    assert "all but the first were made for this step" in notes(ran, "2")[0]


def test_own_conversion_counts_for_the_next_reading(
    run_plan: Make, bench_data: Make, new_device: Make
) -> None:
    """What a device converted by itself in this run is a conversion as well."""
    own = {"read": {"quantity": "temperature"}}
    ran = run_plan([own, REREAD], bench_data(warm(new_device)))
    told = ran.shown("2", "S2").evidence["conversion"]
    assert told.startswith("of this device, by step 1, ")
    assert not notes(ran, "2")


# -- supply --------------------------------------------------------------------------


def fed_by_the_line(new_device: Make, count: int = 1) -> Any:  # noqa: ANN401
    """Thermometers on parasite power."""
    return warm(new_device, (0x28,) * count, supply="parasite")


def test_parasite_without_the_means_is_an_error_that_names_the_step(
    run_plan: Make, bench_data: Make, new_device: Make
) -> None:
    """4.7 kohm leave nothing at 1.5 mA: no conversion is made, nobody is to blame."""
    data = bench_data(fed_by_the_line(new_device), line={"pull_up_ohm": 4700})
    inner = {"for_each": {"family": 0x28, "steps": [REREAD]}}
    off = {"wait": {"for_s": 1, "name": "let go"}}
    ran = run_plan([{"convert": {"family": 0x22}}, off, inner], data)
    result = ran.shown("3.1", "S1")
    assert (ran.code, result.outcome, result.kind) == (3, Outcome.ERROR, "step-missing")
    assert "4700 ohm leave 0.0 V at 1.5 mA and 3 V are needed" in result.message
    assert "no convert step before this one" in result.message
    assert "strong pull-up" in result.hint


@pytest.mark.parametrize("means", ["strong pull-up", "1 kohm"])
def test_parasite_with_the_means_is_made_up_for(
    run_plan: Make, bench_data: Make, new_device: Make, means: str
) -> None:
    """A strong pull-up, or a plain one strong enough for one device (5 V - 1.5 V)."""
    ohm = 1000 if means == "1 kohm" else 4700
    data = bench_data(fed_by_the_line(new_device), line={"pull_up_ohm": ohm})
    if means == "strong pull-up":
        data["power"] = {
            "strong_pull_up_on": "rts-without-dtr",
            "strong_pull_up_ohm": 390,
        }
    ran = run_plan([REREAD], data)
    assert ran.code == 0
    assert "one was made for this step" in notes(ran, "1")[0]


# -- the alarm flag ------------------------------------------------------------------

IN_ALARM = {"configure": {"settings": {"alarm_high_degc": 10}}}


def nobody(count: int) -> dict[str, Any]:
    """A search of devices in alarm that must find so many."""
    return {"enumerate": {"alarm": True, "count": count}}


@pytest.mark.parametrize(
    ("before", "words"),
    [
        ([IN_ALARM], "no convert step before"),
        ([{"convert": {}}, IN_ALARM], "set alarm limits"),
        ([{"convert": {}}, IN_ALARM, {"convert": {}}], ""),
        ([IN_ALARM, {"read": {"quantity": "temperature"}}], ""),
        ([IN_ALARM, {"convert": {}}, {"check": {"function": "conditional_search"}}], ""),
    ],
)  # fmt: skip
def test_alarm_search_after_a_conversion_with_its_limits(
    run_plan: Make, bench_data: Make, new_device: Make, before: list[Any], words: str
) -> None:
    """The flag is set by a conversion: without one since the limits, one is made."""
    ran = run_plan([*before, nobody(2)], bench_data(warm(new_device)))
    (bus,) = (r for r in ran.record.steps[-1].results if r.device is None)
    assert ran.code == 0
    assert bool(bus.notes) is bool(words)
    assert all(words in note for note in bus.notes)


def test_alarm_search_after_a_check_that_moved_the_limits(
    run_plan: Make, bench_data: Make, new_device: Make
) -> None:
    """A check that converts with limits of its own leaves a flag that says nothing."""
    screen = {"check": {"function": "data_sheet_conformance"}}
    steps = [IN_ALARM, {"convert": {}}, screen, nobody(1)]
    ran = run_plan(steps, bench_data(warm(new_device, (0x28,))))
    assert ran.code == 0
    assert "since step 3" in notes(ran, "4")[0]
