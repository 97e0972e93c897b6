"""What a restart leaves in the outputs of a port, as rows."""

from __future__ import annotations

from harness.families.common.ports import Ports, port_quantities
from harness.families.restart import AfterRestart, RestartSign, Trace
from harness.records import Scalar


def output_signs(
    ports: Ports, after: Scalar | AfterRestart, source: str
) -> tuple[RestartSign, ...]:
    """One row an output.

    Args:
        ports: the channels of the part.
        after: what a latch reads after a restart; 1 is off.
        source: what that was taken from.
    """
    # behind the row of all channels stand level and latch of each one
    names = [row.name for row in port_quantities(ports)]
    return tuple(
        RestartSign(
            shown_by=names[2 + 2 * place],
            trace=Trace.OUTPUT,
            after=after,
            governs=frozenset({*names[1 + 2 * place : 3 + 2 * place], names[0]}),
            about="the output transistor is off, whatever it was before"
            if after == 1
            else "the output transistor is on or off by chance",
            source=source,
        )
        for place in range(len(ports.channels))
    )
