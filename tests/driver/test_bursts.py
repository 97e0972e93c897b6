"""Counts of bursts, and what of their echoes is blamed on whom, character by character."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from harness.driver.bursts import Burst, Bursts, _ends_spoilt, _is_break
from harness.errors import ExtraEcho, LineShorted, NoEcho, ShortEcho
from harness.wire.clock_grid import GRIDS
from harness.wire.slots.time_slots import choose_slots

Make = Callable[..., Any]
"""A fixture that makes something; conftest has the signatures."""

BAUD = 115_200
SLOTS = choose_slots(GRIDS["exact"])


@pytest.mark.parametrize(
    ("echo", "sent", "broken"),
    [
        (0x7F, 0x80, True),
        (0x00, 0xFF, True),
        (0x80, 0x80, False),
        (0x80, 0xFF, False),
        (0x7F, 0x7F, False),
        (0x00, 0x7F, False),
    ],
)
def test_a_break_is_low_to_its_end_and_was_not_sent_so(
    echo: int, sent: int, broken: bool
) -> None:
    """Bit 7 is the last of a character: 1 where the line is high at its end."""
    assert _is_break(echo, sent) is broken


@pytest.mark.parametrize(
    ("frames", "echoes", "spoilt"),
    [
        ("FFFF", "FF00", True),
        ("FFFF", "00", True),
        ("FFFF", "FFFF", False),
        ("FF00", "FF00", False),
        ("FFFF", "", False),
        # a pulse in the middle of the slot before is no line going low
        ("FFFF", "5000", False),
        ("FFFFFF", "FF50FF", False),
    ],
)
def test_the_end_of_a_burst_on_a_line_that_goes_low(
    frames: str, echoes: str, spoilt: bool
) -> None:
    """Only the last echo is spoilt, and those before it are such as a line makes."""
    burst = Burst(frames=bytes.fromhex(frames), echoes=bytes.fromhex(echoes), baud=BAUD)
    assert _ends_spoilt(burst) is spoilt


def test_what_is_counted(rigged: Make) -> None:
    """Bursts, slots, and changes of rate or format."""
    adapter, _ = rigged()
    with adapter.open():
        bursts = Bursts(adapter)
        for frames, baud, stop_bits in (
            (b"\xff" * 3, BAUD, 1),
            (b"\xff" * 4, BAUD, 1),
            (b"\xff", BAUD, 2),
            (b"\xff", 9600, 2),
        ):
            bursts.exchange(frames, baud, stop_bits, SLOTS)
        assert bursts.traffic.as_dict() == {
            "resets": 0, "slots": 9, "bursts": 4, "rate_changes": 3,
        }  # fmt: skip
        assert bursts.evidence() == {
            "sent": "FF", "echoes": "FF", "baud": 9600, "stop_bits": 2,
        }  # fmt: skip
        bursts.exchange(b"\xff", BAUD, 1, SLOTS)
        assert "stop_bits" not in bursts.evidence()
        assert bursts.oddities.miscounted == 0


def test_the_worst_burst_counts(rigged: Make) -> None:
    """Echoes that no device makes: the most of any one burst, until forgotten."""
    adapter, port = rigged()
    answers = iter([b"\x50\x50\xff", b"\xff\x50\xff", b"\xff\xff\xff", b"\x50\xff\xff"])
    with adapter.open():
        bursts = Bursts(adapter)
        port.write = lambda _: type(port).write(port, next(answers))
        seen = []
        for _ in range(3):
            bursts.exchange(b"\xff" * 3, BAUD, 1, SLOTS)
            seen.append(bursts.oddities.impossible)
        bursts.forget_oddities()
        bursts.exchange(b"\xff" * 3, BAUD, 1, SLOTS)
        assert [*seen, bursts.oddities.impossible] == [2, 2, 2, 1]


def test_characters_before_a_burst_are_of_nobody(rigged: Make) -> None:
    """They are told, eight at most, and the burst is a miscounted one; kept all the same."""
    adapter, port = rigged()
    with adapter.open():
        bursts = Bursts(adapter)
        port._waiting += bytes(range(0x10, 0x19))
        with pytest.raises(
            ExtraEcho, match=r"9 characters \(10 11 12 13 14 15 16 17\)"
        ):
            bursts.exchange(b"\xff", BAUD, 1, SLOTS)
        assert bursts.oddities.miscounted == 1
        assert bursts.last == Burst(frames=b"\xff", echoes=b"\xff", baud=BAUD)


def test_silence_is_asked_twice(rigged: Make) -> None:
    """Eight read slots at the slot rate and a reset: any echo of either is no silence."""
    adapter, port = rigged()
    asked: list[tuple[bytes, int]] = []

    def write(data: bytes) -> int:
        asked.append((data, port.baudrate))
        port.lose = lost[len(asked) - 1]
        return int(type(port).write(port, data))

    with adapter.open():
        bursts = Bursts(adapter)
        port.write = write
        for lost, silent in (([8, 1], True), ([8, 0], False), ([7, 1], False), ([0, 1], False)):  # fmt: skip
            asked.clear()
            assert bursts.is_silent(SLOTS) is silent
            assert asked[0] == (b"\xff" * 8, SLOTS.request_baud)
            assert asked[1:] == ([(b"\xf0", 9600)] if lost[0] == 8 else [])


def silent_from(port: Any, echoes: bytes) -> None:  # noqa: ANN401 - the rigged port
    """The next burst comes back so, and nothing after it."""
    answers = [echoes]

    def write(data: bytes) -> int:
        port.foreign = answers.pop() if answers else b""
        port.lose = len(data)
        return int(type(port).write(port, data))

    port.write = write


def test_a_line_once_low_stays_so_until_a_burst_is_whole(rigged: Make) -> None:
    """The second silence needs no second break; a whole burst ends that."""
    adapter, port = rigged()
    with adapter.open():
        bursts = Bursts(adapter)
        silent_from(port, b"\xff\x00")
        with pytest.raises(LineShorted, match=r"\(2 of 3 slots came back\)"):
            bursts.exchange(b"\xff" * 3, BAUD, 1, SLOTS)
        assert bursts.held_low
        assert bursts.oddities.miscounted == 1
        with pytest.raises(LineShorted, match=r"\(0 of 3 slots came back\)"):
            bursts.exchange(b"\xff" * 3, BAUD, 1, SLOTS)
        del port.write
        port.lose = 0
        bursts.exchange(b"\xff", BAUD, 1, SLOTS)
        assert vars(bursts)["held_low"] is False
        silent_from(port, b"")
        with pytest.raises(NoEcho):
            bursts.exchange(b"\xff" * 3, BAUD, 1, SLOTS)


def test_silence_without_a_break_is_not_the_line_s(rigged: Make) -> None:
    """Some came back and then nothing: it may be either; nothing at all is the adapter's."""
    adapter, port = rigged()
    with adapter.open():
        bursts = Bursts(adapter)
        silent_from(port, b"\xff")
        with pytest.raises(NoEcho, match="after 1 of 3 slots nothing comes back"):
            bursts.exchange(b"\xff" * 3, BAUD, 1, SLOTS)
        assert not bursts.held_low
        silent_from(port, b"")
        with pytest.raises(NoEcho, match="none came back"):
            bursts.exchange(b"\xff" * 3, BAUD, 1, SLOTS)
        silent_from(port, b"")
        port.lose = 0
        del port.write
        port.lose = 1  # the next burst is whole again: characters were lost, no more
        with pytest.raises(ShortEcho):
            bursts.exchange(b"\xff" * 3, BAUD, 1, SLOTS)
        assert bursts.last == Burst(frames=b"\xff" * 3, echoes=b"\xff" * 2, baud=BAUD)


@pytest.mark.parametrize(
    ("before", "first", "kind"),
    [
        (b"", 0xFF, NoEcho),
        # a break that waits before the burst: low, unless what was sent last was low too
        (b"\x00", 0xFF, LineShorted),
        (b"\x00", 0x00, NoEcho),
        (b"\xf0", 0xFF, NoEcho),
        (b"\x00\x00", 0xFF, NoEcho),
    ],
)
def test_a_break_before_the_burst(
    rigged: Make, before: bytes, first: int, kind: type[Exception]
) -> None:
    """One 00h between two bursts and then silence: the line went low in the pause."""
    adapter, port = rigged()
    with adapter.open():
        bursts = Bursts(adapter)
        bursts.exchange(bytes([0xFF, first]), BAUD, 1, SLOTS)
        port._waiting += before
        silent_from(port, b"")
        with pytest.raises(kind):
            bursts.exchange(b"\xff" * 2, BAUD, 1, SLOTS)
        assert adapter.unsolicited == before
