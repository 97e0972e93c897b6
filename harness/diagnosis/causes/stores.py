"""Rules about a failed store of an EEPROM, and an output that a step left toggled.

Sources: data sheets of families 2Dh (part
DS2431) p. 7-12 and 05h (part DS2405) p. 1.
"""

from __future__ import annotations

from collections.abc import Iterator

from harness.diagnosis.evidence.bus import Evidence
from harness.diagnosis.evidence.kinds import FailedCheck
from harness.diagnosis.finding import Cause, Finding
from harness.families.kind_facts import StoreFacts

_PARTIAL = 0x20
"""Bit 5 of the status: data lost in the store, or a byte cut short."""

_ENDING = 0x1F
"""Ending offset in the status; otherwise than staged, the part restarted."""

_TRANSPORT = "transport: what was staged read back right before the store"
_TRY = "external strong pull-up, power for 10 ms; read back after a power cycle"


def failed_store(evidence: Evidence) -> Iterator[Finding]:
    """What was written arrived whole and did not get into the cells."""
    failed = evidence.failed
    store = failed.facts.store if failed is not None else None
    if failed is None or store is None:
        return
    if store.protected:
        yield _protected(failed, store)
    elif store.address % store.row:
        yield _off_the_row(failed, store)
    else:
        yield _starved(failed, store)


def _measured(store: StoreFacts) -> tuple[str, ...]:
    rows = [f"row at {store.address:04X}h"]
    if store.check is not None:
        rows.append(
            "check of the write right, staged data too"
            if store.check
            else "staged data read back right"
        )
    if store.status:
        rows.append(f"status {store.status}h, {store.wanted:02X}h and bit 7 wanted")
    if store.end:
        rows.append(f"end byte {store.end}h, {store.done}h wanted")
    if store.staged:
        rows.append(f"staged {store.staged}, sent {store.sent}")
    if store.protection:
        rows.append(f"protection bytes {store.protection}")
    return tuple(rows)


def _protected(failed: FailedCheck, store: StoreFacts) -> Finding:
    return Finding(
        cause=Cause.CONFIGURATION,
        kind="store-protected",
        summary=f"{failed.name} does not accept the store: this row is {store.protected}",
        measured=_measured(store),
        ruled_out=("supply during the store: the device reports the row as protected",),
        try_first="write to an open page; protection cannot be removed, so use another device if "
        "this row must change",
        device=failed.device,
    )


def _off_the_row(failed: FailedCheck, store: StoreFacts) -> Finding:
    return Finding(
        cause=Cause.CONFIGURATION,
        kind="store-row",
        summary=f"{failed.name} does not accept the store: it must begin on a row of "
        f"{store.row} bytes",
        measured=_measured(store),
        ruled_out=("supply during the store: it never began",),
        try_first=f"write whole rows of {store.row} bytes",
        device=failed.device,
    )


def _starved(failed: FailedCheck, store: StoreFacts) -> Finding:
    status = int(store.status or "07", 16)
    dipped = bool(status & _PARTIAL or (status ^ store.wanted) & _ENDING)
    return Finding(
        cause=Cause.SUPPLY,
        kind="store-dip",
        summary=f"the supply of {failed.name} dipped during the store: cells hold old or mixed "
        "data"
        if dipped
        else f"the store of {failed.name} did not come to its end",
        measured=_measured(store),
        ruled_out=(
            _TRANSPORT,
            "a protected row: its protection bytes are open",
        )
        if store.protection
        else (_TRANSPORT,),
        discriminators=()
        if dipped
        else (
            f"{Cause.SUPPLY}: with a strong pull-up the store ends",
            f"{Cause.DEVICE} worn: it fails with a good supply too, on this row alone",
        ),
        try_first=_TRY,
        device=failed.device,
    )


def step_toggled(evidence: Evidence) -> Iterator[Finding]:
    """A step matched a part that each match toggles, and left it the other way."""
    failed = evidence.failed
    if failed is None or failed.kind != "toggled":
        return
    yield _toggled(failed, ours=bool((failed.facts.matches or 0) % 2))


def _toggled(failed: FailedCheck, *, ours: bool) -> Finding:
    """By this program, or by somebody else."""
    facts = failed.facts
    by_steps = ", ".join(f"step {s} {times}x" for s, times in facts.matched_by.items())
    return Finding(
        cause=Cause.CONFIGURATION,
        kind="toggled",
        summary=f"{failed.name} was toggled: "
        + (
            "a step addressed it by its ROM code"
            if ours
            else "another host addresses it"
        ),
        measured=(
            f"{facts.quantity or 'output'} {facts.before} at the start, "
            f"{facts.after} at the end, {facts.matches or 0} matches by this step",
            f"matched in this run: {by_steps or 'never'}",
        ),
        ruled_out=("the device: each match toggles it, as documented",),
        discriminators=()
        if ours or facts.after != 1
        else (
            f"{Cause.SUPPLY} restart: the output is off after each power-up; look for a dip",
        ),
        try_first="leave this kind out of steps that address by ROM code (families: in the "
        "for_each); sense it by search"
        if ours
        else "take this device out of every other program and controller on this bus",
        device=failed.device,
    )
