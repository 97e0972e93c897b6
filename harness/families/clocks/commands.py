"""Commands of the clocks, as rows.

No row says what shows a restart: a cell of their own feeds them, and they go on through
any failure of the line. When the cell fails, time and control are undefined (from
memory), so nothing that can be read proves it; ``oscillator`` and ``clock_offset`` are
what an examination looks at.

Sources: data sheets families 24h (part DS2415) p. 4, 27h (DS2417) p. 4-5.
"""

from __future__ import annotations

from harness.families.command import Again, Command, Effect, device, host

_SHEET = "data sheets families 24h and 27h (parts DS2415 p. 4, DS2417 p. 4-5)"
_CONTROL = "b3:2 oscillator; 24h b7:4 user flags; 27h b7 interrupt, b6:4 interval"

CLOCK = (
    Command(
        name="read clock",
        code=b"\x66",
        parts=(Again((device("control", about=_CONTROL), device("seconds", 4))),),
        about="one snapshot, over and over; no CRC",
        source=_SHEET,
    ),
    Command(
        name="write clock",
        code=b"\x99",
        parts=(host("control", about=_CONTROL), host("seconds", 4)),
        effect=Effect.STORED,
        about="control acts at once, the time at the reset that follows",
        source=_SHEET,
    ),
)
"""Families 24h and 27h."""
