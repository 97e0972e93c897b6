"""Waits, pieces and settings of the adapter, to their ends, on a port that jumps in time."""

from __future__ import annotations

import errno
from collections.abc import Callable
from typing import Any

import pytest

from harness.driver.switching import Condition, Switching
from harness.driver.usb.latency import Latency
from harness.errors import AdapterUnplugged, CannotSwitch, NoEcho, ShortEcho

Make = Callable[..., Any]
"""A fixture that makes something; conftest has the signatures."""

BAUD = 10_000
"""A character takes a millisecond."""


def writes(port: Any) -> list[int]:  # noqa: ANN401 - the rigged port
    """Sizes of what is written from now on."""
    sizes: list[int] = []

    def write(data: bytes) -> int:
        sizes.append(len(data))
        return int(type(port).write(port, data))

    port.write = write
    return sizes


@pytest.mark.parametrize("call", ["exchange", "gather"])
@pytest.mark.parametrize(
    ("settings", "sizes"), [({}, [4000, 1]), ({"max_burst": 2000}, [2000, 2000, 1])]
)
def test_pieces_of_a_long_burst(
    rigged: Make, call: str, settings: dict[str, int], sizes: list[int]
) -> None:
    """4000 characters go out at once where a fixture says nothing."""
    adapter, port = rigged(**settings)
    told: list[tuple[int, int, int, int]] = []
    adapter.on_traffic = lambda sent, heard, *rest: told.append(
        (len(sent), len(heard), *rest)
    )
    with adapter.open():
        made = writes(port)
        assert getattr(adapter, call)(b"\xff" * 4001, BAUD) == b"\xff" * 4001
        assert (made, port.stopbits) == (sizes, 1)
    assert told == [(4001, 4001, BAUD, 1)]


@pytest.mark.parametrize(("after_s", "comes"), [(0.84, True), (0.86, False)])
def test_how_long_echoes_are_waited_for(
    rigged: Make, after_s: float, comes: bool
) -> None:
    """Twice the time of 400 characters and 0.1 s; the port looks every 50 ms."""
    adapter, port = rigged()
    frames = b"\xff" * 400

    def write(data: bytes) -> int:
        port.lose = len(data)
        type(port).write(port, data)
        port.late = [(port.clock.now_s() + after_s, frames)]
        return len(data)

    with adapter.open():
        port.write = write
        if comes:
            assert adapter.exchange(frames, BAUD) == frames
        else:
            with pytest.raises(NoEcho):
                adapter.exchange(frames, BAUD)


def test_how_long_late_characters_are_waited_for(rigged: Make) -> None:
    """Pauses of 50 ms, 20 at most; half a second more where nothing may be missed."""
    adapter, port = rigged()
    with adapter.open():
        clock = port.clock
        begun_s = clock.now_s()
        assert adapter.settle() == b""
        assert clock.now_s() - begun_s == pytest.approx(0.05)
        port.late = [(clock.now_s() + 0.04, b"\x01"), (clock.now_s() + 0.09, b"\x02")]
        begun_s = clock.now_s()
        assert adapter.settle() == b"\x01\x02"
        assert clock.now_s() - begun_s == pytest.approx(0.15)
        port._waiting += b"\x05"
        port.late = [(clock.now_s() + 0.5, b"\x03")]
        begun_s = clock.now_s()
        assert adapter.drain() == b"\x05\x03"
        assert clock.now_s() - begun_s == pytest.approx(0.6)
        port.chatter = b"\x55"
        begun_s = clock.now_s()
        assert adapter.settle() == b"\x55" * 20
        assert clock.now_s() - begun_s == pytest.approx(1.0)


@pytest.mark.parametrize(("supply_on", "waits_s"), [(None, 0.0), (Condition.RTS, 0.1)])
def test_a_supply_that_is_switched_on_needs_a_tenth_of_a_second(
    rigged: Make, supply_on: Condition | None, waits_s: float
) -> None:
    """Opening raises the lines: the bus is powered before anything is asked."""
    adapter, port = rigged(switching=Switching(supply_on=supply_on))
    with adapter.open():
        assert port.clock.now_s() == pytest.approx(waits_s)


@pytest.mark.parametrize("wanted", [None, True, False])
def test_low_latency_is_asked_for_unless_a_fixture_says_no(
    rigged: Make, wanted: bool | None
) -> None:
    """By default a port is asked not to hold replies back."""
    adapter, port = rigged(**({} if wanted is None else {"low_latency": wanted}))
    asked: list[bool] = []
    port.set_low_latency_mode = asked.append
    with adapter.open():
        lowered = wanted is not False
        assert adapter.latency is (Latency.LOWERED if lowered else Latency.LEFT)
    assert asked == ([True, False] if lowered else [])


def test_a_rate_is_set_once_until_it_changes(rigged: Make) -> None:
    """Setting costs a round trip of the driver; a port that was opened anew knows none."""
    adapter, port = rigged()
    with adapter.open():
        for baud, stop_bits in ((BAUD, 1), (BAUD, 1), (9600, 1), (9600, 2), (9600, 2)):
            adapter.exchange(b"\xff", baud, stop_bits)
        assert port.calls.count("baudrate") == 3
        adapter.reopen()
        adapter.exchange(b"\xff", 9600, 2)
        assert port.calls.count("baudrate") == 4


def test_reopened_where_usb_reports_nothing(rigged: Make) -> None:
    """An adapter without an identity is opened by the same name again."""
    adapter, port = rigged()
    with adapter.open():
        adapter.reopen()
        assert adapter.url == "rigged"
        assert port.calls.count("close") == 1
        assert adapter.can_be_proved
    assert not adapter.can_be_proved


@pytest.mark.parametrize(
    ("sent", "echo", "low"),
    [
        (b"\xff", b"\x7f", True),
        (b"\x80", b"\x00", True),
        (b"\xff", b"\x80", False),
        (b"\x7f", b"\x00", False),
        (b"\xff\x00", b"\xff\x00", False),
        (b"\x00\xff", b"\x00\x7f", True),
        # one more than was sent: nobody sent it low
        (b"\x00", b"\x00\x00", True),
        (b"\xff\xff", b"\x00", True),
        (b"\xff\xff", b"", False),
    ],
)
def test_a_last_character_that_is_low_to_its_end(
    rigged: Make, sent: bytes, echo: bytes, low: bool
) -> None:
    """It counts where it was not sent so, and where the loop worked before."""
    adapter, port = rigged()
    with adapter.open():
        port.lose, port.foreign = len(sent), echo
        adapter.gather(sent, BAUD)
        assert not adapter.broke_low
        adapter.exchange(b"\xff", BAUD)
        port.lose, port.foreign = len(sent), echo
        adapter.gather(sent, BAUD)
        assert adapter.broke_low is low


def test_the_end_of_the_first_of_two_pieces(rigged: Make) -> None:
    """What is due is counted on through the burst."""
    adapter, port = rigged()
    with adapter.open():
        adapter.exchange(b"\xff", BAUD)
        port.lose = 1
        with pytest.raises(ShortEcho):
            adapter.exchange(b"\xff\x00", BAUD)
        # a 00h in the place of the first character, which was not sent low
        assert adapter.broke_low
        port.late = [(port.clock.now_s() + 0.01, b"\x00")]
        adapter.settle()
        assert not adapter.broke_low  # in the place of the second, which was


def test_switching_excuses_one_stray(rigged: Make) -> None:
    """Devices announce themselves when a supply moves: once, and not in surplus."""
    adapter, port = rigged(switching=Switching(supply_on=Condition.RTS))
    with adapter.open():
        adapter.hear()  # the opening itself moved it
        for moves in (
            lambda: adapter.switch(supply=True),
            adapter.forgive_strays,
        ):
            moves()
            port._waiting += b"\xf0"
            assert (adapter.hear(), adapter.surplus) == (b"\xf0", b"")
            port._waiting += b"\xf0"
            assert (adapter.hear(), adapter.surplus) == (b"\xf0", b"\xf0")
        assert adapter.can_be_proved
        adapter.switch(supply=False)
        assert not adapter.can_be_proved
        assert adapter.switches == (False, False)
        adapter.switch(strong_pull_up=False)
        assert adapter.switches == (False, False)
        adapter.switch(supply=True)
        assert adapter.switches == (True, False)


def test_the_programming_voltage_is_never_left_on(rigged: Make) -> None:
    """Each call that does not ask for it takes it away."""
    switching = Switching(
        strong_pull_up_on=Condition.RTS_WITHOUT_DTR,
        programming_on=Condition.DTR_WITHOUT_RTS,
    )
    adapter, port = rigged(switching=switching)
    on = switching.programming_on
    assert on is not None
    with adapter.open():
        states = []
        for settings in ({"programming": True}, {}, {"programming": True}, {"strong_pull_up": True}):  # fmt: skip
            adapter.switch(**settings)
            rts, dtr = port.states[-1]
            states.append(on.holds(rts=rts, dtr=dtr))
        assert states == [True, False, True, False]
        assert adapter.switches == (True, True)
        adapter.release()
        assert adapter.switches == (True, False)


@pytest.mark.parametrize(
    ("number", "kind"),
    [
        (errno.ENOTTY, CannotSwitch),
        (errno.EINVAL, CannotSwitch),
        (errno.EIO, AdapterUnplugged),
    ],
)
def test_a_port_without_lines(rigged: Make, number: int, kind: type[Exception]) -> None:
    """What the system refuses for good is a port without the line; else it is gone."""
    adapter, port = rigged(switching=Switching(supply_on=Condition.DTR))
    with adapter.open():
        port.fail["dtr"] = OSError(number, "as the system says")
        with pytest.raises(kind):
            adapter.switch(supply=False)


def test_closed_means_closed(rigged: Make) -> None:
    """Nothing is gathered or heard on a port that is not open."""
    adapter, _ = rigged()
    for call in (lambda: adapter.gather(b"\xff", BAUD), adapter.hear):
        with pytest.raises(AdapterUnplugged, match="not open"):
            call()
