"""A decoded transaction in words."""

from __future__ import annotations

from harness.recordings.decoding.functions import hex_text
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
    is_plain = not found.function.commands
    data = hex_text(found.data, most=_MOST_BYTES) if is_plain else ""
    parts = (_reset(found), _rom_command(found), data, _slots_over(found.left_bits))
    return "; ".join(part for part in parts if part)


def _reset(found: BusTransaction) -> str:
    kind = "reset" if found.has_reset else "no reset"
    if found.overdrive_reset:
        kind = "overdrive reset"
    is_silent = found.has_reset and not found.presence
    return f"{kind}, no presence" if is_silent else kind


def _rom_command(found: BusTransaction) -> str:
    if found.command_name:
        shown = f"{found.command_name} ({found.command:02X}h)"
        return f"{shown} {found.rom}" if shows_rom(found) else shown
    if found.command is None or found.function.commands:
        return ""
    return f"{found.command:02X}h"


def _slots_over(count: int) -> str:
    if not count:
        return ""
    return f"{count} slot{'' if count == 1 else 's'} over"
