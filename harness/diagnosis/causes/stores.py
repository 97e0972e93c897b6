"""Rules about a failed store of an EEPROM, and an output that a step left toggled.

Sources: data sheets of families 2Dh (part
DS2431) p. 7-12 and 05h (part DS2405) p. 1.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from harness.diagnosis.evidence.bus import Evidence
from harness.diagnosis.evidence.kinds import FailedCheck
from harness.diagnosis.finding import Cause, Finding

_PARTIAL = 0x20
"""Bit 5 of the status: data lost in the store, or a byte cut short."""

_ENDING = 0x1F
"""Ending offset in the status; otherwise than staged, the part restarted."""

_TRANSPORT = "transport: what was staged read back right before the store"
_TRY = "external strong pull-up, power for 10 ms; read back after a power cycle"


def failed_store(evidence: Evidence) -> Iterator[Finding]:
    """What was written arrived whole and did not get into the cells."""
    failed = evidence.failed
    store = failed.facts.get("store") if failed is not None else None
    if failed is None or not isinstance(store, Mapping):
        return
    if store.get("protected"):
        yield _protected(failed, store)
    elif int(store.get("address", 0)) % int(store.get("row", 1)):
        yield _off_the_row(failed, store)
    else:
        yield _starved(failed, store)


def _measured(store: Mapping[str, Any]) -> tuple[str, ...]:
    rows = [f"row at {int(store.get('address', 0)):04X}h"]
    if "check" in store:
        rows.append(
            "check of the write right, staged data too"
            if store["check"]
            else "staged data read back right"
        )
    if "status" in store:
        rows.append(
            f"status {store['status']}h, {int(store.get('wanted', 7)):02X}h and bit 7 wanted"
        )
    if "end" in store:
        rows.append(f"end byte {store['end']}h, {store.get('done', 'AA')}h wanted")
    if "staged" in store:
        rows.append(f"staged {store['staged']}, sent {store.get('sent', '')}")
    if "protection" in store:
        rows.append(f"protection bytes {store['protection']}")
    return tuple(rows)


def _protected(failed: FailedCheck, store: Mapping[str, Any]) -> Finding:
    return Finding(
        cause=Cause.CONFIGURATION,
        kind="store-protected",
        says=f"{failed.name} refuses the store: this row is {store['protected']}",
        measured=_measured(store),
        ruled_out=("supply during the store: the part says that the row is closed",),
        try_first="write to an open page; protection is for ever, so use another part if "
        "this row must change",
        device=failed.device,
    )


def _off_the_row(failed: FailedCheck, store: Mapping[str, Any]) -> Finding:
    return Finding(
        cause=Cause.CONFIGURATION,
        kind="store-row",
        says=f"{failed.name} refuses the store: it must begin on a row of "
        f"{store.get('row')} bytes",
        measured=_measured(store),
        ruled_out=("supply during the store: it never began",),
        try_first=f"write whole rows of {store.get('row')} bytes",
        device=failed.device,
    )


def _starved(failed: FailedCheck, store: Mapping[str, Any]) -> Finding:
    status, wanted = (
        int(str(store.get("status", "07")), 16),
        int(store.get("wanted", 7)),
    )
    dipped = bool(status & _PARTIAL or (status ^ wanted) & _ENDING)
    return Finding(
        cause=Cause.SUPPLY,
        kind="store-dip",
        says=f"the supply of {failed.name} dipped during the store: cells hold old or mixed "
        "data"
        if dipped
        else f"the store of {failed.name} did not come to its end",
        measured=_measured(store),
        ruled_out=(
            _TRANSPORT,
            "a protected row: its protection bytes are open",
        )
        if "protection" in store
        else (_TRANSPORT,),
        tells_apart=()
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
    facts = failed.facts
    matches, by_us = int(facts.get("matches", 0)), facts.get("matched_by") or {}
    told = ", ".join(f"step {step} {times}x" for step, times in by_us.items())
    yield Finding(
        cause=Cause.CONFIGURATION,
        kind="toggled",
        says=f"{failed.name} was toggled: "
        + (
            "a step addressed it by its ROM code"
            if matches % 2
            else "somebody else addresses it"
        ),
        measured=(
            f"{facts.get('quantity', 'output')} {facts.get('before')} at the start, "
            f"{facts.get('after')} at the end, {matches} matches by this step",
            f"matched in this run: {told or 'never'}",
        ),
        ruled_out=("the device: each match toggles it, as documented",),
        tells_apart=()
        if matches % 2 or facts.get("after") != 1
        else (
            f"{Cause.SUPPLY} restart: the output is off after each power-up; look for a dip",
        ),
        try_first="leave this kind out of steps that address by ROM code (families: in the "
        "for_each); sense it by search"
        if matches % 2
        else "take this device out of every other program and controller on this bus",
        device=failed.device,
    )
