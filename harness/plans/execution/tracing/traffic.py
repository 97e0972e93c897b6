"""What an adapter sent and heard, burst by burst, in the journal.

Only on request: it takes about a hundred bytes a burst and four a slot. With it, a
recording of the line can be held against every echo (``slotproof trace --journal``).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from harness.driver.adapter import Adapter
from harness.journal_form import JournalForm
from harness.results.journal.writer import Journal


@dataclass(frozen=True, slots=True, kw_only=True)
class TrafficEvent:
    """One burst.

    Attributes:
        sent: characters, in hex.
        heard: their echoes, in hex.
        bit_us: length of a bit as the adapter makes it.
        stop_bits: of each character.
    """

    sent: str
    heard: str
    bit_us: float
    stop_bits: int = 1


TRAFFIC = JournalForm(TrafficEvent, name="traffic", sparing=True)


def keeper(
    journal: Journal, adapter: Adapter
) -> Callable[[bytes, bytes, int, int], None]:
    """Writes each burst to the journal."""

    def keep(sent: bytes, heard: bytes, baud: int, stop_bits: int) -> None:
        burst = TrafficEvent(
            sent=sent.hex(),
            heard=heard.hex(),
            bit_us=1e6 / adapter.grid.achieved(baud),
            stop_bits=stop_bits,
        )
        journal.record(TRAFFIC.name, **TRAFFIC.written(burst))

    return keep
