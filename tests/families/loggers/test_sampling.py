"""Reading a logger that takes samples meanwhile."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import pytest
from hypothesis import given as drawn
from hypothesis import strategies as st

from harness.errors import CheckValueWrong, DeviceAbsent
from harness.families.loggers.climate.memory import (
    CONVERT_S,
    clear,
    read_pages,
    read_registers,
    start,
    start_oscillator,
)
from harness.families.loggers.climate.mission import setup_page
from harness.families.loggers.climate.scales import MODELS
from harness.families.loggers.missions.sampling import (
    PageBrokenOff,
    pages_beside_sampling,
    require_page,
)
from harness.families.registry import checks
from tests.outside_crc import crc_16

Make = Callable[..., Any]
PAGES = tuple(bytes([n]) * 32 for n in range(1, 6))


class Sampling:
    """A logger that leaves some of its transactions, and a clock that counts waits."""

    def __init__(self, *leaves: tuple[int, int]) -> None:
        self.leaves = list(leaves)
        self.waits_s: list[float] = []
        self.notes: list[str] = []
        self.clock = self

    def sleep(self, s: float) -> None:
        """Time passes."""
        self.waits_s.append(s)

    def note(self, text: str, **_: object) -> None:
        """A line in the journal."""
        self.notes.append(text)

    def pages_from(self, first: int) -> Iterator[bytes]:
        """A transaction; where one is to be left, ones come from that byte on."""
        page, byte = self.leaves.pop(0) if self.leaves else (len(PAGES), 0)
        for n in range(first, len(PAGES)):
            block = PAGES[n] + crc_16(PAGES[n]).to_bytes(2, "little")
            if n >= page:
                block = block[:byte] + b"\xff" * (34 - byte)
            yield require_page(b"", block, what=f"page {n}")


def whole(logger: Sampling) -> bytes:
    """All of its pages."""
    session: Any = logger
    return pages_beside_sampling(session, logger.pages_from, len(PAGES), sampling_s=0.6)


@drawn(
    st.lists(
        st.tuples(st.integers(0, 4), st.integers(0, 32)), unique_by=lambda x: x[0]
    ).map(sorted)
)
def test_each_page_that_breaks_off_is_asked_again_after_a_sampling(
    leaves: list[tuple[int, int]],
) -> None:
    """Wherever it is left, all comes in the end, and each time one sampling is waited for."""
    logger = Sampling(*leaves)
    assert whole(logger) == b"".join(PAGES)
    assert logger.waits_s == [0.6] * len(leaves)
    assert len(logger.notes) == len(leaves)


@pytest.mark.parametrize(("byte", "error"), [(0, DeviceAbsent), (7, PageBrokenOff)])
def test_who_is_gone_for_longer_is_no_logger_that_samples(
    byte: int, error: type[Exception]
) -> None:
    """Ones behind the wait too: the device, not a sample. It is not waited for twice."""
    logger = Sampling((2, byte), (2, byte))
    with pytest.raises(error):
        whole(logger)
    assert logger.waits_s == [0.6]


def test_a_flipped_bit_is_not_waited_for() -> None:
    """A check value that is there and wrong is noise; waiting would hide it."""
    logger = Sampling()
    bad = PAGES[0] + (crc_16(PAGES[0]) ^ 4).to_bytes(2, "little")
    logger.pages_from = lambda first: iter([require_page(b"", bad, what="page")])  # type: ignore[method-assign]
    with pytest.raises(CheckValueWrong) as wrong:
        whole(logger)
    assert not isinstance(wrong.value, PageBrokenOff)
    assert logger.waits_s == []


def test_a_log_that_takes_longer_than_a_period_is_read(live: Make, given: Make) -> None:
    """A sample each second that takes half of it, and 1.3 s of pages to read."""
    session = live(0x41, model="L", temperature_degc=4.5, leaves_to_sample=True)
    options = given(checks(0x41)["mission"], period_s=1)
    start_oscillator(session)
    clear(session)
    start(session, setup_page(session, options, MODELS[0x40]))
    session.clock.sleep(2.2)
    before_s = session.clock.now_s()
    assert len(read_pages(session, 0x1000, 64)) == 64 * 32
    assert session.clock.now_s() - before_s > 1.2 + CONVERT_S
    assert read_registers(session).samples >= 4
