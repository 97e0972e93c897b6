"""Each device of a soak is judged by its own readings."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from harness.plans.schema.soak import Soak
from harness.plans.steps.soak.stop import StopRule
from harness.plans.steps.soak.tally import SoakCounts, SoakTally
from harness.plans.steps.soak.verdicts import bus_result, device_result
from harness.records import CheckResult, DeviceRef, Outcome
from harness.results.reports.html import render
from harness.results.reports.junit import write_junit
from tests.page_reader import read

Make = Callable[..., Any]


def counts_of(*lost: int, wanted: int = 480, together: int = 0) -> SoakCounts:
    """Counts of devices that lost so many readings, ``together`` of them at once."""
    return SoakCounts(
        cycles=wanted,
        elapsed_s=28_800,
        tallies=[
            SoakTally(
                device=DeviceRef(rom_code=f"{n:016X}", family=0x28, socket=f"S{n}"),
                readings=wanted - own - together,
                lost=own + together,
                lost_together=together,
                failed=own + together,
                lowest=20.0,
                highest=20.0,
                total=20.0 * (wanted - own - together),
                took_s=wanted * 0.1,
                timed=wanted,
            )
            for n, own in enumerate(lost, start=1)
        ],
    )


def judged(body: dict[str, Any], counts: SoakCounts) -> tuple[CheckResult, ...]:
    """The verdicts on the bus and each device."""
    soak = Soak.model_validate({"for_s": 28_800, "every_s": 60, **body})
    if soak.stop_at is not None:
        counts.stopped = StopRule(soak.stop_at).reason(counts)
    devices = [
        device_result(soak, tally, counts, unit="degC") for tally in counts.tallies
    ]
    return bus_result(soak, counts), *devices


def test_the_lossy_one_fails_and_is_named() -> None:
    """10 of 480 readings lost: that device fails, the bus says which it was."""
    bus, sound, lossy, *rest = judged({}, counts_of(0, 10, 0, 0))
    assert [r.outcome for r in (sound, *rest)] == [Outcome.PASSED] * 3
    assert (lossy.outcome, lossy.kind) == (Outcome.FAILED, "lost")
    assert "10 of 480 readings lost" in lossy.message
    assert "the other 3 lost 0 together: this is more than chance" in lossy.message
    assert "its branch" in lossy.hint
    assert bus.outcome is Outcome.FAILED
    assert "S2 0000000000000002: 10 of 480 readings" in bus.message
    assert bus.hint.startswith("look at S2 0000000000000002 first")


def test_tolerated_losses_are_said() -> None:
    """What the plan tolerates passes, and the verdict says it, with whose it is."""
    bus, sound, lossy, _ = judged({"tolerate": {"lost_readings": 20}}, counts_of(0, 10, 0))  # fmt: skip
    assert bus.outcome is Outcome.PASSED
    assert (lossy.outcome, lossy.hint) == (Outcome.PASSED, "")
    assert (
        "10 of 480 readings lost; the plan allows 20 over all devices" in lossy.message
    )
    assert "more than chance" in lossy.message
    assert sound.message == ""


def test_the_lossy_one_of_many_losses() -> None:
    """Together beyond the plan: the one with more than its share of chance fails.

    Exact binomial test: 9 of 12 losses at one of four devices has p 3.9e-4, below 0.01
    over four devices; 4 of 12 has p 0.35.
    """
    body = {"tolerate": {"lost_readings": 10}}
    _, *devices = judged(body, counts_of(9, 1, 1, 1))
    assert [r.outcome for r in devices] == [Outcome.FAILED] + [Outcome.PASSED] * 3
    bus, *devices = judged(body, counts_of(4, 3, 3, 2))
    assert bus.outcome is Outcome.FAILED
    assert [r.outcome for r in devices] == [Outcome.PASSED] * 4
    assert all("readings lost" in r.message for r in devices)


def test_rounds_that_all_lost_are_no_devices_fault() -> None:
    """A line that was shorted for an hour fails the bus, and no device."""
    bus, *devices = judged({}, counts_of(0, 0, 0, together=60))
    assert bus.outcome is Outcome.FAILED
    assert "all devices together in 60 rounds" in bus.message
    assert [r.outcome for r in devices] == [Outcome.PASSED] * 3
    assert all("in rounds that every device lost" in r.message for r in devices)


def test_devices_that_lose_alike_point_at_the_line() -> None:
    """Each misses its limit; the hint is the line, for none stands out."""
    _, *devices = judged({}, counts_of(5, 4, 6, 5))
    assert {r.outcome for r in devices} == {Outcome.FAILED}
    assert all("line, supply and adapter first" in r.hint for r in devices)


@pytest.mark.parametrize(
    "stop_at", [{"lost_readings": 30}, {"error_rate": 0.01}], ids=["lost", "rate"]
)
def test_the_one_that_ended_the_soak_fails(stop_at: dict[str, float]) -> None:
    """The device whose losses end the soak fails by itself."""
    body = {"stop_at": stop_at, "tolerate": {"lost_readings": 400}}
    bus, sound, lossy = judged(body, counts_of(0, 31))
    assert bus.kind == "stopped"
    assert "S2" in bus.message
    assert sound.outcome is Outcome.PASSED
    assert lossy.outcome is Outcome.FAILED


def test_retries_beyond_the_limit_of_all() -> None:
    """A device whose own retries exceed what all may need fails; its neighbour does not."""
    counts = counts_of(0, 0)
    counts.tallies[0].retries = 30
    bus, noisy, sound = judged({"tolerate": {"retries": 20}}, counts)
    assert "retries is 30, allowed 20 (S1 0000000000000001: 30 of 480 tries)" in bus.message  # fmt: skip
    assert (noisy.outcome, noisy.message) == (Outcome.FAILED, "30 retries, allowed 20")
    assert sound.outcome is Outcome.PASSED


def test_the_soak_takes_its_time() -> None:
    """Bus and devices together take the time under test."""
    results = judged({}, counts_of(0, 0, 0))
    assert results[1].duration_s == pytest.approx(48)
    assert sum(r.duration_s for r in results) == pytest.approx(28_800)


def test_on_a_bench(
    run_plan: Make, bench_data: Make, new_device: Make, tmp_path: Path
) -> None:
    """A device that drops off now and then: named in JUnit and in the red box of the page."""
    fault = {
        "kind": "device-drops-off",
        "device": "S2",
        "at_s": 95,
        "for_s": 60,
        "every_s": 240,
    }
    ran = run_plan(
        "- soak: {cycles: 24, every_s: 60}",
        bench_data([new_device(0x28, n) for n in (5, 6, 7)], faults=[fault]),
    )  # fmt: skip
    assert ran.code == 1
    assert ran.shown("1", "S1").outcome is Outcome.PASSED
    assert ran.shown("1", "S2").kind == "lost"
    path = tmp_path / "junit.xml"
    write_junit(ran.record, path)
    text = path.read_text(encoding="utf-8")
    assert "{'" not in text
    assert "{&#39;" not in text
    assert '[S2]" classname' in text
    assert 'time="0.000"' not in text
    page = read(render(ran.record))
    assert "S2 AC00000000000628, 1 soak" in page.shown
    assert "bus, 1 soak" not in page.shown.split("Devices")[0]
    assert f"{ran.shown('1', 'S2').message}" in page.shown
