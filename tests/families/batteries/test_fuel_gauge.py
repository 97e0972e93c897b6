"""Gauges 51h, 2Eh and 36h: scaling, signs, blocks."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from harness.errors import UsageError
from harness.families.registry import checks, family_of, quantities

Make = Callable[..., Any]


def read(session: Any, name: str) -> Any:  # noqa: ANN401 - any session, any scalar
    """A quantity's value."""
    return quantities(session.rom.family)[name].read(session).value


def run(session: Any, given: Make, name: str, **options: object) -> Any:  # noqa: ANN401
    """Run a check; its measurements by name."""
    check = checks(session.rom.family)[name]
    found = check.run(session, given(check, **options))
    return {value.name: value for value in found.measurements}


def configure(session: Any, **settings: Any) -> Any:  # noqa: ANN401
    """Configure the part."""
    configured = family_of(session.rom.family).configure
    assert configured is not None
    return configured(session, settings, False)


@pytest.mark.parametrize(
    ("family", "name", "line", "value"),
    [
        (0x2E, "current", ("69 0E", "E0 C0"), -0.5),
        (0x51, "voltage", ("69 0C", "5E C0"), 3.699),
        (0x51, "current", ("69 0E", "E7 00"), -0.5),
        (0x51, "accumulated_charge", ("69 10", "0F A0"), 1.0),
        (0x36, "current", ("69 0E", "06 40"), 0.125),
        (0x36, "accumulated_charge", ("69 10", "0C 80"), 1.0),
    ],
)
def test_worked_readings(
    script: Make, family: int, name: str, line: tuple[str, str], value: float
) -> None:
    """Computed from data sheets DS2770 p. 11-15 (25 mohm) and DS2740 p. 6 (20 mohm)."""
    session = script(family, [line] * 2)
    if family == 0x36:
        session.memory["sense_mohm"] = 20.0
    assert read(session, name) == pytest.approx(value, abs=0.001)
    assert session.lines == []


def test_36h_needs_the_resistor(live: Make) -> None:
    """There is none inside."""
    session = live(0x36, current_a=0.125, sense_mohm=20)
    with pytest.raises(UsageError, match="sense resistor"):
        read(session, "current")
    configure(session, sense_mohm=20)
    assert read(session, "current") == pytest.approx(0.125, abs=1e-4)
    assert read(session, "sleeps_on_low_line") is False


@pytest.mark.parametrize(("family", "step_mah"), [(0x51, 0.25), (0x2E, 0.25)])
def test_account_follows_the_current(
    live: Make, given: Make, family: int, step_mah: float
) -> None:
    """Both signs; the part's steps are the spare room."""
    session = live(family, current_a=-0.5)
    lost = run(session, given, "charge_accumulation", for_s=36)["charge_gained"]
    assert lost.holds
    assert lost.value == pytest.approx(-5, abs=2 * step_mah)


def test_2eh_readings(live: Make) -> None:
    """Elapsed time in steps of 56 s, timer at rest, voltage and temperature."""
    session = live(0x2E, cell_v=4.1, temperature_degc=-5.25)
    session.clock.sleep(120)
    assert read(session, "elapsed_time") == 112
    assert read(session, "charge_timer") == 0
    assert read(session, "voltage") == pytest.approx(4.1, abs=0.0025)
    assert read(session, "temperature") == -5.25


@pytest.mark.parametrize(("family", "blocks"), [(0x51, 2), (0x2E, 3)])
def test_blocks_and_locks(live: Make, given: Make, family: int, blocks: int) -> None:
    """User block written and restored; the last block locks, a further one is none."""
    session = live(family, content="0A 0B 0C")
    assert run(session, given, "memory_pattern")["bits_wrong"].value == 0
    assert run(session, given, "memory_verify", data="0A 0B 0C")[
        "bytes_different"
    ].holds
    run(session, given, "block_lock", number=blocks - 1)
    assert read(session, "locked_blocks") == f"block {blocks - 1}"
    with pytest.raises(UsageError, match=f"no block {blocks}"):
        run(session, given, "block_lock", number=blocks)


def test_nothing_to_store(live: Make) -> None:
    """Settings of a gauge have no place in EEPROM, so storing them is refused."""
    configured = family_of(0x51).configure
    assert configured is not None
    with pytest.raises(UsageError, match="no place"):
        configured(live(0x51), {"sense_mohm": 25}, True)
