"""What a survey's report says: worst first, and what limits the bus."""

from __future__ import annotations

from harness.records import Bound, CheckResult, DeviceRef, Measurement, Outcome
from harness.results.record.device_tally import DeviceResult
from harness.results.timing import (
    TimingRow,
    explanation,
    timing_lines,
    worst_first,
)


def row(
    name: str, value: float, *, low: float | None = None, high: float | None = None,
    doubt: float = 0.3, device: str = "A1", bound: Bound | None = None, thin: bool = False,
) -> TimingRow:  # fmt: skip
    measurement = Measurement(
        name=name, value=value, unit="us", low=low, high=high,
        uncertainty=None if bound else doubt, bound=bound, beyond_doubt=True,
    )  # fmt: skip
    return TimingRow(device=device, value=measurement, thin=thin)


ROWS = [
    row("read_0_hold", 30.0, low=15, high=60),
    row("sample_instant", 58.6, low=15, high=60, device="A5"),
    row("shortest_low", 0.95, high=1.0, bound=Bound.AT_MOST),
    row("capacitance", 0.5),
]


def test_worst_first_and_bounds_after() -> None:
    """The smallest share of margin leads; a bound that holds comes after the values."""
    names = [r.value.name for r in worst_first(ROWS)]
    assert names == ["sample_instant", "read_0_hold", "shortest_low"]


def test_share_is_relative_to_the_window() -> None:
    """1.4 us of a half window of 22.5 us is 6 %; without limits nothing is near."""
    assert abs(ROWS[1].share - 1.4 / 22.5) < 1e-9
    assert ROWS[3].share == float("inf")


def test_explanation_names_device_value_limit_and_what_is_left() -> None:
    """One sentence an engineer can act on."""
    text = explanation(ROWS)
    assert "sample_instant of A5 is 58.60 +- 0.30 us" in text
    assert "has 1.40 us left" in text


def test_broken_limit_is_said_so() -> None:
    """A value beyond its limit by more than its uncertainty misses it."""
    rows = [row("sample_instant", 13.0, low=15, high=60)]
    assert "misses its limit by 2.00 us" in explanation(rows)
    assert "VIOLATED" in timing_lines(rows)[1]


def test_within_the_uncertainty_is_thin_not_broken() -> None:
    """14.9 +- 0.3 us against 15 us is no proof of anything but a thin margin."""
    rows = [row("sample_instant", 14.9, low=15, high=60, thin=True)]
    assert "thin" in timing_lines(rows)[1]
    assert "thinner than the uncertainty" in explanation(rows)


def test_nothing_measured_says_nothing() -> None:
    """Without rows there is no table and no sentence."""
    assert timing_lines([]) == []
    assert explanation([]) == ""


def test_beyond_doubt_judges_by_the_uncertainty() -> None:
    """A plain measurement fails outside its limit; one beyond doubt only past its doubt."""
    plain = Measurement(name="t", value=14.9, low=15.0, uncertainty=0.3)
    doubted = Measurement(
        name="t", value=14.9, low=15.0, uncertainty=0.3, beyond_doubt=True
    )
    assert not plain.holds
    assert doubted.holds
    assert Measurement.from_dict(doubted.as_dict()) == doubted


def test_shmoo_as_text() -> None:
    """Passed cells are #, failed ones a dot, holes blank."""
    from harness.results.plots.run import shmoo_lines

    facts = {
        "slot": "write-0", "label": "rate", "unit": "baud", "must_hold_us": [60, 120],
        "rows": [
            {"value": 100000, "points": [
                {"asked_us": 20, "low_us": 20, "slots": 6, "wrong": 3},
                {"asked_us": 60, "low_us": 60, "slots": 6, "wrong": 0}]},
            {"value": 120000, "points": [
                {"asked_us": 60, "low_us": 60, "slots": 6, "wrong": 0}]},
        ],
    }  # fmt: skip
    result = CheckResult(
        outcome=Outcome.PASSED,
        device=DeviceRef(rom_code="3D0000A4B3C2D128", family=0x28, socket="A1"),
        evidence={"shmoo": facts},
    )
    lines = shmoo_lines(DeviceResult.single(result))
    assert "A1 3D0000A4B3C2D128" in lines[0]
    assert lines[1].endswith(".#")
    assert lines[2].endswith(" #")
