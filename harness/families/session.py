"""The traffic that a family module may have: with one device, or with all at once."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Protocol

from harness.clock import Clock
from harness.wire.romcode import RomCode


class Session(Protocol):
    """One device on the bus, as a family module sees it.

    A transaction begins with reset and selection (``transact``, ``transact_bits``,
    ``resume``, ``hold_strong_pull_up``, ``verify``); ``more``, ``read_bits``, ``feed``
    and ``program_pulse`` go on with the one in hand.

    ``memory`` keeps what was learned about this device during the run (its supply,
    its settings), so that it is not asked for again and again. ``loop_backs`` says
    which of its outputs the fixture wires to which of its inputs; ``seat_doubt`` says,
    where the fixture leaves it open in which socket the device sits, why and what to
    write, and is empty otherwise.

    Example:
        >>> import harness
        >>> def status(session: harness.Session) -> int:
        ...     return session.transact(bytes([0xAA]), 1)[0]
    """

    rom: RomCode
    memory: dict[str, Any]
    loop_backs: Mapping[str, str]
    seat_doubt: str

    @property
    def clock(self) -> Clock:
        """The port's time; ``calendar()`` is the host's date and time, UTC."""
        ...

    def transact(self, write: bytes, read: int = 0) -> bytes:
        """Reset, select this device, write, then read ``read`` bytes; one burst."""
        ...

    def transact_bits(self, write: bytes, slots: int) -> list[int]:
        """As ``transact``, but returns single read slots."""
        ...

    def resume(self, write: bytes, read: int = 0) -> bytes:
        """As ``transact`` by the resume command: only if this device was the last one."""
        ...

    def unselected(self, write: bytes, read: int = 0) -> bytes:
        """Reset, write and read with no selection: for further ROM commands.

        Every device on the line hears it, so nothing goes out this way that another
        kind could take for an order of its own.
        """
        ...

    def more(self, write: bytes = b"", read: int = 0) -> bytes:
        """Write, then read bytes of the transaction in hand, without a reset."""
        ...

    def read_bits(self, slots: int) -> list[int]:
        """More read slots of the transaction in hand, without a reset."""
        ...

    def verify(self) -> None:
        """Prove all 64 bits of the ROM code by a directed search.

        The device stays selected: ``more`` and ``read_bits`` go on from there, which
        senses parts that a match command would change.

        Raises:
            DeviceAbsent: the device does not take part.
        """
        ...

    def meets_condition(self) -> bool:
        """True if the device answers a conditional search (ECh) now."""
        ...

    def is_alone(self) -> bool:
        """True if a full search finds this device alone."""
        ...

    def hold_strong_pull_up(self, write: bytes, hold_s: float) -> None:
        """Reset, select, write, then hold the line high with all the supply there is."""
        ...

    def feed(self, hold_s: float) -> None:
        """Hold the line high in the middle of the transaction in hand.

        Behind USB the strong pull-up comes some milliseconds late; until then the
        plain pull-up feeds alone.
        """
        ...

    def program_pulse(self, hold_s: float) -> None:
        """Lift the line to the fixture's programming voltage, then back.

        Raises:
            CannotSwitch: the fixture declares no programming supply.
        """
        ...

    def settle(self) -> None:
        """Drop late echoes after a disturbance or an interruption."""
        ...

    def note(self, text: str, **facts: Any) -> None:  # noqa: ANN401 - plain JSON facts
        """Put a line into the journal now, flushed: for what must survive a crash."""
        ...


class Broadcast(Protocol):
    """All devices on the bus at once, selected by skip."""

    @property
    def clock(self) -> Clock:
        """The port's time."""
        ...

    def transact_bits(self, write: bytes, slots: int) -> list[int]:
        """Reset, select all, write, then read single slots (wired AND)."""
        ...

    def read_bits(self, slots: int) -> list[int]:
        """More read slots of the transaction in hand, without a reset."""
        ...

    def hold_strong_pull_up(self, write: bytes, hold_s: float) -> None:
        """Reset, select all, write, then hold the line high."""
        ...

    def idle(self, hold_s: float) -> None:
        """Leave the line idle while the devices work."""
        ...
