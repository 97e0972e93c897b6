"""Reading against a thermometer of the bench that is no device on the bus."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from harness.instruments import marker
from harness.plans.loading.files import check_together, parse_plan
from harness.plans.loading.problems import PlanError
from harness.records import Outcome

Make = Callable[..., Any]

READ = "- read: {quantity: temperature, against: {instrument: pt100}, low: -0.5, high: 0.5}"


@pytest.fixture(autouse=True)
def _marks(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(marker.STATE_VARIABLE, str(tmp_path / "marks"))


@pytest.fixture
def bath(bench_data: Make, new_device: Make) -> Make:
    """Devices that read so many degC, beside a thermometer that reads 0.3 K too much."""

    def make(*degc: float, **calibration: Any) -> dict[str, Any]:  # noqa: ANN401
        data: dict[str, Any] = bench_data(
            [new_device(0x28, n, temperature_degc=v) for n, v in enumerate(degc, 5)]
        )
        data["instruments"] = [
            {
                "name": "pt100", "kind": "thermometer", "library": "simulated",
                "resource": "PT", "identity": "INVENTED",
                "calibration": {
                    "certificate": "K-7", "due": "2030-01-31",
                    "corrections": [[0, -0.3], [50, -0.3]], "uncertainty": 0.02,
                } | calibration,
            }
        ]  # fmt: skip
        data["simulation"]["instruments"] = [
            {"kind": "thermometer", "resource": "PT", "error_k": 0.3}
        ]
        return data

    return make


def test_the_corrected_reading_of_the_instrument(run_plan: Make, bath: Make) -> None:
    """23.3 degC read mean 23.0: 23.125 differs by 0.125 K; 23.75 is outside."""
    ran = run_plan(READ, bath(23.125, 23.75))
    good, bad = ran.shown("1", "S1"), ran.shown("1", "S2")
    assert good.measurements[0].value == pytest.approx(0.125)
    assert good.measurements[2].value == pytest.approx(23.0)
    assert (good.outcome, bad.outcome) == (Outcome.PASSED, Outcome.FAILED)
    (done,) = [e for e in ran.events if e["event"] == "step_done" and e["step"] == "1"]
    assert float(done["duration_s"]) < 2 * 0.75 + 1.5  # one conversion, and a proof


def test_past_its_due_date(run_plan: Make, bath: Make) -> None:
    """An error of the bench that names the certificate."""
    result = run_plan(READ, bath(23.0, due="2023-12-31")).shown("1", "S1")
    assert (result.outcome, result.kind) == (Outcome.ERROR, "reference")
    assert "certificate K-7" in result.message


@pytest.mark.parametrize(
    ("against", "words"),
    [
        ("{}", "needs one reference"),
        ("{socket: A, instrument: B}", "needs one reference"),
        ("{instrument: B}, fresh: false", "fresh beside against"),
    ],
)
def test_mistakes_of_a_step(against: str, words: str) -> None:
    """Each has a place and a cure."""
    text = f"plan: p\nsteps:\n  - read: {{quantity: temperature, against: {against}}}\n"
    with pytest.raises(PlanError, match=words):
        parse_plan(text, "plan.yaml")


def test_what_the_fixture_lacks(write_fixture: Make, bath: Make) -> None:
    """No such instrument, and one without a calibration."""
    plan = parse_plan(f"plan: p\nsteps:\n  {READ}\n", "plan.yaml")
    data = bath(23.0)
    del data["instruments"][0]["calibration"]
    (problem,) = check_together(plan, write_fixture(data))
    assert "has no calibration of temperature" in str(problem)
    data["instruments"][0]["name"] = "other"
    (problem,) = check_together(plan, write_fixture(data))
    assert "no instrument 'pt100'" in str(problem)
