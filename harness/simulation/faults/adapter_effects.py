"""How each fault of the adapter does its harm, and undoes it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from typing import Any

from harness.simulation.adapter.overrun import Overrun
from harness.simulation.faults import settings as fs
from harness.simulation.faults.target import FaultTarget


@contextmanager
def _adapter_no_echo(fault: fs.AdapterNoEcho, place: FaultTarget) -> Iterator[None]:
    place.adapter.hears = False
    yield
    place.adapter.hears = place.core.settings.adapter.echo


@contextmanager
def _adapter_drops_bytes(
    fault: fs.AdapterDropsBytes, place: FaultTarget
) -> Iterator[None]:
    place.adapter.drop_probability = fault.probability
    yield
    place.adapter.drop_probability = 0.0


@contextmanager
def _adapter_unplugged(fault: fs.UnpluggedFault, place: FaultTarget) -> Iterator[None]:
    place.adapter.unplug()
    yield
    if fault.back_as is not None:
        place.adapter.port_name = fault.back_as
    place.adapter.plug()


@contextmanager
def _latency_jitter(fault: fs.LatencyJitter, place: FaultTarget) -> Iterator[None]:
    place.adapter.jitter_ms = fault.extra_ms
    place.adapter.jitter_probability = fault.probability
    yield
    place.adapter.jitter_probability = 0.0


@contextmanager
def _receiver_inverted(
    fault: fs.ReceiverInverted, place: FaultTarget
) -> Iterator[None]:
    core, owner = place.core, object()
    core.uart.invert(True)
    core.set_oddity(owner, fault.kind)
    yield
    core.uart.invert(False)
    core.set_oddity(owner)


@contextmanager
def _push_pull_output(fault: fs.PushPullOutput, place: FaultTarget) -> Iterator[None]:
    core, wiring = place.core, place.core.wiring
    allowed = core.shortcuts_allowed
    # a line between low and high feeds parasite devices as no quick account knows
    core.shortcuts_allowed = allowed and not core.count_parasites()
    wiring.host_high_ohm = fault.high_ohm
    wiring.redrive()
    yield
    core.shortcuts_allowed = allowed
    wiring.host_high_ohm = None
    wiring.redrive()


@contextmanager
def _doubled_echo(fault: fs.DoubledEcho, place: FaultTarget) -> Iterator[None]:
    place.adapter.resend_us = fault.after_ms * 1000
    yield
    place.adapter.resend_us = None


@contextmanager
def _terminal_layer(fault: fs.TerminalLayer, place: FaultTarget) -> Iterator[None]:
    place.adapter.rewrite = _HABITS[fault.habit]
    yield
    place.adapter.rewrite = {}


_HABITS = {
    fs.Habit.DOUBLE_FF: {0xFF: b"\xff\xff"},
    fs.Habit.CR_TO_LF: {0x0D: b"\x0a"},
    fs.Habit.SWALLOW_FLOW_CONTROL: {0x11: b"", 0x13: b""},
}
"""Received character -> what the host gets for it."""


@contextmanager
def _host_gaps(fault: fs.HostGaps, place: FaultTarget) -> Iterator[None]:
    place.adapter.gap_us = fault.gap_ms * 1000
    place.adapter.gap_probability = fault.probability
    yield
    place.adapter.gap_probability = 0.0


@contextmanager
def _wrong_baud(fault: fs.WrongBaud, place: FaultTarget) -> Iterator[None]:
    uart = place.core.uart
    uart.error = fault.error_percent / 100
    uart.above_baud, uart.made_baud = fault.above_baud, fault.made_baud
    uart.follow()
    place.core.touch()
    yield
    uart.error, uart.above_baud = 0.0, None
    uart.follow()
    place.core.touch()


@contextmanager
def _buffer_overrun(fault: fs.BufferOverrun, place: FaultTarget) -> Iterator[None]:
    place.adapter.overrun = Overrun(
        buffer_bytes=fault.buffer_bytes,
        stall_us=fault.stall_ms * 1000,
        mean_gap_us=fault.mean_gap_ms * 1000,
        now_us=place.core.now_us,
        random=place.random,
    )
    yield
    place.adapter.overrun = None


@contextmanager
def _power_blink(fault: fs.PowerBlink, place: FaultTarget) -> Iterator[None]:
    core = place.core

    def blink() -> None:
        owner = object()
        core.limit_rail(owner, 0.0)
        place.later(fault.blink_ms * 1000, lambda: core.limit_rail(owner))

    place.adapter.on_open.append(blink)
    yield
    place.adapter.on_open.remove(blink)


ADAPTER_EFFECTS: dict[
    type[fs.TimedFault], Callable[[Any, FaultTarget], AbstractContextManager[None]]
] = {
    fs.AdapterNoEcho: _adapter_no_echo,
    fs.AdapterDropsBytes: _adapter_drops_bytes,
    fs.UnpluggedFault: _adapter_unplugged,
    fs.LatencyJitter: _latency_jitter,
    fs.ReceiverInverted: _receiver_inverted,
    fs.PushPullOutput: _push_pull_output,
    fs.DoubledEcho: _doubled_echo,
    fs.TerminalLayer: _terminal_layer,
    fs.HostGaps: _host_gaps,
    fs.WrongBaud: _wrong_baud,
    fs.BufferOverrun: _buffer_overrun,
    fs.PowerBlink: _power_blink,
}
"""Fault -> effect."""
