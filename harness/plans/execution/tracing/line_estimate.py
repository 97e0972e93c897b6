"""How large the recording of a simulated line gets, estimated before a soak runs."""

from __future__ import annotations

from collections.abc import Iterator

from harness.plans.execution.request import RunRequest
from harness.plans.schema.soak import Soak

BYTES_A_SLOT = 250
"""Of the recording, for one time slot; measured on the shipped bench, held by a test."""

SLOTS_A_READING = 170
"""Reset, match ROM, a block of nine bytes, and a share of the conversion: a thermometer."""


def line_sentences(request: RunRequest) -> Iterator[str]:
    """One sentence for each soak of a plan whose line is recorded."""
    line = request.line
    if line is None:
        return
    for item in request.plan.leaf_steps():
        body = item.body
        if not isinstance(body, Soak):
            continue
        kept = "" if line.last_s is None else f"; the last {line.last_s:g} s are kept"
        rounds = body.planned_rounds
        devices = len(request.fixture.sockets)
        if rounds is None:
            yield (
                f"soak on line {item.line}: the bus sets the pace, so the size of "
                f"{line.path} is not known before{kept}"
            )
            continue
        slots = rounds * devices * SLOTS_A_READING
        size_mb = slots * BYTES_A_SLOT / 1e6
        yield (
            f"soak on line {item.line}: {line.path} gets about {size_mb:.2g} MB ({rounds} "
            f"rounds, {devices} devices, {SLOTS_A_READING} slots a reading){kept}"
        )
