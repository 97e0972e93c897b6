"""The check step on the bench where it is disturbed: Ctrl-C, an adapter pulled out."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from harness.driver.session import DeviceSession
from harness.errors import AdapterUnplugged
from harness.families.hazard import Hazard
from harness.records import Outcome

Make = Callable[..., Any]
"""A fixture that makes or runs something."""

WEAR = frozenset({Hazard.MEMORY_WEAR})
STEP = (
    "- check: {function: memory_pattern, with: {length: 16, pattern: checkerboard}, "
    "hazard: memory-wear}"
)
CONTENT = bytes(range(200, 216))


class Disturbed:
    """Trouble in the middle of one copy of the run.

    Attributes:
        cells: the content of the device, at last sight.
    """

    def __init__(self, number: int, trouble: BaseException, plain: Any) -> None:  # noqa: ANN401 - the method it stands for
        self.number = number
        self.trouble = trouble
        self.plain = plain
        self.copies = 0
        self.cells = bytearray()

    def hold(self, session: DeviceSession, write: bytes, hold_s: float) -> None:
        """Copy, and then trouble."""
        self.cells = session._bus.adapter.port.bench.stations[0].device.cells
        self.copies += 1
        self.plain(session, write, hold_s)
        if self.copies == self.number:
            assert bytes(self.cells[:16]) != CONTENT
            raise self.trouble


@pytest.fixture
def disturb(monkeypatch: pytest.MonkeyPatch) -> Callable[..., Disturbed]:
    """Have trouble at the end of a copy: ``disturb(2, KeyboardInterrupt())``."""

    def make(number: int, trouble: BaseException) -> Disturbed:
        disturbed = Disturbed(number, trouble, DeviceSession.hold_strong_pull_up)

        def hold(session: DeviceSession, write: bytes, hold_s: float) -> None:
            disturbed.hold(session, write, hold_s)

        monkeypatch.setattr(DeviceSession, "hold_strong_pull_up", hold)
        return disturbed

    return make


@pytest.fixture
def bench(bench_data: Make, new_device: Make) -> dict[str, Any]:
    """An EEPROM 2Dh with content, on a line that can feed it."""
    data: dict[str, Any] = bench_data(
        [new_device(0x2D, 1, content=CONTENT.hex())], line={"pull_up_ohm": 1000}
    )
    return data


def test_ctrl_c_in_a_memory_test_restores_and_ends_the_run(
    run_plan: Make, bench: dict[str, Any], disturb: Callable[..., Disturbed]
) -> None:
    """Exit code 130, and the device holds what it held before."""
    disturbed = disturb(3, KeyboardInterrupt())
    ran = run_plan(STEP, bench, allow=WEAR)
    assert ran.code == 130
    assert bytes(disturbed.cells[:16]) == CONTENT
    assert "memory restored" in [e.get("text") for e in ran.events]


def test_adapter_fault_in_a_memory_test_is_no_failed_device(
    run_plan: Make, bench: dict[str, Any], disturb: Callable[..., Disturbed]
) -> None:
    """An error, the content restored once the adapter answers again."""
    disturbed = disturb(2, AdapterUnplugged("pulled out"))
    ran = run_plan(STEP, bench, allow=WEAR)
    (result,) = ran.step("1").results
    assert (ran.code, result.outcome) == (3, Outcome.ERROR)
    assert bytes(disturbed.cells[:16]) == CONTENT


def test_content_stands_in_the_journal_before_it_is_changed(
    run_plan: Make, bench: dict[str, Any], disturb: Callable[..., Disturbed]
) -> None:
    """Even what is never restored can be written back by hand."""
    disturb(2, KeyboardInterrupt())
    ran = run_plan(STEP, bench, allow=WEAR)
    note = next(e for e in ran.events if e.get("text") == "memory before the patterns")
    assert bytes.fromhex(note["content"]) == CONTENT
