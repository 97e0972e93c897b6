"""Each measurement on a line that is a rule: what is sent, how often, and what comes out."""

from __future__ import annotations

from collections.abc import Callable
from math import inf, log
from types import SimpleNamespace
from typing import Any, cast

import pytest

from harness.driver.bus import Bus
from harness.errors import DeviceAbsent, NoEcho
from harness.records import Bound
from harness.timing import device, line
from harness.timing.edges import MeasuredEdge, NotMeasurable, Reach
from harness.timing.isolation import Isolated, alone_from
from harness.timing.ladders import Clockwork, FrameRung
from harness.timing.spans import OVERDRIVE_SPANS
from harness.timing.survey import LineFacts, Survey
from harness.timing.values import (
    DEVICE_NAMES,
    LINE_NAMES,
    OVERDRIVE_NAMES,
    Name,
    Timing,
    presence_end_limit,
)
from harness.wire.clock_grid import GRIDS
from harness.wire.limits import OVERDRIVE, STANDARD
from harness.wire.romcode import RomCode
from harness.wire.slots.frames import PULSE_BYTES, choose_slots
from tests.timing.found import edge_of, value_of

GRID = GRIDS["exact"]
CLOCK = Clockwork(grid=GRID, error_ppm=0.0, doubt_ppm=0.0)
ROM = RomCode.build(0x28, 0x5A5)


class RuledBus:
    """A bus whose echo of one character is a rule; slots answer as told.

    Attributes:
        sent: characters and rate of each exchange.
        resets: how many.
        settled: waits after an error.
    """

    def __init__(self, echo: Callable[[int, float], int]) -> None:
        self._echo = echo
        self.sent: list[tuple[bytes, int]] = []
        self.written: list[bytes] = []
        self.resets = self.settled = 0
        self.slots = choose_slots(GRID)
        self.adapter = SimpleNamespace(
            grid=GRID, max_burst=4000, settle=self._settle, url="ruled"
        )
        self.answers: list[list[int]] = []
        self.checked: list[list[int]] = []
        self.last = b""

    def _settle(self) -> bytes:
        self.settled += 1
        return b""

    def reset(self) -> None:
        self.resets += 1

    require_presence = reset

    def write(self, data: bytes) -> None:
        self.written.append(data)

    def exchange(self, frames: bytes, baud: int) -> bytes:
        self.sent.append((frames, baud))
        return bytes(self._echo(byte, 1e6 / baud) for byte in frames)

    def read_bits(self, count: int) -> list[int]:
        assert count == 2
        return self.answers.pop(0)

    def write_bits_read(self, bits: list[int], slots: int) -> list[int]:
        self.written.append(bytes(bits))
        return self.answers.pop(0) if slots else []

    def send(self, frames: bytes) -> bytes:
        self.last = frames
        return self._levels(frames)

    def check_written(self, _: bytes, __: bytes, places: list[int]) -> None:
        self.checked.append(list(places))

    levels: Callable[[bytes], bytes] = staticmethod(lambda frames: frames)

    def _levels(self, frames: bytes) -> bytes:
        return self.levels(frames)


def bus_of(echo: Callable[[int, float], int] = lambda byte, _: byte) -> Any:  # noqa: ANN401
    """A ruled bus where a bus is wanted."""
    return cast("Bus", RuledBus(echo))


def sampled(high: Callable[[float], bool]) -> Callable[[int, float], int]:
    """Echo of a character whose bits above its zeros see a level, counted from release."""

    def echo(byte: int, bit_us: float) -> int:
        zeros = PULSE_BYTES.index(byte)
        return sum(
            high((bit - zeros + 0.5 + 1 / 32) * bit_us) << bit
            for bit in range(zeros, 8)
        )

    return echo


@pytest.mark.parametrize("rise_us", [0.4, 3.3, 21.0])
def test_rise_time(rise_us: float) -> None:
    """Four trials a rung, each behind a reset and ones; the edge inside its interval."""
    bus = bus_of(sampled(lambda at_us: at_us > rise_us))
    found = edge_of(line.rise_time(bus, CLOCK))
    assert found.reach is Reach.INSIDE
    assert abs(found.value_us - rise_us) <= found.half_width_us <= 0.9
    assert found.trials == 4 * found.probes == len(bus.sent)
    assert bus.resets == found.probes
    assert set(bus.written) == {b"\xff"}
    assert {frames for frames, _ in bus.sent} == {b"\xff"}


def test_a_rise_below_the_fastest_sample_lies_between_nothing_and_that() -> None:
    """Half of it, and as much of a doubt."""
    bus = bus_of(sampled(lambda at_us: at_us > 0.0))
    found = edge_of(line.rise_time(bus, CLOCK))
    first = line.rise_points(CLOCK)[0]
    assert found.reach is Reach.INSIDE
    assert found.value_us == found.half_width_us == first.late_us / 2
    slow = edge_of(line.rise_time(bus_of(sampled(lambda at_us: at_us > 99)), CLOCK))
    assert slow.reach is Reach.ABOVE
    none = Clockwork(grid=GRIDS["unknown"], error_ppm=0.0, doubt_ppm=0.0)
    assert line.rise_points(none)


@pytest.mark.parametrize(("wait_us", "end_us"), [(41.0, 160.0), (58.0, 290.0)])
def test_presence(wait_us: float, end_us: float) -> None:
    """Low from the wait to the end: one trial a rung for each of the two edges."""
    bus = bus_of(sampled(lambda at_us: not wait_us < at_us < end_us))
    wait = edge_of(line.presence_wait(bus, CLOCK))
    end = edge_of(line.presence_end(bus, CLOCK))
    assert abs(wait.value_us - wait_us) <= wait.half_width_us < 6
    assert abs(end.value_us - end_us) <= end.half_width_us < 8
    assert wait.trials + end.trials == len(bus.sent)
    fast = bus_of(sampled(lambda at_us: not 4.0 < at_us < 16.0))
    found = edge_of(line.presence_wait(fast, CLOCK, OVERDRIVE_SPANS))
    assert abs(found.value_us - 4.0) <= found.half_width_us < 1
    found = edge_of(line.presence_end(fast, CLOCK, OVERDRIVE_SPANS))
    assert abs(found.value_us - 16.0) <= found.half_width_us < 2


@pytest.mark.parametrize(("needs_us", "error_below_us"), [(200.0, 0.0), (350.0, 250.0)])
def test_reset_high(needs_us: float, error_below_us: float) -> None:
    """Four slow zeros right behind the reset, the rest of the search, and the first pair."""
    bus = bus_of()

    def exchange(frames: bytes, baud: int) -> bytes:
        bus.sent.append((frames, baud))
        zeros = PULSE_BYTES.index(frames[0])
        high_us = (9 - zeros) * 1e6 / baud
        if high_us < error_below_us:
            raise NoEcho("covered")
        taken = high_us > needs_us
        bus.answers.append([ROM.bits[0], 1 - ROM.bits[0]] if taken else [1, 1])
        return frames

    bus.exchange = exchange
    found = edge_of(line.reset_high(bus, CLOCK, ROM))
    assert abs(found.value_us - needs_us) <= found.half_width_us < 40
    assert all(frames[1:] == b"\xff" * 4 for frames, _ in bus.sent)
    # F0h goes out low bit first: four zeros, then four ones
    assert set(bus.written) == {bytes([1, 1, 1, 1])}
    assert (bus.settled > 0) is (error_below_us > 0)
    both = bus_of()
    both.exchange = lambda frames, baud: both.answers.append([0, 0]) or frames
    assert edge_of(line.reset_high(both, CLOCK, ROM)).reach is Reach.BELOW


# -- the adapter's clock ----------------------------------------------------------------


def timed_bus(error_ppm: float, trips_s: list[float], max_burst: int = 4000) -> Any:  # noqa: ANN401
    """A bus whose bursts take their characters' time and a trip each."""
    bus = bus_of()
    bus.adapter.max_burst = max_burst
    now = [0.0]
    bus.clock = SimpleNamespace(now_s=lambda: now[0])
    trips = iter(trips_s)

    def exchange(frames: bytes, baud: int) -> bytes:
        bus.sent.append((frames, baud))
        now[0] += next(trips) + len(frames) * 10 / (baud * (1 + error_ppm * 1e-6))
        return frames

    bus.exchange = exchange
    return bus


def test_calibration() -> None:
    """One long burst less the shortest of three short ones; jitter and a frame of doubt."""
    bus = timed_bus(3000, [0.004, 0.002, 0.003, 0.002])
    bus.adapter.grid = GRIDS["unknown"]
    found = line.calibrate(bus)
    assert [(len(frames), baud) for frames, baud in bus.sent] == [
        (62, 9600), (62, 9600), (62, 9600), (48 * 62, 9600),
    ]  # fmt: skip
    assert bus.resets == 1
    assert found.measured
    assert found.error_ppm == pytest.approx(3000)
    # 2 ms of scatter and 1 ms of a frame in 47 packets
    assert found.doubt_ppm == pytest.approx(0.003 / (47 * 620 / 9600) * 1e6)


def test_a_promise_that_is_better_stands_unless_it_is_contradicted() -> None:
    """A crystal of 0 ppm stands against 329 ppm of doubt; not against 5000 ppm of error."""
    assert not line.calibrate(timed_bus(200, [0.002] * 4)).measured
    contradicted = line.calibrate(timed_bus(5000, [0.002] * 4))
    assert contradicted.measured
    assert contradicted.error_ppm == pytest.approx(5000)
    assert not line.calibrate(timed_bus(5000, [0.002] * 4, max_burst=123)).measured
    two = timed_bus(20_000, [0.002] * 4, max_burst=124)
    assert line.calibrate(two).measured
    assert [len(frames) for frames, _ in two.sent] == [62, 62, 62, 124]


# -- one device -------------------------------------------------------------------------


class RuledDevice:
    """An isolated device that answers by a rule.

    Args:
        taken: whether it takes what was sent last for a slot.
        ones: positions at which its own bit is 1.
    """

    def __init__(self, bus: Any, taken: Callable[[bytes, float], bool]) -> None:  # noqa: ANN401
        self.bus, self.rom, self.first = bus, ROM, 3
        self.entered: list[int] = []
        self._taken = taken

    def positions(self, bit: int) -> list[int]:
        """Five of each."""
        return [10, 12, 14, 16, 18] if bit else [11, 13, 15, 17, 19]

    def enter(self, place: int) -> None:
        """Note it."""
        self.entered.append(place)

    def own_pair(self, place: int) -> list[int]:
        """Of its bit there."""
        return [place & 1, 1 - (place & 1)]

    def pair(self) -> list[int]:
        """What it answers to what was sent last: its own pair, or something else."""
        if not self.bus.sent:
            return [0, 1]
        frames, baud = self.bus.sent[-1]
        return self.rule(self, self._taken(frames, 1e6 / baud))

    rule: Callable[[Any, bool], list[int]]
    """What it answers, by whether the slot was taken."""


def ruled(
    taken: Callable[[bytes, float], bool],
    answer: Callable[[RuledDevice, bool], list[int]],
) -> Any:  # noqa: ANN401
    """A device with its rule and its answers."""
    made = RuledDevice(bus_of(), taken)
    made.rule = answer
    return made


def low_us(frames: bytes, bit_us: float) -> float:
    """How long one character pulls the line."""
    return (1 + PULSE_BYTES.index(frames[0])) * bit_us


def test_longest_write_1() -> None:
    """Its own 1, longer and longer, at three positions: gone from the next where too long."""
    made = ruled(
        lambda frames, bit_us: low_us(frames, bit_us) > 31.0,
        lambda d, gone: [1, 1] if gone else d.own_pair(d.entered[-1] + 1),
    )
    found = edge_of(device.longest_write_1(made, CLOCK))
    assert abs(found.value_us - 31.0) <= found.half_width_us < 0.2
    assert found.trials == 3 * found.probes
    assert set(made.entered) == {10, 12, 14}


def test_read_0_hold() -> None:
    """The echo's bit is high once the device has let go, at three positions of a 0."""
    made = ruled(lambda _frames, _bit_us: False, lambda _d, _taken: [])
    made.bus._echo = lambda _, bit_us: sum(
        ((bit + 1.5 + 1 / 32) * bit_us > 28.0) << bit for bit in range(8)
    )
    found = edge_of(device.read_0_hold(made, CLOCK))
    assert abs(found.value_us - 28.0) <= found.half_width_us < 0.5
    assert found.trials == 3 * found.probes
    assert set(made.entered) == {11, 13, 15}


def test_shortest_low() -> None:
    """Three times at its first position: the complement where the slot was taken."""
    made = ruled(
        lambda frames, bit_us: low_us(frames, bit_us) > 0.8,
        lambda d, taken: d.own_pair(d.first)[::-1] if taken else d.own_pair(d.first),
    )
    found = edge_of(device.shortest_low(made, CLOCK))
    assert abs(found.value_us - 0.8) <= found.half_width_us < 0.1
    assert found.trials == 3 * found.probes
    assert set(made.entered) == {3}

    def lost(_frames: bytes, _baud: int) -> bytes:
        raise NoEcho("too short")

    made.bus.exchange = lost
    unheard = edge_of(device.shortest_low(made, CLOCK))
    assert unheard.reach is Reach.ABOVE
    assert made.bus.settled == 3 * unheard.probes


@pytest.mark.parametrize("twin", [False, True])
def test_shortest_period(twin: bool) -> None:
    """Two reads of a 0, then a written 0: at its next position if both were taken."""
    needed_us = 6.3 if twin else 47.0

    def apart_us(frames: bytes, bit_us: float) -> float:
        return (0xFF ^ frames[0]).bit_length() * bit_us if twin else 10 * bit_us

    made = ruled(
        lambda frames, bit_us: apart_us(frames, bit_us) > needed_us,
        lambda d, taken: d.own_pair(d.entered[-1] + (1 if taken else 0)),
    )
    found = edge_of(
        device.shortest_twin(made, CLOCK, OVERDRIVE_SPANS)
        if twin
        else device.shortest_period(made, CLOCK)
    )
    assert abs(found.value_us - needed_us) <= found.half_width_us < 0.4
    assert found.trials == 3 * found.probes
    assert set(made.entered) == {11, 13, 15}
    assert set(made.bus.written) == {b"\x00"}
    assert {len(frames) for frames, _ in made.bus.sent} == {1 if twin else 2}
    later = (
        edge_of(device.shortest_period(made, CLOCK, from_us=60.0)) if not twin else None
    )
    assert later is None or later.reach is Reach.BELOW


def test_a_code_without_the_bit_cannot_be_measured() -> None:
    """No 1, or no 0, where it takes part alone: said with the position."""
    made = ruled(lambda _f, _b: True, lambda _d, _t: [])
    made.positions = lambda _bit: []
    for measure, bit in (
        (device.longest_write_1, 1), (device.read_0_hold, 0), (device.shortest_period, 0),
    ):  # fmt: skip
        found = measure(made, CLOCK)
        assert isinstance(found, NotMeasurable)
        assert f"has no {bit} in its ROM code" in found.reason
        assert "from position 4 on" in found.reason


# -- alone in a search -------------------------------------------------------------------


def test_down_its_own_path() -> None:
    """The command, then two reads and the written bit of each position; all are checked."""
    bus = bus_of()
    bus.slots = SimpleNamespace(encode_bits=bytes, decode_bits=list)
    others = [RomCode.build(0x28, 0x5A5 ^ 1 << place) for place in (4, 9)]
    isolated = Isolated(bus, ROM, [ROM, *others])
    assert isolated.first == 8 + 9 + 1 == alone_from(ROM, others)
    for bit in (0, 1):
        places = isolated.positions(bit)
        assert places == [p for p in range(18, 63) if ROM.bits[p] == bit]
        assert isolated.own_pair(places[0]) == [bit, 1 - bit]

    def levels(frames: bytes) -> bytes:
        heard = bytearray(frames)
        for place in range((len(frames) - 8) // 3):
            bit = ROM.bits[place]
            pair = (0, 0) if place in {12, 17} else (bit, 1 - bit)
            heard[8 + 3 * place : 10 + 3 * place] = bytes(pair)
        if gone is not None:
            heard[8 + 3 * gone : 10 + 3 * gone] = b"\x01\x01"
        return bytes(heard)

    bus.levels = levels
    gone: int | None = None
    isolated.enter(20)
    command = [0xF0 >> place & 1 for place in range(8)]
    path = [level for bit in ROM.bits[:20] for level in (1, 1, bit)]
    assert list(bus.last) == command + path
    assert bus.checked == [[*range(8), *range(10, 68, 3)]]
    for gone in (0, 19):
        with pytest.raises(DeviceAbsent, match=f"position {gone + 1} "):
            isolated.enter(20)
    gone = 5
    isolated.enter(5)


# -- the survey's arithmetic ---------------------------------------------------------------


def survey_of(rise: MeasuredEdge | NotMeasurable, bus: Any = None) -> Survey:  # noqa: ANN401
    """A survey that has seen this rise; 1 kohm at 5 V."""
    made = Survey(bus or bus_of(), LineFacts(pull_up_ohm=1000.0, supply_v=5.0), [ROM])
    made._clock = CLOCK
    made._rise_seen = rise
    return made


LOW_V = 5 * 25 / 1025
SHARE = 25 / 1025


def rises(to_v: float) -> float:
    """In units of R C."""
    return log((5 - LOW_V) / (5 - to_v))


def falls(to_v: float) -> float:
    """Likewise, through the stage beside the pull-up."""
    return SHARE * log((5 - LOW_V) / (to_v - LOW_V))


EDGE = MeasuredEdge(value_us=2.0, half_width_us=0.1)


def test_the_rise_counts_the_fall_before_it() -> None:
    """The receiver begins to count a fall late: half to one and a half of it is added."""
    facts = LineFacts(pull_up_ohm=1000.0, supply_v=5.0)
    assert facts.low_v == pytest.approx(LOW_V)
    assert facts.rise_constants(2.2) == pytest.approx(rises(2.2))
    assert facts.fall_constants(0.8) == pytest.approx(falls(0.8))
    gain = falls(1.5) / rises(1.5)
    gain /= 1 - gain
    early, late = 1.9 * (1 + gain / 2), 2.1 * (1 + 1.5 * gain)
    found = survey_of(EDGE).rise
    assert found.value_us == pytest.approx((early + late) / 2)
    assert found.half_width_us == pytest.approx((late - early) / 2)
    nothing = survey_of(NotMeasurable(reason="no rate")).rise
    assert nothing.value_us == pytest.approx((40 * (1 + 1.5 * gain)) / 2)
    assert nothing.half_width_us == pytest.approx(nothing.value_us)


def test_corrections_of_an_edge() -> None:
    """Rises and falls by their constants; what they are uncertain by widens the edge."""
    survey = survey_of(EDGE)
    rise = survey.rise
    up = rises(2.2) / rises(1.5)
    more = rises(2.3) / rises(1.5)
    fall = rise.value_us * falls(0.8) / rises(1.5)
    edge = MeasuredEdge(
        value_us=40.0, half_width_us=0.3, blur_us=0.2, probes=7, trials=9
    )
    assert survey.device_fall_us == pytest.approx(fall)
    one = survey.from_device_rise(edge)
    assert one.value_us == pytest.approx(40 - rise.value_us * up)
    assert one.half_width_us == pytest.approx(0.3 + rise.half_width_us * up)
    both = survey.from_both_rises(edge)
    assert both.value_us == pytest.approx(40 - rise.value_us * (1 + up))
    assert both.half_width_us == pytest.approx(0.3 + rise.half_width_us * (1 + up))
    sample = survey.to_sample(edge)
    assert sample.value_us == pytest.approx(40 + rise.value_us * up - fall)
    assert sample.half_width_us == pytest.approx(
        0.3 + rise.half_width_us * up + rise.value_us * (more - up) + fall / 2 + 0.05
    )
    hold = survey.to_hold(edge)
    assert hold.value_us == pytest.approx(40 - rise.value_us)
    assert hold.half_width_us == pytest.approx(
        0.3 + rise.half_width_us + fall / 2 + 0.05
    )
    assert (hold.blur_us, hold.probes, hold.trials) == (0.2, 7, 9)


def test_capacitance_and_clock() -> None:
    """T / (R ln ...) in nF; the clock against its own tolerance, where it was measured."""
    survey = survey_of(EDGE)
    found = value_of(survey.of_line(Name.CAPACITANCE))
    assert found.value == pytest.approx(survey.rise.value_us / rises(1.5))
    assert found.uncertainty == pytest.approx(survey.rise.half_width_us / rises(1.5))
    assert (found.unit, found.bound) == ("nF", None)
    assert isinstance(survey.of_line(Name.CLOCK_ERROR), NotMeasurable)
    unknown = GRIDS["unknown"]
    survey.bus.adapter.grid = unknown  # type: ignore[misc]
    survey._clock = Clockwork(
        grid=unknown, error_ppm=1200.0, doubt_ppm=30.0, measured=True
    )
    clock = value_of(survey.of_line(Name.CLOCK_ERROR))
    assert (clock.value, clock.uncertainty, clock.unit) == (1200, 30, "ppm")
    assert (clock.limit.low_us, clock.limit.high_us) == (-10_000, 10_000)
    rise = value_of(survey.of_line(Name.RISE_TIME))
    one = survey.bus.slots.one
    assert rise.limit.high_us == pytest.approx((0.5 + 1 / 16) * one.bit_us)


def recovery_of(
    period: MeasuredEdge, hold: MeasuredEdge, write_1: MeasuredEdge
) -> Timing | NotMeasurable:
    """Recovery from three edges."""
    survey = survey_of(EDGE)
    survey._edges = {
        (Name.SLOT_PERIOD, ROM): period,
        (Name.READ_0_HOLD, ROM): hold,
        (Name.LONGEST_WRITE_1, ROM): write_1,
    }
    return survey.of_device(Name.RECOVERY, ROM)


def edge(
    value_us: float, half_us: float = 0.5, reach: Reach = Reach.INSIDE
) -> MeasuredEdge:
    """An edge."""
    return MeasuredEdge(value_us=value_us, half_width_us=half_us, reach=reach)


@pytest.mark.parametrize(
    ("edges", "value", "half", "bound", "limit"),
    [
        ((edge(43), edge(40), edge(30)), 3.0, 1.0, None, 5),
        ((edge(40.5), edge(40), edge(30)), 0.75, 0.75, None, 5),
        # it samples after it let go, so it is busy until then: only a bound, and no limit
        ((edge(43), edge(30), edge(40)), 14.0, 0.0, Bound.AT_MOST, None),
        ((edge(43), edge(40), edge(39.1)), 4.0, 0.0, Bound.AT_MOST, None),
        ((edge(43), edge(40), edge(38.9)), 3.0, 1.0, None, 5),
        # a bound of its parts is one of the whole
        ((edge(43, 0, Reach.BELOW), edge(40), edge(30)), 3.5, 0.0, Bound.AT_MOST, 5),
    ],
)
def test_recovery(
    edges: tuple[MeasuredEdge, MeasuredEdge, MeasuredEdge],
    value: float,
    half: float,
    bound: Bound | None,
    limit: float | None,
) -> None:
    """Period less the time that the line was low, never below nothing."""
    found = recovery_of(*edges)
    assert isinstance(found, Timing)
    assert found.value == pytest.approx(value)
    assert found.uncertainty == pytest.approx(half)
    assert (found.bound, found.limit.high_us) == (bound, limit)


def test_recovery_beyond_reach() -> None:
    """Without an end of the period there is none of the recovery."""
    found = recovery_of(edge(95, 0, Reach.ABOVE), edge(40), edge(30))
    assert isinstance(found, NotMeasurable)
    assert edge(95, 0, Reach.ABOVE).interval_us == (95, inf)


def test_where_a_device_can_at_best_be_ready() -> None:
    """The period is looked for from 2 us before its hold or its sample, 20 us at least."""
    asked: list[float] = []

    def found_from(*_: object, from_us: float) -> MeasuredEdge:
        asked.append(from_us)
        return edge(60)

    survey = survey_of(EDGE)
    for hold_us, write_us, from_us in ((40, 30, 38), (15, 50, 48), (15, 18, 20)):
        survey._edges = {
            (Name.READ_0_HOLD, ROM): edge(hold_us),
            (Name.LONGEST_WRITE_1, ROM): edge(write_us),
        }
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(device, "shortest_period", found_from)
            survey._period_edge(ROM)
        assert asked[-1] == from_us


# -- what is measured, and its limits ---------------------------------------------------


def test_names_of_a_survey() -> None:
    """Line and device; in overdrive presence is the device's own, recovery is not measured."""
    assert set(LINE_NAMES) | set(DEVICE_NAMES) == set(Name)
    assert not set(LINE_NAMES) & set(DEVICE_NAMES)
    assert set(OVERDRIVE_NAMES) == (set(DEVICE_NAMES) - {Name.RECOVERY}) | {
        Name.PRESENCE_WAIT,
        Name.PRESENCE_END,
    }


def test_end_of_presence() -> None:
    """Wait and pulse together: 75 to 300 us, 9 to 30 us in overdrive (DS2431 p. 2-3)."""
    standard, overdrive = presence_end_limit(STANDARD), presence_end_limit(OVERDRIVE)
    assert (standard.low_us, standard.high_us) == (75, 300)
    assert (overdrive.low_us, overdrive.high_us) == (9, 30)
    assert "wait 15..60 and low 60..240" in standard.source


def test_digits_that_are_kept() -> None:
    """Four decimals, a bound rounded away from what it bounds."""
    for bound, value in ((None, 1.2346), (Bound.AT_MOST, 1.2346), (Bound.AT_LEAST, 1.2345)):  # fmt: skip
        made = Timing(name=Name.SLOT_PERIOD, value=1.23456, bound=bound)
        assert made.as_measurement().value == value
    exact = Timing(name=Name.SLOT_PERIOD, value=1.2345, bound=Bound.AT_MOST)
    assert exact.as_measurement().value == 1.2345
    uncertain = Timing(name=Name.SLOT_PERIOD, value=1.0, uncertainty=0.123456)
    assert uncertain.as_measurement().uncertainty == 0.1235
    fast = Timing(name=Name.SLOT_PERIOD, value=1.0, in_overdrive=True)
    assert fast.label == "overdrive_slot_period"


def test_a_rung_is_a_record() -> None:
    """Rungs compare by what they send."""
    rung = FrameRung(
        early_us=1, late_us=2, byte=0xFF, request_baud=9600, bit=0, bit_us=104
    )
    assert rung.middle_us == 1.5
