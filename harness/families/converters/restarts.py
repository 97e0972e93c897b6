"""What shows that a converter restarted, as rows.

Sources: data sheets families 20h (part DS2450) p. 4-8, 2Ch (DS2890) p. 5-6.
"""

from __future__ import annotations

from harness.families.family import ALARM_SEARCH
from harness.families.restart import RestartSign, Trace
from harness.families.session import Session

_20 = "data sheet family 20h (part DS2450) p. 4-8"
_VOLTAGES = frozenset(f"channel_{name}_voltage" for name in "abcd")


def _page(session: Session, address: int) -> str:
    """A page of eight bytes, in hex."""
    opening = b"\xaa" + address.to_bytes(2, "little")
    return session.transact(opening, 8).hex(" ").upper()


QUAD = (
    RestartSign(
        shown_by="power_on_flags",
        trace=Trace.FLAG,
        after="a, b, c, d",
        governs=frozenset({ALARM_SEARCH, "conditional_search"}),
        about="one a channel; while any is set the conditional search finds the device",
        source=_20,
    ),
    RestartSign(
        shown_by="control page",
        trace=Trace.SETTING,
        after="08 8C 08 8C 08 8C 08 8C",
        governs=_VOLTAGES
        | {f"channel_{name}_output" for name in "abcd"}
        | {ALARM_SEARCH},
        read=lambda session: _page(session, 0x08),
        about="eight bits, 2.56 V, outputs off, alarms enabled",
        source="from memory",
    ),
    RestartSign(
        shown_by="alarm page",
        trace=Trace.SETTING,
        after="00 FF 00 FF 00 FF 00 FF",
        governs=frozenset({ALARM_SEARCH}),
        read=lambda session: _page(session, 0x10),
        about="alarm limits at the ends of the range",
        source="from memory",
    ),
    RestartSign(
        shown_by="supply byte",
        trace=Trace.SETTING,
        after="00",
        governs=_VOLTAGES,
        read=lambda session: _page(session, 0x18)[12:14],
        about="40h declares the device's own supply, and must be written again",
        source="from memory",
    ),
)
"""Family 20h."""

POTENTIOMETER = (
    RestartSign(
        shown_by="position",
        trace=Trace.SETTING,
        after=0,
        governs=frozenset({"position", ALARM_SEARCH}),
        about="the wiper; at this position the conditional search finds the device",
        source="from memory",
    ),
    RestartSign(
        shown_by="charge_pump",
        trace=Trace.SETTING,
        after="off",
        governs=frozenset({"charge_pump"}),
        about="the charge pump",
        source="from memory",
    ),
)
"""Family 2Ch."""
