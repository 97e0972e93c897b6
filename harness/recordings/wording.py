"""A decoded transaction in words."""

from __future__ import annotations

from harness.recordings.decoding.transactions import BusTransaction, RomUse
from harness.recordings.record.shown import ShownTransaction

_MOST_BYTES = 24


def shown_transaction(found: BusTransaction) -> ShownTransaction:
    """What the terminal, the journal and the page say about a transaction."""
    return ShownTransaction(
        at_s=found.start_s,
        end_s=found.end_s,
        label=_label(found),
        head=_head(found),
        rom=str(found.rom) if shows_rom(found) else "",
        lines=found.function.lines,
        notes=found.notes,
        wrong=found.wrong,
    )


def shows_rom(found: BusTransaction) -> bool:
    """True if one device alone is addressed, and known."""
    return found.rom is not None and found.use is not RomUse.SKIPPED


def _label(found: BusTransaction) -> str:
    named = [seen.command.name for seen in found.function.commands if seen.command]
    if named:
        return ", ".join(dict.fromkeys(named))
    if found.use is RomUse.SEARCHED or found.use is RomUse.READ or not found.data:
        return found.command_name or _unnamed(found)
    return f"{found.command_name or _unnamed(found)}, {found.data[0]:02X}h"


def _unnamed(found: BusTransaction) -> str:
    if found.command is not None:
        return f"command {found.command:02X}h"
    return "reset" if found.has_reset else "slots without a reset"


def _head(found: BusTransaction) -> str:
    begin = "no reset" if not found.has_reset else "reset"
    if found.overdrive_reset:
        begin = "overdrive reset"
    if found.has_reset and not found.presence:
        begin += ", no presence"
    words = [begin]
    if found.command_name:
        shown = f"{found.command_name} ({found.command:02X}h)"
        words.append(f"{shown} {found.rom}" if shows_rom(found) else shown)
    elif found.command is not None and not found.function.commands:
        words.append(f"{found.command:02X}h")
    if found.data and not found.function.commands:
        words.append(_bytes(found.data))
    if found.left_bits:
        plural = "" if found.left_bits == 1 else "s"
        words.append(f"{found.left_bits} slot{plural} over")
    return "; ".join(words)


def _bytes(data: bytes) -> str:
    more = len(data) - _MOST_BYTES
    shown = data[:_MOST_BYTES].hex(" ").upper()
    return f"{shown} and {more} more bytes" if more > 0 else shown
