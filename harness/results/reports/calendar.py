"""A moment of a journal as people write it: local where the zone is known, and UTC."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone

from harness.results.wording import one_line


def moment_text(at: str, utc_offset_s: int | None) -> str:
    """Such as ``2026-03-01 09:15:00 +01:00 (08:15:00 UTC)``; UTC alone without a zone.

    Args:
        at: ISO 8601, UTC, as the journal has it.
        utc_offset_s: zone of the host when the run began, or None.
    """
    try:
        utc = datetime.fromisoformat(at).astimezone(UTC)
    except ValueError:
        return one_line(at)
    if not utc_offset_s:
        return f"{utc:%Y-%m-%d %H:%M:%S} UTC"
    local = utc.astimezone(timezone(timedelta(seconds=utc_offset_s)))
    zone = f"{local:%z}"
    same_day = local.date() == utc.date()
    beside = f"{utc:%H:%M:%S}" if same_day else f"{utc:%Y-%m-%d %H:%M:%S}"
    return f"{local:%Y-%m-%d %H:%M:%S} {zone[:3]}:{zone[3:5]} ({beside} UTC)"
