"""What shows that a memory restarted, as rows.

What was written once has nothing that a restart could take: it has no rows. Counters
and battery-backed memory keep their content over a restart of the part; it is lost with
the cell, which looks like any other content.

Sources: data sheets families 2Dh (part DS2431) p. 8 and 12, 43h (DS28EC20) p. 16, 14h
(DS2430A, 19-5236) p. 5-8.
"""

from __future__ import annotations

from dataclasses import replace

from harness.families.common.scratchpad_commands import PAD_SIGN, RESUME_SIGN
from harness.families.restart import AfterRestart, RestartSign, Trace

_WRITES = frozenset({"memory_write", "memory_pattern"})

PAD = (replace(PAD_SIGN, governs=_WRITES),)
"""Parts that are written through a scratchpad."""

PAD_AND_RESUME = (*PAD, RESUME_SIGN)
"""Those among them that have the resume command."""

LOCKABLE = (
    RestartSign(
        shown_by="application_register",
        trace=Trace.SCRATCHPAD,
        after=AfterRestart.RANDOM,
        governs=frozenset({"application_register", "register_lock"}),
        when="the register is not locked",
        about="it shows what was written to its scratchpad, which a restart forgets",
        source="data sheet family 14h (part DS2430A, 19-5236) p. 5-8; that the "
        "scratchpad is random: from memory",
    ),
)
