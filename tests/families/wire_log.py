"""What went over the port, transaction by transaction, held against the rows of a family.

Listens at ``Adapter.exchange``, the only way towards the bus, so that it sees what the
driver really sends and not what a family module meant to.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from harness.driver.bus import Bus, RomCommand
from harness.families.command import (
    Command,
    Crc,
    Place,
    Programming,
    Rest,
    Sender,
    Span,
    Status,
)
from harness.families.transactions import Piece, SeenCommand, commands_in

_SEARCH_SLOTS = 3 * 64
_SELECTING = {RomCommand.MATCH: 72, RomCommand.SKIP: 8, RomCommand.RESUME: 8}
_SEARCHING = {RomCommand.SEARCH, RomCommand.CONDITIONAL_SEARCH}


@dataclass
class Transaction:
    """Slots from a reset to the next one.

    Attributes:
        sent: level of each slot as the host wanted it; 1 is a read slot too.
        seen: level that the line had.
        at_s: when each slot was sent, on the port's clock.
        pulses: slots before which the line was lifted to the programming voltage.
        over_s: when the next reset began.
    """

    sent: list[int] = field(default_factory=list)
    seen: list[int] = field(default_factory=list)
    at_s: list[float] = field(default_factory=list)
    pulses: set[int] = field(default_factory=set)
    over_s: float = 0.0

    def byte(self, at: int) -> int:
        """Eight slots of the line as a byte."""
        return sum(bit << n for n, bit in enumerate(self.seen[at : at + 8]))

    @property
    def selection(self) -> int | None:
        """Slots of the selection; 0 if there is none, None if nobody can be selected."""
        first = self.byte(0)
        if first in _SELECTING:
            return _SELECTING[RomCommand(first)]
        if first in _SEARCHING:
            return 8 + _SEARCH_SLOTS
        return None if first in {RomCommand.READ, 0xFF} else 0


class WireLog:
    """Listens to a bus from now on."""

    def __init__(self, bus: Bus) -> None:
        self.transactions: list[Transaction] = []
        self._bus = bus
        self._exchange, self._switch = bus.adapter.exchange, bus.adapter.switch
        adapter: Any = bus.adapter
        adapter.exchange, adapter.switch = self._listen, self._lift

    def _listen(self, frames: bytes, baud: int, stop_bits: int = 1) -> bytes:
        began_s = self._bus.clock.now_s()
        echoes = self._exchange(frames, baud, stop_bits)
        if baud == self._bus.reset_frame.request_baud:
            if self.transactions:
                self.transactions[-1].over_s = began_s
            self.transactions.append(Transaction())
        elif self.transactions:
            slots, hand = self._bus.slots, self.transactions[-1]
            hand.sent += [int(byte != slots.write_0_byte) for byte in frames]
            hand.seen += slots.decode_bits(echoes)
            hand.at_s += [began_s] * len(frames)
        return echoes

    def _lift(self, **lines: Any) -> Any:  # noqa: ANN401 - as the adapter's
        if lines.get("programming"):
            hand = self.transactions[-1]
            hand.pulses.add(len(hand.sent))
        return self._switch(**lines)

    def finish(self) -> list[Transaction]:
        """Transactions with slots in them, the last one closed."""
        if self.transactions:
            self.transactions[-1].over_s = self._bus.clock.now_s()
        return [t for t in self.transactions if t.sent]


def seen_commands(
    transaction: Transaction, commands: Sequence[Command], *, reads_on: bool = False
) -> list[SeenCommand]:
    """The commands of a transaction, each held against its row.

    Args:
        transaction: what went over the wire.
        commands: rows of the family.
        reads_on: True if the driver reads on behind the last part, to see ones there.

    Raises:
        AssertionError: a row is missing, or is not what went over the wire.
    """
    begin = transaction.selection
    if begin is None or len(transaction.seen) <= begin:
        return []
    place = Place.FUNCTION if begin else Place.ROM
    if place is Place.ROM and all(transaction.seen[8:]):
        return []  # nobody was meant
    found = commands_in(transaction.seen[begin:], commands, place)
    for seen in found:
        assert seen.command is not None, f"no row for {seen.code.hex().upper()}"
        where = f"{seen.command.name} ({seen.code.hex().upper()})"
        beyond = [bit for bit in seen.beyond if not (reads_on and bit)]
        assert not beyond, f"{where}: {len(beyond)} slots behind the last part"
        for piece in seen.pieces:
            _hold(piece, transaction, begin, where)
        pulses = {p.at for p in seen.pieces if isinstance(p.part, Programming)}
        assert {p - begin for p in transaction.pulses} == pulses, where
    return found


def _hold(piece: Piece, transaction: Transaction, begin: int, where: str) -> None:
    at, end = begin + piece.at, begin + piece.at + piece.slots
    sent, seen = transaction.sent[at:end], transaction.seen[at:end]
    part = piece.part
    if isinstance(part, Rest):
        times_s = [*transaction.at_s, transaction.over_s]
        waited_ms = (times_s[at] - times_s[at - 1]) * 1e3
        assert waited_ms >= part.longest_ms * 0.999, f"{where}: waited {waited_ms} ms"
        return
    if isinstance(part, Status | Programming):
        assert all(sent), f"{where}: the host writes while the device says its state"
        return
    name = "its CRC" if isinstance(part, Crc) else part.name
    assert piece.whole or _may_stop(part), f"{where}: {name} is cut short"
    assert piece.right is not False, f"{where}: {name} is {piece.data.hex(' ').upper()}"
    if part.sender is Sender.DEVICE:
        assert all(sent), f"{where}: the host writes where the device sends {name}"
    else:
        assert sent == seen, f"{where}: the device pulls where the host sends {name}"


def _may_stop(part: Span | Crc) -> bool:
    """True if a host may read or write fewer bytes than there are."""
    return isinstance(part, Span) and not isinstance(part.length, int)
