"""Proof that what is sent comes back, by patterns that no device takes for a command.

Order of sending, and why nothing on the bus acts on it:

1. A reset pulse. Whatever a device was doing with slots, it now waits for a ROM
   command. Presence is not judged.
2. Eight write-1 slots, FFh. No ROM command has this code, so every device now ignores
   slots until the next reset (data sheet of family 28h, p. 10; common to all families).
3. The patterns. A receiver that ignores slots could still take a long low for a reset;
   none of the patterns at ``PATTERN_BAUD`` holds the line low for longer than four bits.

Rate of the patterns: a line is within limits as long as a read slot can be made on it,
that is, as long as its rise fits between the shortest low and the sample (5 and 15 us:
10 us at most, whatever pull-up and capacitance make it). The receiver samples half a
bit after the release, less one step of its grid: 7/16 of a bit of 26.0 us are 11.4 us.
Four bits and that rise are 114 us, less than the 120 us from which a low in the middle
of traffic can be taken for a reset (data sheets DS18B20 p. 19, DS2431 p. 2-3, DS1996 p.
13-18). 38400 baud is in every rate table.

The second burst goes out at the slot rate with every value of a character, 9 bits of
low being 90 us at most there. It is left out on a line whose ones do not come back
whole at that rate: they are a matter of the line, and the first burst stands.
"""

from __future__ import annotations

from harness.driver.adapter import Adapter
from harness.driver.echo_damage import Damage, name_damage
from harness.errors import EchoDamaged, EchoDoubtful
from harness.wire.slots.frames import ResetFrame, SlotFrames

PATTERN_BAUD = 38_400

PATTERNS = bytes.fromhex("FFFF55AA11130D0A1B7D7E5CDBB54B33CCF87FFE99A5DA96")
"""No low longer than four bits. Both parities; every bit high, low and between others;
control characters (11h 13h 0Dh 0Ah 1Bh), escapes (7Dh 7Eh DBh 5Ch FFh)."""

_EVERY_VALUE = bytes(i * 167 % 256 for i in range(256))
"""Each value once. 167 is odd, so the multiples run through all values, and neighbours
are far apart: a value that is repeated, dropped or replaced by the next one shows. They
also never count up, as test secrets and test data often do."""
_NO_COMMAND = b"\xff" * 8


class EchoProof:
    """Proves the loop from TX to RX; moves nothing on the bus, see the module.

    Args:
        adapter: an open adapter.
        reset_frame: the reset, standard speed.
        slots: the slots, standard speed.
    """

    def __init__(
        self, adapter: Adapter, reset_frame: ResetFrame, slots: SlotFrames
    ) -> None:
        self._adapter = adapter
        self._reset, self._slots = reset_frame, slots

    def damage(self, *, bursts: int = 1, every_value: bool = False) -> Damage | None:
        """What happens to the echo; None if all comes back, or only edges are slow.

        Takes three waits for late characters (``Adapter.settle``) besides the
        characters themselves, about 0.2 s.

        Args:
            bursts: how often the patterns are sent.
            every_value: True to send every value of a character at the slot rate too.

        Raises:
            AdapterUnplugged, PortUnsuitable: the port is gone, or refuses a rate.
        """
        slots = self._slots
        frame = self._reset.frame
        self._adapter.settle()
        self._adapter.gather(
            bytes([frame.byte]), self._reset.request_baud, frame.stop_bits
        )
        ones = self._gather(_NO_COMMAND, slots.request_baud, slots.stop_bits)
        if len(ones) < len(_NO_COMMAND):
            # a device may have seen fewer than eight ones: the patterns would go on from
            # there; more ones than eight are no command either
            return name_damage(_NO_COMMAND, ones)
        for _ in range(bursts):
            found = self._patterns()
            if found is not None:
                return found
        if not every_value or ones != _NO_COMMAND:
            return None
        back = self._gather(_EVERY_VALUE, slots.request_baud, slots.stop_bits)
        found = name_damage(_EVERY_VALUE, back)
        return None if found is None or found.is_slow_edge else found

    def require(self, *, every_value: bool = False) -> None:
        """Insist that all comes back.

        Raises:
            EchoDamaged: with the kind of damage and its cure.
        """
        found = self.damage(every_value=every_value)
        if found is not None:
            raise echo_damaged(found, self._adapter.url)

    def _patterns(self) -> Damage | None:
        found = self._pattern()
        if found is None or not found.is_slow_edge:
            return found
        # an edge does the same each time, an adapter that spoils characters does not
        again = self._pattern()
        if again is not None and again.got == found.got:
            return None
        return again or found

    def _pattern(self) -> Damage | None:
        return name_damage(PATTERNS, self._gather(PATTERNS, PATTERN_BAUD, 1))

    def _gather(self, frames: bytes, baud: int, stop_bits: int) -> bytes:
        return self._adapter.gather(frames, baud, stop_bits)


def echo_damaged(damage: Damage, where: str) -> EchoDamaged:
    """The error that says what happens to the echo, with what came back."""
    return EchoDamaged(
        f"what is sent does not come back: {damage.what} (sent "
        f"{_shown(damage.sent)}, got {_shown(damage.got)})",
        where=where,
        hint=damage.hint,
        facts={
            "damage": damage.name,
            "sent": damage.sent.hex().upper(),
            "got": damage.got.hex().upper(),
        },
    )


def echo_doubt(damage: Damage, where: str) -> EchoDamaged | EchoDoubtful:
    """As ``echo_damaged``; damage without a known pattern may also be noise on the line."""
    fault = echo_damaged(damage, where)
    if damage.is_named or damage.name == "silent":
        return fault
    return EchoDoubtful(
        f"{fault.what}: adapter and noise on the line cannot be distinguished",
        where=where,
        facts=fault.facts,
    )


def _shown(data: bytes, most: int = 12) -> str:
    if not data:
        return "nothing"
    cut = " .." if len(data) > most else ""
    return data[:most].hex(" ").upper() + cut
