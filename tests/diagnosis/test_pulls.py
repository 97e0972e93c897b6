"""Lone long pulls of the line, told from what else shortens bursts or comes unasked."""

from __future__ import annotations

import pytest

from harness.diagnosis.probes.pulls import PullWatch
from harness.driver.adapter import Adapter

SLOTS = b"\xff" * 200
WHOLE = (SLOTS, SLOTS)


def heard(*bursts: tuple[bytes, bytes]) -> int:
    """Pulls that these bursts show, at 115200 baud."""
    watch = PullWatch(Adapter("loop://"))
    for sent, echoes in bursts:
        watch.note(sent, echoes, 115_200, 1.0)
    return len(watch.at_s)


def test_an_interrupt_pulse_merges_characters() -> None:
    """Low for 960 us: eleven characters of 87 us come back as one break (arithmetic)."""
    pulled = (SLOTS, b"\xff" * 100 + b"\x00" + b"\xff" * 89)
    assert heard(WHOLE, pulled, WHOLE) == 1


@pytest.mark.parametrize(
    "bursts",
    [
        pytest.param((WHOLE, WHOLE), id="whole"),
        pytest.param(((SLOTS, b"\xff" * 180), WHOLE), id="dropped by the adapter"),
        pytest.param(((SLOTS, SLOTS[1:] + b"\x00"), WHOLE), id="a slot pulled"),
        pytest.param(
            ((SLOTS, b"\xff" * 80 + b"\x00"), (SLOTS, b"")), id="low for good"
        ),
    ],
)
def test_other_losses_are_no_pulls(bursts: tuple[tuple[bytes, bytes], ...]) -> None:
    """Lost characters, a changed slot, and a line that stays low."""
    assert heard(*bursts) == 0


@pytest.mark.parametrize(
    ("characters", "pulls"),
    [(b"\x00", 1), (b"\x00\xf8", 1), (b"\x80", 1), (b"\xfe", 0), (b"\x00" * 9, 0)],
)
def test_a_pull_between_bursts(characters: bytes, pulls: int) -> None:
    """One character of nine low bits, perhaps presence behind it; no spike, no traffic."""
    watch = PullWatch(Adapter("loop://"))
    watch.note_stray(characters)
    assert len(watch.at_s) == pulls
