"""An examination leaves the bench as it found it: adapter, bus and devices."""

from __future__ import annotations

import re
from collections.abc import Callable
from random import Random
from typing import Any

import pytest

from harness.diagnosis.effort import Effort
from harness.diagnosis.engine import Examination
from harness.driver.bus import Bus
from harness.driver.overdrive import overdrive_frames
from harness.errors import AdapterUnplugged
from harness.families.thermometers.thermometer import READ_SCRATCHPAD
from harness.plans.execution.connection import connect
from harness.plans.steps.diagnose import declared_by
from harness.records import Outcome
from harness.wire.romcode import RomCode
from tests.diagnosis.benches import Bench, bench
from tests.diagnosis.benches_adapter import f30c, f32
from tests.diagnosis.case import QUICK

pytestmark = pytest.mark.slow

Make = Callable[..., Any]
"""A fixture that makes something; conftest has the signatures."""

# What traffic leaves behind and no later step is set up by: the characters of the last
# burst, running counts, the round trip measured last, and the port itself, which is opened again and set to the rate
# of each burst as it goes out. What came besides the echo (`surplus`, `_owed`,
# `_broke_low`) and whether a stray is the line's (`_stirred`) are judged anew by each
# burst.
TRACES = {
    "adapter": {
        "partial", "unsolicited", "surplus", "_owed", "_broke_low", "_stirred",
        "_port", "_format", "_echo_proved", "clock", "round_trip_s",
    },
    "bus": {"adapter", "matches", "_bursts"},
}  # fmt: skip


def slow_line(r: Random) -> Bench:
    """Slots must be slowed down for it."""
    return bench(r, line={"pull_up_ohm": 4700, "cable_m": 3, "supply_v": 5.0})


def settings_of(bus: Bus) -> dict[str, Any]:
    """Every attribute of bus and adapter but the traces of traffic."""
    found = {}
    for name, thing in (("adapter", bus.adapter), ("bus", bus)):
        for key, value in vars(thing).items():
            if key not in TRACES[name]:
                found[f"{name}.{key}"] = value
    return found


def examination(bus: Bus, fixture: Any, effort: Effort = QUICK, **more: Any) -> Any:  # noqa: ANN401
    """One examination of a bench."""
    return Examination(
        bus,
        declared=lambda codes: declared_by(fixture, codes),
        effort=effort,
        **more,
    )


POWER = {"supply_on": "rts"}


@pytest.mark.parametrize(
    ("vary", "power"),
    [(bench, None), (f32, None), (f30c, POWER), (bench, POWER), (slow_line, None)],
    ids=["sound", "short bursts only", "push-pull", "supply switched", "slow line"],
)
def test_no_setting_is_changed(
    write_fixture: Make,
    bench_data: Make,
    vary: Callable[[Random], Bench],
    power: dict[str, str] | None,
) -> None:
    """Slots, reset, speed, longest burst, switches: whatever an attribute holds."""
    data = bench_data(**vary(Random(5)))
    if power:
        data["power"] = power
    fixture = write_fixture(data)
    with connect(fixture) as bus:
        before = settings_of(bus)
        examination(bus, fixture).run()
        assert settings_of(bus) == before


def test_a_supply_that_was_off_stays_off(write_fixture: Make, bench_data: Make) -> None:
    """Neither is it switched on for the sake of the examination."""
    fixture = write_fixture(bench_data(**bench(Random(3))) | {"power": POWER})
    with connect(fixture) as bus:
        bus.adapter.switch(supply=False)
        examination(bus, fixture).run()
        assert bus.adapter.switches == (False, False)


def test_the_speed_is_standard_afterwards(
    write_fixture: Make, bench_data: Make
) -> None:
    """Its resets end overdrive, so that frames for it would meet nobody."""
    fixture = write_fixture(bench_data(**bench(Random(3))))
    with connect(fixture) as bus:
        standard = bus.slots, bus.reset_frame
        bus.use_overdrive(*overdrive_frames(bus.adapter.grid))
        examination(bus, fixture).run()
        assert not bus.is_overdrive
        assert (bus.slots, bus.reset_frame) == standard


def test_the_marker_goes_even_if_a_probe_breaks_off(
    write_fixture: Make, bench_data: Make
) -> None:
    """Alarm bytes are a customer's: what was written in their place is taken out."""
    made = bench(Random(4))
    fixture = write_fixture(bench_data(**made))
    roms = [
        RomCode.build(device["family"], device["serial"]) for device in made["devices"]
    ]

    def interrupt(event: str, **facts: Any) -> None:  # noqa: ANN401
        if event == "probe_started" and facts["name"] == "conversions":
            raise KeyboardInterrupt

    with connect(fixture) as bus:

        def alarms() -> list[bytes]:
            return [bus.transact(rom, bytes([READ_SCRATCHPAD]), 9)[2:4] for rom in roms]

        before = alarms()
        with pytest.raises(KeyboardInterrupt):
            examination(bus, fixture, tell=interrupt).run()
        assert alarms() == before


def test_settings_come_back_if_the_adapter_is_lost(
    write_fixture: Make, bench_data: Make, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whatever ends it."""
    fixture = write_fixture(bench_data(**bench(Random(4))))
    with connect(fixture) as bus:
        before = settings_of(bus)

        def lost() -> None:
            raise AdapterUnplugged("gone")

        monkeypatch.setattr(bus, "prove", lost)
        examination(bus, fixture).run()
        monkeypatch.undo()
        assert settings_of(bus) == before


STEP = """\
- diagnose: {listen_s: 1, resets: 5, slots: 400, scans: 2, verifies: 3, reads: 3, rounds: 1, alone: 1}
"""


def test_the_second_examination_of_a_run_finds_what_the_first_found(
    run_plan: Make, bench_data: Make
) -> None:
    """Nothing wrong with a sound bench, however often it is examined."""
    ran = run_plan(STEP * 3, bench_data(**bench(Random(6))))
    assert [step.outcome for step in ran.record.steps] == [Outcome.PASSED] * 3
    assert ran.code == 0


@pytest.mark.parametrize("max_burst", [1, 16, 62, 63, 100, 124, 512, 1000, 4000])
def test_a_short_longest_burst_is_no_fault_of_the_adapter(
    run_plan: Make, bench_data: Make, max_burst: int
) -> None:
    """Several bursts in a row have the host's pauses in them, which are no slot rate."""
    data = bench_data(**bench(Random(7)))
    data["adapter"]["max_burst"] = max_burst
    ran = run_plan(f"{STEP}- measure: {{what: clock_error}}", data)
    assert ran.shown("1").outcome is Outcome.PASSED, ran.shown("1").message
    # a clock that shorter bursts tell no better than promised is not measured
    clock = ran.shown("2")
    assert clock.outcome in {Outcome.PASSED, Outcome.SKIPPED}, clock.message
    assert (clock.outcome is Outcome.PASSED) == (max_burst >= 4000)


def test_a_better_burst_is_a_finding_with_its_line_and_is_not_adopted(
    write_fixture: Make, bench_data: Make
) -> None:
    """The fixture decides; the run goes on with what it was given."""
    fixture = write_fixture(bench_data(**f32(Random(5))))
    with connect(fixture) as bus:
        found = examination(bus, fixture).run()
        drops = next(f for f in found.findings if f.kind == "drops")
        size = re.search(r"`max_burst: (\d+)` under `adapter`", drops.try_first)
        assert size is not None
        assert int(size[1]) <= 96  # the smallest buffer of such a bench
        assert bus.adapter.max_burst == 4000
