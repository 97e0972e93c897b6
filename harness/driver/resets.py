"""Reset pulses: one character out, and what its echo says of presence.

A line that stays low, a pulse that comes late or is long, and a reset that did not go out
as sent are distinguished here.
"""

from __future__ import annotations

from dataclasses import replace

from harness.driver.adapter import Adapter
from harness.driver.bursts import Bursts
from harness.errors import EchoDoubtful, ExtraEcho, LineShorted, NoEcho, ResetDisturbed
from harness.wire.slots.frames import Presence, ResetFrame, ResetReading, SlotFrames

_RETRY_S = 0.005
"""A part that signals by itself holds the line up to 4.8 ms (data sheet, part DS2404)."""


def reset_line(bursts: Bursts, frame: ResetFrame, slots: SlotFrames) -> ResetReading:
    """Reset pulse; returns what the echo says about presence.

    A line that is still low after the character is given 5 ms, since a part that
    signals may hold it so long. If presence follows then, the reset is done and its
    presence is long; otherwise the line is asked once more. What seems a fault of the
    line and could as well be a repeated or changed character is asked once more too:
    a device that answers late does so each time.

    Args:
        bursts: the way to the line.
        frame: the reset.
        slots: read slots by which a line that fell silent is asked.

    Raises:
        LineShorted: the line stays low.
        ResetDisturbed: the reset pulse did not come back as sent, twice.
        EchoDoubtful: it did not come back as sent once, and not again.
        ExtraEcho: more characters came than the echo, and no late presence explains them.
        AdapterError: as the adapter says.
    """
    reading = _reset_once(bursts, frame, slots)
    if reading.presence is Presence.SHORTED:
        bursts.adapter.clock.sleep(_RETRY_S)
        late = bursts.adapter.hear()
        if late and late[-1]:  # the line rose, and was pulled for less than a reset
            return replace(reading, presence=Presence.LONG)
        try:
            reading = _reset_once(bursts, frame, slots)
        except NoEcho as fault:  # no edge, since the line never rose
            raise _stays_low(bursts) from fault
        if reading.presence is Presence.SHORTED:
            raise _stays_low(bursts)
    return reading


def _stays_low(bursts: Bursts) -> LineShorted:
    bursts.held_low = True
    return LineShorted(
        "the line stays low after the reset pulse", where=bursts.adapter.url
    )


def _reset_once(bursts: Bursts, frame: ResetFrame, slots: SlotFrames) -> ResetReading:
    """One reset; one more where its echo is no reset's, or more characters came."""
    try:
        reading, extra = _pulse(bursts, frame, slots)
    except ResetDisturbed as fault:
        bursts.adapter.settle()
        _pulse(bursts, frame, slots)
        raise EchoDoubtful(
            f"{fault.what}, and not so after the next reset", where=fault.where
        ) from fault
    if not extra:
        return reading
    bursts.adapter.settle()
    again, _ = _pulse(bursts, frame, slots)
    if again.presence is not reading.presence or again.presence is Presence.SEEN:
        bursts.oddities.miscounted += 1
        raise _besides(bursts.adapter, extra)
    return again


def _besides(adapter: Adapter, extra: bytes) -> ExtraEcho:
    return ExtraEcho(
        f"with the echo of a reset {extra[:8].hex(' ').upper()} came, and not again "
        "after the next reset",
        where=adapter.url,
    )


def _pulse(
    bursts: Bursts, frame: ResetFrame, slots: SlotFrames
) -> tuple[ResetReading, bytes]:
    """One reset pulse: what its echo says, and the characters that came with it.

    Raises:
        ResetDisturbed: the reset pulse did not come back as sent.
        AdapterError: as the adapter says.
    """
    bursts.traffic.resets += 1
    sent = frame.frame.byte
    late = b""
    try:
        echo = bursts.exchange(
            bytes([sent]), frame.request_baud, frame.frame.stop_bits, slots
        )
    except ExtraEcho:  # the line was pulled again after the character, or so it seems
        assert bursts.last is not None
        bursts.oddities.miscounted -= 1  # counts if the next reset does not do so too
        echo, late = bursts.last.echoes, bursts.adapter.unsolicited
    try:
        reading = frame.read(echo[0])
    except ValueError as cause:
        raise ResetDisturbed(
            f"the reset pulse came back as {echo[0]:02X}h instead of {sent:02X}h",
            where=bursts.adapter.url,
        ) from cause
    if reading.presence is not Presence.ABSENT:
        return reading, late
    late = late or bursts.adapter.settle()
    return replace(reading, presence=_absent_or_late(late)), late


def _absent_or_late(late: bytes) -> Presence:
    """What a low after the end of the reset character makes of a missing pulse."""
    if not late:
        return Presence.ABSENT
    return Presence.SHORTED if late[-1] == 0 else Presence.LATE
