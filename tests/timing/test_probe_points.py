"""Where the instrument looks: spans, rungs and what each character of a ladder does."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import pytest

from harness.timing import device, line
from harness.timing.ladders import (
    Clockwork,
    _steps,
    low_ladder,
    period_ladder,
    presence_ladder,
    read_ladder,
    reset_high_ladder,
    rise_ladder,
    twin_ladder,
)
from harness.timing.reach import not_judged, not_measurable
from harness.timing.spans import OVERDRIVE_SPANS, STANDARD_SPANS, SearchSpan, Spans
from harness.timing.values import Name
from harness.wire.clock_grid import GRIDS
from harness.wire.limits import OVERDRIVE, STANDARD
from harness.wire.slots.frames import PULSE_BYTES

EXACT = Clockwork(grid=GRIDS["exact"], error_ppm=0.0, doubt_ppm=0.0)
DOUBTED = Clockwork(grid=GRIDS["exact"], error_ppm=2000.0, doubt_ppm=500.0)


def ends(span: SearchSpan) -> tuple[float, float, float]:
    """From, to, step."""
    return span.from_us, span.to_us, span.step_us


def test_spans_of_standard_speed() -> None:
    """A quarter beyond the published limits; steps well below what a value is known to.

    Write-1 from 5 us, samples to 60 us, presence from 15 to 60 and 60 to 240 us after it
    (DS2431 p. 2-3): 75 us, 72 us (the sample's window ends at 75) and 330 us are a fifth
    or a tenth more; no reset samples before 30 us, and no presence ends before 75 us, less
    the rise. The steps are our choice, tens of them in each microsecond or so.
    """
    spans = STANDARD_SPANS
    assert spans.limits is STANDARD
    assert ends(spans.low) == (5.0, 75.0, 0.15)
    assert ends(spans.read) == (10.5, 75.0, 0.15)
    assert spans.read_bit_us == (5.5, 12.0)
    assert ends(spans.short_low) == (0.34, 6.0, 0.05)
    assert ends(spans.presence_wait) == (30.0, 72.0, 0.5)
    assert ends(spans.presence_end) == (66.0, 330.0, 0.6)


def test_spans_of_overdrive() -> None:
    """The same at a tenth of the times: samples 2 to 6 us, presence 2 to 6 and 7 to 24 us."""
    spans = OVERDRIVE_SPANS
    assert spans.limits is OVERDRIVE
    assert ends(spans.low) == (0.7, 8.0, 0.02)
    assert ends(spans.read) == (1.6, 8.0, 0.02)
    assert spans.read_bit_us == (1.01, 1.7)
    assert ends(spans.short_low) == (0.08, 2.0, 0.02)
    assert ends(spans.presence_wait) == (3.0, 8.0, 0.05)
    assert ends(spans.presence_end) == (8.5, 34.0, 0.1)


@pytest.mark.parametrize("spans", [STANDARD_SPANS, OVERDRIVE_SPANS], ids=["1", "2"])
def test_limits_lie_inside_their_spans(spans: Spans) -> None:
    """What is out of limits is measured, and not only missed."""
    limits = spans.limits
    assert limits.device_sample.high_us is not None
    assert limits.presence_wait.high_us is not None
    assert limits.presence_low.high_us is not None
    assert spans.low.to_us >= 1.25 * limits.device_sample.high_us
    assert spans.read.to_us >= 1.25 * limits.device_sample.high_us
    assert spans.presence_wait.to_us >= 1.2 * limits.presence_wait.high_us
    longest_us = limits.presence_wait.high_us + limits.presence_low.high_us
    assert spans.presence_end.to_us >= 1.1 * longest_us
    assert limits.write_1_low.holds(spans.read_bit_us[0])
    assert limits.write_1_low.holds(spans.read_bit_us[1])


def test_steps_include_both_ends() -> None:
    """One more than there are gaps."""
    assert _steps(1.0, 2.0, 0.25) == [1.0, 1.25, 1.5, 1.75, 2.0]
    assert _steps(1.0, 1.0, 0.25) == [1.0]
    assert _steps(1.0, 1.9, 0.25) == pytest.approx([1.0, 1.25, 1.5, 1.75])


def test_what_is_known_of_the_clock() -> None:
    """A fast clock makes everything shorter; its doubt is the grid's tolerance then."""
    assert DOUBTED.scale == pytest.approx(1 / 1.002)
    assert DOUBTED.known_grid.tolerance_ppm == 500
    assert DOUBTED.known_grid.stop_bits == (1,)
    promised = Clockwork.of_grid(GRIDS["integer-divider"])
    assert (promised.error_ppm, promised.doubt_ppm, promised.measured) == (
        0,
        2500,
        False,
    )


@pytest.mark.parametrize("clock", [EXACT, DOUBTED], ids=["exact", "doubted"])
def test_a_rung_of_a_low(clock: Clockwork) -> None:
    """1 + k bits, in the doubt of the clock."""
    ladder = low_ladder(clock, 10.0, 20.0, 2.0)
    assert len(ladder) == 6
    for rung, wanted_us in zip(ladder, (10, 12, 14, 16, 18, 20), strict=True):
        zeros = PULSE_BYTES.index(rung.byte)
        assert zeros <= 2
        low_us = (1 + zeros) * rung.bit_us
        assert rung.middle_us == pytest.approx(low_us)
        assert rung.middle_us == pytest.approx(wanted_us * clock.scale, rel=1e-3)
        assert rung.late_us - rung.early_us == pytest.approx(
            2 * low_us * clock.doubt_ppm * 1e-6
        )
        assert rung.bit_us == pytest.approx(
            1e6 / rung.request_baud * clock.scale, rel=1e-3
        )
        assert rung.bit == 0
    ones = low_ladder(clock, 10.0, 20.0, 2.0, (0,))
    assert {rung.byte for rung in ones} == {0xFF}


def sample_us(rung: object, *, after_release: bool) -> float:
    """The middle of the sixteenth of a bit in which a rung's bit is sampled."""
    bit, bit_us, byte = rung.bit, rung.bit_us, rung.byte  # type: ignore[attr-defined]
    middle = (bit + 1.5 + 1 / 32) * bit_us
    return float(middle - (1 + PULSE_BYTES.index(byte)) * bit_us * after_release)


def test_rungs_of_samples() -> None:
    """From the falling edge for read slots, from the release for rises and presence."""
    reads = read_ladder(EXACT, 20.0, 40.0, 5.0)
    rises = rise_ladder(EXACT, 5.0, 40.0, 5.0)
    resets = presence_ladder(EXACT, 40.0, 300.0, 20.0)
    assert {rung.byte for rung in (*reads, *rises)} == {0xFF}
    assert all(5.5 <= rung.bit_us <= 12.0 for rung in reads)
    for ladder, after_release in ((reads, False), (rises, True), (resets, True)):
        for rung in ladder:
            assert rung.middle_us == pytest.approx(
                sample_us(rung, after_release=after_release)
            )
            assert rung.late_us - rung.early_us == pytest.approx(rung.bit_us / 16)
    assert [rung.middle_us for rung in reads] == pytest.approx(
        [20, 25, 30, 35, 40], abs=0.1
    )
    lows = [(1 + PULSE_BYTES.index(r.byte)) * r.bit_us for r in resets]
    assert all(480 <= low_us <= 640 for low_us in lows)
    assert {PULSE_BYTES.index(rung.byte) for rung in resets} <= set(range(2, 8))
    assert min(PULSE_BYTES.index(rung.byte) for rung in resets) == 2
    first = presence_ladder(EXACT, 30.0, 40.0, 1.0)[0]
    assert PULSE_BYTES.index(first.byte) == 7


def test_a_doubted_clock_leaves_the_limits_some_room() -> None:
    """No reset whose low may break a limit, within the clock's doubt."""
    wide = replace(EXACT, doubt_ppm=20_000.0)
    for ladder in (presence_ladder(wide, 40.0, 300.0, 5.0), reset_high_ladder(wide, 110.0, 610.0, 10.0)):  # fmt: skip
        assert ladder
        for rung in ladder:
            low_us = (1 + PULSE_BYTES.index(rung.byte)) * rung.bit_us
            assert 480 / 0.98 - 1e-6 <= low_us <= 640 / 1.02 + 1e-6


def test_times_after_a_reset() -> None:
    """9 - k bits of high behind 1 + k of low; FFh at the same rate is a write-0."""
    ladder = reset_high_ladder(EXACT, 110.0, 610.0, 4.0)
    for rung in ladder:
        zeros = PULSE_BYTES.index(rung.byte)
        assert 3 <= zeros <= 7
        assert rung.middle_us == pytest.approx((9 - zeros) * rung.bit_us)
        assert 62 <= rung.bit_us <= 118
        assert 480 <= (1 + zeros) * rung.bit_us <= 640
    assert {PULSE_BYTES.index(rung.byte) for rung in ladder} == {4, 5, 6, 7} | (
        {3} if any(r.byte == 0xF8 for r in ladder) else set()
    )
    assert ladder[0].middle_us < 130
    assert ladder[-1].middle_us > 560
    assert max(b.middle_us - a.middle_us for a, b in pairwise(ladder)) < 70


def test_times_between_two_edges() -> None:
    """Ten bits of FFh; in one character m bits from its edge to a zero at bit m - 1."""
    for rung in period_ladder(EXACT, 30.0, 60.0, 5.0):
        assert rung.middle_us == pytest.approx(10 * rung.bit_us)
        assert rung.byte == 0xFF
    periods = [rung.middle_us for rung in period_ladder(EXACT, 30.0, 60.0, 5.0)]
    assert periods == pytest.approx([30, 35, 40, 45, 50, 55, 60], abs=0.1)
    twins = twin_ladder(EXACT, 2.1, 13.0, 0.5, OVERDRIVE_SPANS)
    apart = set()
    for rung in twins:
        place = (0xFF ^ rung.byte).bit_length()
        assert (0xFF ^ rung.byte).bit_count() == 1
        assert rung.middle_us == pytest.approx((place + 0) * rung.bit_us)
        assert 1.01 * 0.999 <= rung.bit_us <= 1.7 * 1.001
        apart.add(place)
    assert apart == set(range(2, 9))


def test_points_of_each_quantity() -> None:
    """Each measurement climbs the ladder of its span."""
    for found, made in (
        (device.low_points(EXACT), low_ladder(EXACT, 5.0, 75.0, 0.15)),
        (device.read_points(EXACT), read_ladder(EXACT, 10.5, 75.0, 0.15, STANDARD_SPANS)),
        (device.short_low_points(EXACT), low_ladder(EXACT, 0.34, 6.0, 0.05)),
        (device.period_points(EXACT), period_ladder(EXACT, 20.0, 95.0, 0.5)),
        (device.period_points(EXACT, 80.0), period_ladder(EXACT, 80.0, 100.0, 0.5)),
        (device.twin_points(EXACT, OVERDRIVE_SPANS), twin_ladder(EXACT, 2.1, 13.0, 0.02, OVERDRIVE_SPANS)),
        (line.rise_points(EXACT), rise_ladder(EXACT, 0.2, 40.0, 0.1)),
        (line.reset_high_points(EXACT), reset_high_ladder(EXACT, 110.0, 610.0, 4.0)),
        (line.presence_points(EXACT, STANDARD_SPANS.presence_wait, STANDARD_SPANS), presence_ladder(EXACT, 30.0, 72.0, 0.5)),
    ):  # fmt: skip
        assert found == made
        assert found


# -- what can be measured at all -------------------------------------------------------


def test_bursts_that_tell_the_clock() -> None:
    """Whole packets of 62 at 9600 baud: 48 at most; a frame of the host's is the doubt.

    47 packets more take 47 x 62 x 10 / 9600 = 3.035 s, of which 1 ms is 329 ppm.
    """
    grid = GRIDS["exact"]
    assert [line._packets(n) for n in (61, 62, 123, 124, 2976, 4000)] == [
        0,
        1,
        1,
        2,
        48,
        48,
    ]
    assert line._more_s(grid, 48) == pytest.approx(47 * 620 / 9600)
    for ppm, enough in ((400, True), (330, True), (329, False), (100, False)):
        found = line.clock_beyond_reach(replace(grid, tolerance_ppm=ppm), 4000)
        assert (found == "") is enough
    assert line.clock_beyond_reach(replace(grid, tolerance_ppm=100), 4000) == (
        "the host measures it no better than +- 329 ppm, and 100 ppm are promised"
    )
    short = line.clock_beyond_reach(replace(grid, tolerance_ppm=5000), 123)
    assert short == "bursts of at most 123 characters are too short to time"
    # two packets: 62 characters more, 64.6 ms, 15484 ppm
    assert line.clock_beyond_reach(replace(grid, tolerance_ppm=15_485), 124) == ""
    assert line.clock_beyond_reach(replace(grid, tolerance_ppm=15_483), 124)


def test_what_customary_rates_cannot_measure() -> None:
    """An adapter without overdrive rates has no rung there; the clock is for the host."""
    unknown = GRIDS["unknown"]
    for name in (Name.LONGEST_WRITE_1, Name.PRESENCE_WAIT, Name.SHORTEST_LOW):
        assert not not_measurable(name, unknown, overdrive=False, max_burst=4000)
    assert (
        not_measurable(Name.SLOT_PERIOD, unknown, overdrive=True, max_burst=4000)
        == "it makes no frame in that range"
    )
    assert not not_measurable(
        Name.SLOT_PERIOD, GRIDS["exact"], overdrive=True, max_burst=4000
    )
    assert "too short" in not_measurable(
        Name.CLOCK_ERROR, unknown, overdrive=False, max_burst=62
    )


def test_a_bound_that_proves_nothing_is_foretold() -> None:
    """The shortest low of 115200 baud is 8.68 us, the limit 1 us; 3 MBd makes 0.33 us."""
    text = not_judged(Name.SHORTEST_LOW, GRIDS["unknown"])
    assert "limit is at most 1 us" in text
    assert "the shortest that it makes is" in text
    assert not_judged(Name.SHORTEST_LOW, GRIDS["exact"]) == ""
    assert not_judged(Name.SAMPLE_INSTANT, GRIDS["unknown"]) == ""
    assert not_judged(Name.SLOT_PERIOD, GRIDS["unknown"]) != ""
