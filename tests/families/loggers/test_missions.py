"""Missions of either logger: ended where there is one, told where they go on."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from harness.errors import AnswerImpossible
from harness.families.loggers import memory as logger_memory
from harness.families.loggers.climate import memory as climate_memory
from harness.families.loggers.missions.registers import MissionRegisters, end_mission

Make = Callable[..., Any]


def old(status: int) -> MissionRegisters:
    """Registers of a 21h, all zero but the status."""
    return logger_memory.LoggerRegisters(
        block=bytes(0x14) + bytes([status]) + bytes(11)
    )


def new(status: int) -> MissionRegisters:
    """Registers of a 41h, all zero but the status."""
    return climate_memory.ClimateRegisters(
        block=bytes(0x15) + bytes([status]) + bytes(42)
    )


KINDS = pytest.mark.parametrize(
    ("registers", "bit"), [(old, logger_memory.MISSION), (new, climate_memory.MISSION)]
)


@KINDS
@pytest.mark.parametrize("running", [False, True])
def test_a_mission_is_ended_where_there_is_one(
    script: Make,
    registers: Callable[[int], MissionRegisters],
    bit: int,
    *,
    running: bool,
) -> None:
    """An idle logger is left alone."""
    states = [registers(bit), registers(0)] if running else [registers(0)]
    sent: list[str] = []
    after = end_mission(
        script(0x21, []), lambda _: states.pop(0), lambda: sent.append("stop")
    )
    assert not after.mission
    assert sent == ["stop"] * running
    assert not states


@KINDS
def test_a_mission_that_goes_on_is_told(
    script: Make, registers: Callable[[int], MissionRegisters], bit: int
) -> None:
    """The stop was sent, and the flag stays."""
    with pytest.raises(AnswerImpossible, match="goes on although"):
        end_mission(script(0x21, []), lambda _: registers(bit), lambda: None)
