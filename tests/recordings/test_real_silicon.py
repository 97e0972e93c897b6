"""Real silicon against our device models: the same host lows, the same bits.

Each recording's host lows are played to models of the devices that were on its line,
with their ROM codes and memory. Whatever a real device drove must come out of the model
as well: every slot is compared, those of the host too.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pytest

from harness.recordings.decoding.slots import DecodedLows, LowKind
from tests.recordings.replay import (
    Recorded,
    bench,
    convert_all,
    decode,
    host_lows,
    measured_times,
    play,
    recorded,
)
from tests.recordings.traces import DATA


@dataclass(frozen=True)
class Case:
    """A recording and what stood on its line.

    Attributes:
        name: of the file.
        devices: keys of a fixture's devices, times apart.
        known: family codes that the decoder cannot know from the recording.
        line: of the fixture, where it matters.
        converted: True if the devices held a conversion before it began.
        interval_us: of the samples.
    """

    name: str
    devices: tuple[dict[str, Any], ...]
    known: tuple[int, ...] = ()
    line: dict[str, float] = field(default_factory=dict)
    converted: bool = False
    interval_us: float = 1.0


# No part with these two habits keeps what its data sheet says: see ``Silicon``. The
# second habit, a sixth byte that stays, and the first, a resolution that cannot be set,
# both show in the recording.
THERMOMETERS = Case(
    "two_thermometers_28h",
    (
        {"family": 0x28, "rom_code": "8D011627F794EE28", "temperature_degc": 24.125,
         "silicon": "clone"},
        {"family": 0x28, "rom_code": "330216255487EE28", "temperature_degc": 24.0625,
         "silicon": "clone"},
    ),
    converted=True,
)  # fmt: skip

CASES = (
    THERMOMETERS,
    # secret and memory are all zeros; the pull-up is one that the part can write with
    # (2.2 kohm at most: data sheet, family 33h, part DS1961S, p. 2)
    Case(
        "authenticator_33h",
        ({"family": 0x33, "rom_code": "2C00000274A44A33", "fill": 0},),
        line={"pull_up_ohm": 1500},
    ),
    Case("octal_switch_29h_read", ({"family": 0x29},), (0x29,), interval_us=2.0),
    Case("octal_switch_29h_write", ({"family": 0x29},), (0x29,), interval_us=2.0),
    Case(
        "write_once_0Bh_whole_memory",
        ({"family": 0x0B, "rom_code": "05000000586CE20B"},),
        interval_us=0.125,
    ),
    Case(
        "search_28h_and_42h",
        (
            {"family": 0x28, "rom_code": "3F000000C8CF9B28"},
            {"family": 0x42, "rom_code": "6700000003A6A842"},
        ),
    ),
)


def _replayed(case: Case, *devices: dict[str, Any]) -> tuple[Recorded, DecodedLows]:
    """The recording, and what the models make of its host lows."""
    found = recorded(DATA / f"{case.name}.vcd", case.known)
    times = measured_times(found)
    sections = {"line": case.line} if case.line else {}
    core = bench(
        *({**device, "time_base": times} for device in devices or case.devices),
        **sections,
    )
    if case.converted:
        convert_all(core)
    lows = play(host_lows(found), core, from_us=core.now_us + 10_000)
    return found, decode(lows)


def _bits(decoded: DecodedLows) -> list[int]:
    return [int(bit) for bit in decoded.bits[decoded.kinds == LowKind.SLOT]]


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_the_models_drive_what_real_devices_drove(case: Case) -> None:
    """Every slot and presence pulse; and their times, to a sample and the line's rise."""
    found, played = _replayed(case)
    assert _bits(played) == found.bits()
    for kind in (LowKind.RESET, LowKind.PRESENCE, LowKind.NEITHER):
        of_kind = int((found.decoded.kinds == kind).sum())
        assert int((played.kinds == kind).sum()) == of_kind
    # the simulated line takes about 1 us to rise through half of its supply
    within_us = case.interval_us + 1.0
    mine = measured_times(Recorded(played, _sides_of(found, played), 0.01))
    for name, value_us in measured_times(found).items():
        assert mine[name] == pytest.approx(value_us, abs=within_us), name


def _sides_of(found: Recorded, played: DecodedLows) -> Any:  # noqa: ANN401
    """Who held each slot: as in the recording, slot by slot."""
    sides = np.zeros(len(played.kinds), np.uint8)
    of_slots = found.sides[found.decoded.kinds == LowKind.SLOT]
    sides[played.kinds == LowKind.SLOT] = of_slots
    return sides


def test_a_part_that_keeps_its_sheet_drives_other_bits() -> None:
    """The thermometers of the recording are told from parts that behave as their sheet.

    Those would answer 1Fh in byte 4 after 1Fh was written, and 0Eh and 0Fh in byte 6.
    """
    devices = [{**d, "silicon": "original"} for d in THERMOMETERS.devices]
    found, played = _replayed(THERMOMETERS, *devices)
    assert _bits(played) != found.bits()
    assert len(_bits(played)) == len(found.bits())


def test_another_memory_drives_another_mac() -> None:
    """What is compared can differ: a page of ones gives another MAC."""
    case = next(c for c in CASES if c.name == "authenticator_33h")
    found, played = _replayed(case, {**case.devices[0], "fill": 1})
    assert _bits(played) != found.bits()
