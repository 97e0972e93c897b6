"""What shows that a switch restarted, beside its outputs, as rows.

Sources: data sheets families 29h (part DS2408, rev 12/10) p. 8-9, 12h (DS2406) p. 7-8.
"""

from __future__ import annotations

from harness.families.common.answers import require_crc16
from harness.families.common.scratchpad_commands import RESUME_SIGN
from harness.families.family import ALARM_SEARCH
from harness.families.restart import RestartSign, Trace
from harness.families.session import Session

OCTAL_SOURCE = "data sheet family 29h (part DS2408, rev 12/10) p. 8-9"
DUAL_WITH_MEMORY_SOURCE = "data sheet family 12h (part DS2406) p. 7-8"


def _resumes(session: Session) -> bool:
    return session.resume(b"\xf0\x8d\x00", 5) != b"\xff" * 5


def _search_registers(session: Session) -> str:
    """Mask and polarity of the conditional search, in hex."""
    opening = b"\xf0\x8b\x00"
    block = require_crc16(opening, session.transact(opening, 7), what="registers")
    return block[:2].hex(" ").upper()


OCTAL = (
    RestartSign(
        shown_by="power_on_flag",
        trace=Trace.FLAG,
        after=True,
        governs=frozenset({ALARM_SEARCH, "conditional_search"}),
        about="answers every conditional search until it is cleared",
        source=OCTAL_SOURCE,
    ),
    RestartSign(
        shown_by="search registers",
        trace=Trace.SETTING,
        after="00 00",
        governs=frozenset({ALARM_SEARCH}),
        read=_search_registers,
        about="channel mask and polarity of the conditional search",
        source="from memory",
    ),
    RestartSign(
        shown_by="resume",
        trace=Trace.SELECTION,
        after=False,
        read=_resumes,
        about=RESUME_SIGN.about,
        source="from memory",
    ),
)
"""Family 29h."""


def _search_bits(session: Session) -> int:
    """The five lowest bits of status byte 7."""
    opening = b"\xaa\x07\x00"
    return require_crc16(opening, session.transact(opening, 3), what="status")[0] & 0x1F


DUAL_WITH_MEMORY = (
    RestartSign(
        shown_by="search bits",
        trace=Trace.SETTING,
        after=0x1F,
        governs=frozenset({ALARM_SEARCH}),
        read=_search_bits,
        about="condition of the conditional search, bits 0 to 4 of status byte 7",
        source=DUAL_WITH_MEMORY_SOURCE,
    ),
)
"""Family 12h."""
