"""Order of events: timers, crossings, changes of origin."""

from __future__ import annotations

from math import inf

import pytest

from harness.simulation.line.engine import Engine
from harness.simulation.line.line import Line


@pytest.fixture
def engine() -> Engine:
    """An engine on a line of 1 nF that idles at 5 V behind 1 kohm."""
    line = Line(capacitance_pf=1000)
    line.pull("pull-up", at_us=0.0, ohm=1000, level_v=5.0)
    line.settle(5.0)
    return Engine(line)


def test_timers_fire_in_order_of_time(engine: Engine) -> None:
    """Equal times keep the order in which they were asked for."""
    fired: list[str] = []
    engine.at(5.0, lambda: fired.append("late"))
    engine.at(2.0, lambda: fired.append("first"))
    engine.at(2.0, lambda: fired.append("second"))
    engine.run(10.0)
    assert fired == ["first", "second", "late"]
    assert engine.now_us == 10.0


def test_what_is_due_at_the_end_waits(engine: Engine) -> None:
    """A run does what is due before its end, so that runs can be put together."""
    fired: list[float] = []
    engine.at(10.0, lambda: fired.append(engine.now_us))
    engine.run(10.0)
    assert fired == []
    engine.run(10.5)
    assert fired == [10.0]


def test_cancelled_timer_does_nothing(engine: Engine) -> None:
    """And counts for nothing."""
    timer = engine.after(3.0, lambda: pytest.fail("it fired"))
    timer.cancel()
    assert engine.next_due_us == inf
    assert engine.is_calm
    engine.run(10.0)


def test_listeners_hear_both_edges(engine: Engine) -> None:
    """Fall through 0.8 V, rise through 2.2 V: 1 us x ln(5 / 2.8) after release."""
    heard: list[tuple[float, bool]] = []
    engine.listen(
        "me",
        low_v=0.8,
        high_v=2.2,
        on_edge=lambda high: heard.append((engine.now_us, high)),
    )
    line = engine.line
    engine.at(10.0, lambda: line.pull("host", at_us=10.0, ohm=0.001, level_v=0.0))
    engine.at(20.0, lambda: line.release("host", at_us=20.0))
    engine.run(40.0)
    (fell_us, first), (rose_us, second) = heard
    assert (first, second) == (False, True)
    assert fell_us == pytest.approx(10.0, abs=0.001)
    assert rose_us == pytest.approx(20.58, abs=0.001)


def test_new_origin_moves_everything(engine: Engine) -> None:
    """Timers keep their absolute time, and the line its voltage."""
    fired: list[float] = []
    engine.at(30.0, lambda: fired.append(engine.absolute_us))
    engine.run(12.0)
    engine.rebase()
    assert (engine.origin_us, engine.now_us) == (12.0, 0.0)
    engine.run(20.0)
    assert fired == [30.0]


def test_who_ignores_hears_nothing(engine: Engine) -> None:
    """A comparator without listeners is gone."""
    engine.listen(
        "me", low_v=0.8, high_v=2.2, on_edge=lambda _: pytest.fail("it heard")
    )
    engine.ignore("me")
    engine.line.pull("host", at_us=0.0, ohm=1, level_v=0.0)
    engine.run(10.0)
    assert engine.is_calm
