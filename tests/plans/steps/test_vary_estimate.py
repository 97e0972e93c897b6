"""How long a vary step takes, told before it runs."""

from __future__ import annotations

from pathlib import Path

from harness.plans.loading.files import load_fixture, load_plan, parse_plan
from harness.plans.steps.instruments.vary_estimate import vary_times


def test_the_shipped_demo() -> None:
    """By hand: 9 x (30 s stable + 0.65 s + 0.2 s); 3 x 1800 s, 9 x 5 s, 9 x 870 s."""
    plan = load_plan(Path("test_plans/corners.yaml"))
    (text,) = vary_times(plan, load_fixture(Path("fixtures/corner_bench.yaml")))
    assert text == (
        "vary on line 20: 9 conditions, about 4 min 38 s for the steps and at most "
        "3 h 41 min for settling, 3 h 45 min at most together"
    )


def test_steps_inside_steps() -> None:
    """Two waits of 2 s for each of 16 devices, three times, under two conditions."""
    plan = parse_plan(
        "plan: p\nsteps:\n  - vary:\n      over: {supply: {voltage_v: [3.3, 5]}}\n"
        "      steps:\n        - repeat:\n            times: 3\n            steps:\n"
        "              - for_each: {steps: [{wait: {for_s: 2}}, {wait: {for_s: 2}}]}\n",
        "plan.yaml",
    )
    (text,) = vary_times(plan, load_fixture(Path("fixtures/corner_bench.yaml")))
    assert "2 conditions, about 6 min 24 s for the steps and at most 10.0 s" in text
