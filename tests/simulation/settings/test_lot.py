"""A lot in a few lines: the units it expands into, and what is refused."""

from __future__ import annotations

import statistics
from typing import Any

import pytest
from pydantic import ValidationError

from harness.simulation.settings.bench import SimulationSettings, bench_settings
from harness.simulation.settings.feed import Insertion
from harness.simulation.settings.real_parts import REAL_PARTS_US

LOT = {
    "units": 400,
    "labels_from": "CS-000098",
    "serials_from": 0xC10001,
    "typical": {
        "family": 0x28,
        "temperature_degc": 21,
        "time_base": {"sample_us": 30, "read_0_us": 32},
    },
    "spread": {"temperature_degc": 0.1},
    "time_spread": 0.06,
}


def lot(**changes: Any) -> dict[str, Any]:  # noqa: ANN401
    return {"seed": 5, "lot": {**LOT, **changes}}


def read(**changes: Any) -> SimulationSettings:  # noqa: ANN401
    return SimulationSettings.model_validate(lot(**changes))


def complaint(**changes: Any) -> tuple[str, str, str]:  # noqa: ANN401
    """Message, place and the nearest word of the only mistake."""
    with pytest.raises(ValidationError) as refused:
        read(**changes)
    (error,) = refused.value.errors()
    context = error.get("ctx", {})
    place = [str(part) for part in error["loc"]] + [str(context.get("at", ""))]
    return error["msg"], ".".join(p for p in place if p), str(context.get("nearest"))


def test_labels_and_serial_numbers_count_up() -> None:
    """Leading zeros stay; no two units share a ROM code."""
    made = read(units=5)
    assert [entry.serial for entry in made.insertions] == [
        "CS-000098", "CS-000099", "CS-000100", "CS-000101", "CS-000102",
    ]  # fmt: skip
    assert [d.serial for d in made.everybody] == [0xC10001 + n for n in range(5)]
    assert [entry.devices for entry in made.insertions] == [(n,) for n in range(1, 6)]


def test_values_spread_as_told() -> None:
    """Mean and deviation of 400 units, within four of their standard errors."""
    devices: Any = read().everybody
    degc = [d.temperature_degc for d in devices]
    assert statistics.fmean(degc) == pytest.approx(21, abs=4 * 0.1 / 400**0.5)
    assert statistics.stdev(degc) == pytest.approx(0.1, abs=4 * 0.1 / 800**0.5)


def test_a_chip_has_one_oscillator() -> None:
    """All times of a unit move by one factor, those of real parts too."""
    devices = read().everybody
    factors = [d.time_base.sample_us / 30 for d in devices]  # type: ignore[operator]
    assert [d.time_base.read_0_us for d in devices] == [pytest.approx(32 * f) for f in factors]  # fmt: skip
    assert statistics.stdev(factors) == pytest.approx(0.06, abs=4 * 0.06 / 800**0.5)
    wait_us = REAL_PARTS_US["presence_wait_us"].mean_us
    assert [d.time_base.presence_wait_us for d in devices] == [pytest.approx(wait_us * f) for f in factors]  # fmt: skip


def test_times_that_nobody_gives_are_those_of_real_parts() -> None:
    """Waits of 27 to 36 us, presence of 111 to 130 us, zeros of 26 to 35 us were recorded.

    Mean and deviation of 400 units within four of their standard errors of what the
    recordings show; none is anywhere near the published limits (15, 60 and 240 us).
    """
    typical = {"family": 0x28}
    devices = read(typical=typical, spread={}, time_spread=0.0).everybody
    for name, seen in REAL_PARTS_US.items():
        values = [getattr(d.time_base, name) for d in devices]
        error = seen.deviation_us / 400**0.5
        assert statistics.fmean(values) == pytest.approx(seen.mean_us, abs=4 * error)
        assert statistics.stdev(values) == pytest.approx(
            seen.deviation_us, abs=4 * seen.deviation_us / 800**0.5
        )
    assert 27 <= REAL_PARTS_US["presence_wait_us"].mean_us <= 36
    assert 111 <= REAL_PARTS_US["presence_low_us"].mean_us <= 130
    assert 26 <= REAL_PARTS_US["read_0_us"].mean_us <= 35


def test_a_lot_may_be_drawn_within_the_published_limits() -> None:
    """For stress: the bench draws each time anywhere within its limits."""
    devices = read(times="limits").everybody
    assert {d.time_base.presence_wait_us for d in devices} == {None}


def test_nobody_cuts_the_spread() -> None:
    """A lot that spreads too far has units outside the data sheet: it is no better than told."""
    samples = [d.time_base.sample_us for d in read(time_spread=0.3).everybody]
    assert min(s for s in samples if s is not None) < 15


def test_each_unit_is_drawn_by_itself() -> None:
    """A longer lot begins with the same units; an odd one changes nobody else."""
    few = read(units=20).everybody
    assert read(units=50).everybody[:20] == few
    odd = read(units=20, odd=[{"unit": 7, "differs": {"silicon": "clone"}}]).everybody
    assert [n for n in range(20) if odd[n] != few[n]] == [6]
    assert SimulationSettings.model_validate({**lot(units=20), "seed": 6}).everybody != few  # fmt: skip


def test_an_odd_unit_differs_only_where_it_says() -> None:
    """One time of the time base is given, the others stay as drawn."""
    odd = [
        {"unit": 2, "differs": {"time_base": {"sample_us": 16.5}}, "how": "bouncing"}
    ]
    plain, other = read().everybody[1], read(odd=odd).everybody[1]
    assert other.time_base.sample_us == 16.5
    assert other.time_base.read_0_us == plain.time_base.read_0_us
    assert other.serial == plain.serial
    assert read(odd=odd).insertions[1].how is Insertion.BOUNCING


def test_a_copied_rom_code_can_be_planted() -> None:
    """A serial number under differs stands in place of the counted one."""
    odd = [{"unit": 3, "differs": {"serial": 0xC10001}}]
    devices = read(units=3, odd=odd).everybody
    assert devices[2].serial == devices[0].serial


def test_a_lot_comes_after_the_list() -> None:
    """A golden unit that is listed goes in first; the bench has them all."""
    settings = lot(units=2)
    settings["devices"] = [{"family": 0x28, "serial": 1}]
    settings["feed"] = [{"serial": "GOLDEN", "devices": [1]}]
    made = SimulationSettings.model_validate(settings)
    assert [e.devices for e in made.insertions] == [(1,), (2,), (3,)]
    assert [e.again_unless_passed for e in made.insertions] == [False, True, True]
    assert len(bench_settings({"simulation": settings}).devices) == 3


@pytest.mark.parametrize(
    ("changes", "words", "place", "nearest"),
    [
        ({"labels_from": "probe"}, "has no number", "lot.labels_from", ""),
        ({"labels_from": "P-9"}, "more digits", "lot.labels_from", ""),
        ({"serials_from": (1 << 48) - 5}, "48 bit", "lot.serials_from", ""),
        ({"spread": {"temprature_degc": 1}}, "cannot spread", "lot.spread.temprature_degc", "temperature_degc"),
        ({"spread": {"alarm_low_degc": 1}}, "cannot spread", "lot.spread.alarm_low_degc", ""),
        ({"spread": {"conversion_ms": 1}}, "no number", "lot.spread.conversion_ms", ""),
        ({"typical": {"family": 0x28, "serial": 3}}, "serial cannot", "lot.typical.serial", ""),
        ({"typical": {"family": 0x28, "socket": "A"}}, "socket cannot", "lot.typical.socket", ""),
        ({"odd": [{"unit": 401}]}, "not in the lot", "lot.odd.0.unit", ""),
        ({"odd": [{"unit": 4}, {"unit": 4}]}, "twice", "lot.odd.1.unit", ""),
        ({"odd": [{"unit": 4, "differs": {"silcon": "clone"}}]}, "'silicon'", "lot.odd.0.differs.silcon", ""),
        ({"odd": [{"unit": 4, "differs": {"time_base": {"sample_us": -1}}}]}, "greater than 0", "lot.odd.0.differs.time_base.sample_us", ""),
        ({"odd": [{"unit": 4, "differs": {"socket": "A"}}]}, "no socket", "lot.odd.0.differs.socket", ""),
        ({"spread": {"temperature_degc": 500}}, "as drawn", "lot.spread.temperature_degc", ""),
    ],
)  # fmt: skip
def test_mistakes_are_told_at_their_place(
    changes: dict[str, Any], words: str, place: str, nearest: str
) -> None:
    """Each with what is wrong, where, and the nearest word there is."""
    message, at, near = complaint(**changes)
    assert words in message
    assert at == place
    if nearest:
        assert near == nearest


def test_a_bench_bears_a_thousand_devices() -> None:
    """Listed and drawn ones together."""
    settings = lot(units=1000)
    settings["devices"] = [{"family": 0x28}]
    with pytest.raises(ValidationError, match="more than 1000"):
        SimulationSettings.model_validate(settings)
