"""Any set of ROM codes is enumerated exactly, however alike they are."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from harness.driver.search import enumerate_devices, verify
from harness.wire.romcode import RomCode

Make = Callable[..., Any]
"""A fixture that makes something; conftest has the signatures."""

BASE = 0x123456789ABC

SERIALS = st.integers(0, (1 << 48) - 1)
FAMILIES = st.integers(1, 255)

ALIKE = st.one_of(
    # differing in the last serial bits only, in the first ones only, or in one bit
    st.integers(0, 7).map(lambda n: BASE ^ (n << 45)),
    st.integers(0, 7).map(lambda n: BASE ^ n),
    st.integers(0, 47).map(lambda place: BASE ^ (1 << place)),
    st.sampled_from([0, (1 << 48) - 1, 1, 1 << 47]),
)

POPULATIONS = st.one_of(
    st.sets(st.builds(RomCode.build, FAMILIES, SERIALS), min_size=1, max_size=12),
    st.sets(st.builds(RomCode.build, st.just(0x28), ALIKE), min_size=1, max_size=12),
    st.sets(
        st.builds(RomCode.build, st.sampled_from([0x28, 0xA8, 0x29]), ALIKE),
        min_size=1,
        max_size=12,
    ),
)

CHECKED = settings(
    derandomize=True,
    deadline=None,
    max_examples=60,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)


@CHECKED
@given(roms=POPULATIONS)
@pytest.mark.slow
def test_every_population_is_found_exactly(bus_with: Make, roms: set[RomCode]) -> None:
    """Each device is found once, in one pass each, and nothing else; each is then proved."""
    with bus_with(sorted(roms)) as bus:
        result = enumerate_devices(bus)
        assert len(result.found) == len(roms)
        assert set(result.found) == roms
        assert result.rejected == []
        assert result.passes == len(roms)
        assert bus.traffic.bursts <= 64 * len(roms)
        assert bus.traffic.rate_changes <= 2 * bus.traffic.resets
        assert all(verify(bus, rom) for rom in roms)


@CHECKED
@given(roms=POPULATIONS, spoilt=st.data())
@pytest.mark.slow
def test_wrong_crcs_hide_nobody(
    bus_with: Make, roms: set[RomCode], spoilt: st.DataObject
) -> None:
    """Devices with a wrong CRC, and ones that share 56 bits with a sound one, never spoil the rest."""
    sound = sorted(roms)
    victims = spoilt.draw(st.sets(st.sampled_from(sound), max_size=3))
    flip = spoilt.draw(st.integers(1, 255))
    wrong = {RomCode(rom.wire[:7] + bytes([rom.wire[7] ^ flip])) for rom in victims}
    with bus_with([*sound, *sorted(wrong)]) as bus:
        result = enumerate_devices(bus)
    assert set(result.found) == roms
    assert len(result.found) == len(roms)
    assert set(result.rejected) == wrong
