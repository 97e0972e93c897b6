"""Protector 30h: bytes on the wire, protection, EEPROM and locks, noise."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from harness.driver.session import DeviceSession
from harness.errors import (
    AnswerImpossible,
    CheckValueWrong,
    DeviceAbsent,
    StillBusy,
    UsageError,
)
from harness.families.hazard import Hazard
from harness.families.registry import checks, family_of, quantities
from harness.records import Outcome

Make = Callable[..., Any]

WORKED = {
    "voltage": ("69 0C", "5E C0", 3.699),
    "current": ("69 0E", "E7 00", -0.5),
    "accumulated_charge": ("69 10", "0F A0", 1.0),
    "temperature": ("69 18", "19 80", 25.5),
}
"""Computed from data sheets DS2760 p. 7 and 11, DS2761 p. 8 and 11-12, internal resistor;
accumulated charge in Ah."""


def read(session: Any, name: str) -> Any:  # noqa: ANN401 - any session, any scalar
    """A quantity's value."""
    return quantities(0x30)[name].read(session).value


def run(session: Any, given: Make, name: str, **options: object) -> Any:  # noqa: ANN401
    """Run a check; its measurements by name."""
    check = checks(0x30)[name]
    found = check.run(session, given(check, **options))
    return {value.name: value for value in found.measurements}


def model(session: DeviceSession) -> Any:  # noqa: ANN401 - the simulated part
    """The simulated part."""
    return session._bus.adapter.port.bench.stations[0].device


def configure(session: Any, **settings: Any) -> Any:  # noqa: ANN401
    """Configure the part."""
    configured = family_of(0x30).configure
    assert configured is not None
    return configured(session, settings, False)


@pytest.mark.parametrize("name", WORKED)
def test_worked_readings(script: Make, name: str) -> None:
    """Registers of the worked examples, read until two agree."""
    sent, answer, value = WORKED[name]
    session = script(0x30, [(sent, answer)] * 2)
    assert read(session, name) == pytest.approx(value, abs=0.001)
    assert session.lines == []


def test_cold_cell(script: Make) -> None:
    """F6 00 is -10 degC: -80 steps of 0.125 degC (data sheet DS2760)."""
    assert read(script(0x30, [("69 18", "F6 00")] * 2), "temperature") == -10


def test_moving_register_is_read_until_two_agree(script: Make) -> None:
    """A value that changes between two readings is no error; one that never rests is."""
    lines = [("69 0E", "E7 00"), ("69 0E", "E7 08"), ("69 0E", "E7 08")]
    assert read(script(0x30, lines), "current") == pytest.approx(-0.499, abs=1e-3)
    restless = [("69 0E", f"E7 {8 * n:02X}") for n in range(6)]
    with pytest.raises(CheckValueWrong, match="never read the same"):
        read(script(0x30, restless), "current")


def test_what_no_check_can_catch(script: Make) -> None:
    """No CRC: the same bit flipped in two readings that agree is not seen."""
    unseen = 0
    for bit in range(16):
        word = (0x5EC0 ^ 1 << bit).to_bytes(2, "big").hex()
        value = read(script(0x30, [("69 0C", word)] * 2), "voltage")
        unseen += value != pytest.approx(3.699, abs=1e-3)
    # the five lowest bits are not part of the voltage
    assert unseen == 11


@pytest.mark.parametrize("answer", ["FF FF", "00 00"])
def test_silence_and_a_held_line_are_no_readings(script: Make, answer: str) -> None:
    """All ones or all zeros count only if the device answers by its ROM code."""
    session = script(0x30, [("69 18", answer)] * 2)
    session.present = False
    with pytest.raises(DeviceAbsent):
        read(session, "temperature")


def test_worked_block_write(script: Make, given: Make) -> None:
    """6C 20, 69 20, 48 20, 69 07 (command rules of data sheet DS2761), recalled before and after."""
    old, new = "00 " * 16, "00 " * 3 + "A5 " + "00 " * 12
    lines = [
        *[("B8 20", ""), ("69 20", old), ("69 20", old)] * 2,
        (f"6C 20 {new}", ""),
        *[("69 20", new)] * 2,
        ("48 20", ""),
        *[("69 07", "00")] * 2,
        *[("B8 20", ""), ("69 20", new), ("69 20", new)] * 2,
    ]
    session = script(0x30, lines)
    assert run(session, given, "memory_write", start=3, data="A5")[
        "bytes_different"
    ].holds
    assert session.lines == []


def test_clearing_faults_keeps_both_paths(script: Make, given: Make) -> None:
    """6C 00 03 (command rules of data sheet DS2760)."""
    lines = [*[("69 00", "8F")] * 2, ("6C 00 03", ""), *[("69 00", "0F")] * 2]
    found = run(script(0x30, lines), given, "protection_clear")
    assert found["faults_before"].value == "over voltage"
    assert found["faults"].holds


def test_locking_sequence(script: Make, given: Make) -> None:
    """6C 07 40, then 6A 20 at once (command rules of data sheet DS2761): nothing comes between."""
    lines = [
        *[("69 07", "00")] * 2,
        ("6C 07 40", ""),
        ("6A 20", ""),
        *[("69 07", "01")] * 2,
    ]
    session = script(0x30, lines)
    found = run(session, given, "block_lock", number=0)
    assert all(value.holds for value in found.values())
    assert session.notes[0][1] == {"block": 0}


# -- live --------------------------------------------------------------------------


def test_protection_state(live: Make, given: Make) -> None:
    """A sound cell passes; voltage over the threshold is latched and stays so."""
    session = live(0x30, cell_v=3.7)
    assert all(m.holds for m in run(session, given, "cell_protection").values())
    model(session).cell_v = 4.4
    found = run(session, given, "cell_protection")
    assert not found["over_voltage"].holds
    assert not found["voltage"].holds
    model(session).cell_v = 3.9
    assert read(session, "protection_faults") == "over voltage"
    assert run(session, given, "protection_clear")["faults"].holds
    assert read(session, "protection_faults") == "none"


def test_fault_that_is_still_true_comes_back(live: Make, given: Make) -> None:
    """Clearing does not heal a short: the discharge flag is there again."""
    session = live(0x30, current_a=-3)
    found = run(session, given, "protection_clear")["faults"]
    assert (found.value, found.holds) == ("discharge over current", False)


def test_thresholds_of_the_plan_must_make_sense(live: Make, given: Make) -> None:
    """The lower one below the higher one."""
    with pytest.raises(UsageError, match="not below"):
        run(live(0x30), given, "cell_protection", low_v=4.3, high_v=4.2)


def test_enables_are_written_and_read_back(live: Make) -> None:
    """One path is cut off, the other stays, latched faults stay too."""
    session = live(0x30)
    model(session).faults = 0x40
    configure(session, charge_enabled=False)
    assert read(session, "charge_enabled") is False
    assert read(session, "discharge_enabled") is True
    assert read(session, "protection_faults") == "under voltage"
    assert read(session, "enabled_at_power_up") == "charge enabled, discharge enabled"
    with pytest.raises(UsageError, match="on or off"):
        configure(session, charge_enabled=1)
    with pytest.raises(UsageError, match="store"):
        family_of(0x30).configure(session, {"charge_enabled": True}, True)  # type: ignore[misc]


def test_cutting_a_cell_off_needs_its_hazard(
    run_plan: Make, bench_data: Make, new_device: Make
) -> None:
    """Named in the plan and allowed on the command line, else nothing is sent."""
    data = bench_data([new_device(0x30, 5)])
    step = [{"configure": {"settings": {"discharge_enabled": False}}}]
    with pytest.raises(UsageError, match="can hurt"):
        run_plan(step, data)
    step[0]["configure"]["hazard"] = ["cell-protector"]  # type: ignore[assignment]
    with pytest.raises(UsageError, match="does not allow"):
        run_plan(step, data)
    ran = run_plan(step, data, allow=frozenset({Hazard.CELL_PROTECTOR}))
    assert ran.shown("1", "S1").outcome is Outcome.PASSED


def test_signs_of_current_and_account(live: Make, given: Make) -> None:
    """Charging counts up, discharging counts down, across zero."""
    session = live(0x30, current_a=0.5)
    assert read(session, "current") == pytest.approx(0.5)
    assert run(session, given, "charge_accumulation", for_s=36)["charge_gained"].holds
    assert read(session, "accumulated_charge") == pytest.approx(0.005, abs=0.0005)
    model(session).current_a = -1.0
    lost = run(session, given, "charge_accumulation", for_s=36)["charge_gained"]
    assert lost.holds
    assert lost.value == pytest.approx(-10, abs=0.6)
    assert read(session, "accumulated_charge") < 0


def test_setting_the_account(live: Make) -> None:
    """To the nearest step of 0.25 mAh; beyond 16 bits is refused."""
    session = live(0x30)
    configure(session, accumulated_charge=1.0)
    assert read(session, "accumulated_charge") == 1.0
    with pytest.raises(UsageError, match=r"to 8\.19"):
        configure(session, accumulated_charge=9)
    with pytest.raises(UsageError, match="takes a number"):
        configure(session, accumulated_charge="full")


def test_outer_resistor_scales_current_and_account(live: Make) -> None:
    """The same counts across 5 mohm are five times the current."""
    session = live(0x30, current_a=0.5, sense_mohm=5)
    assert read(session, "current") == pytest.approx(0.1)
    configure(session, sense_mohm=5)
    assert read(session, "current") == pytest.approx(0.5)


def test_offset_at_no_current(live: Make, given: Make) -> None:
    """Three counts are 1.9 mA here and over the limit of two."""
    found = run(live(0x30, offset_counts=3), given, "current_offset", readings=4)
    assert (found["offset"].value, found["offset"].holds) == (3, False)
    assert found["offset_current"].value == pytest.approx(1.875)


def test_block_is_written_kept_and_patterned(live: Make, given: Make) -> None:
    """User block: written, patterned, restored; other blocks untouched."""
    session = live(0x30, content="01 02 03 04")
    run(session, given, "memory_write", start=4, data="AA BB")
    found = run(session, given, "memory_pattern")
    assert found["bits_wrong"].value == 0
    assert bytes(model(session).cells[0x20:0x27]) == bytes.fromhex("01020304AABB00")
    assert model(session).cells[0x30] == 0x03


def test_locked_block_refuses_and_says_so(live: Make, given: Make) -> None:
    """The lock is told, a write to it is an error and leaves the cells alone."""
    session = live(0x30, content="01 02")
    assert run(session, given, "lock_state")["locked_blocks"].holds
    run(session, given, "block_lock", number=0)
    assert read(session, "locked_blocks") == "block 0"
    assert not run(session, given, "lock_state")["locked_blocks"].holds
    with pytest.raises(AnswerImpossible, match="after writing") as raised:
        run(session, given, "memory_write", data="55")
    assert "locked" in raised.value.hint
    assert model(session).cells[0x20] == 0x01
    with pytest.raises(UsageError, match="no block 2"):
        run(session, given, "block_lock", number=2)


def test_copy_that_does_not_end(script: Make, given: Make) -> None:
    """Bit 7 of 07h still set after the longest time."""
    old, new = "00 " * 16, "A5 " + "00 " * 15
    lines = [
        *[("B8 20", ""), ("69 20", old), ("69 20", old)] * 2,
        (f"6C 20 {new}", ""),
        *[("69 20", new)] * 2,
        ("48 20", ""),
        *[("69 07", "80")] * 2,
    ]
    with pytest.raises(StillBusy):
        run(script(0x30, lines), given, "memory_write", data="A5")
