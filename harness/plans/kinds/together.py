"""A conversion of all devices of a described kind at once, behind one skip command."""

from __future__ import annotations

from dataclasses import dataclass

from harness.errors import DeviceAbsent, StillBusy
from harness.families.common.answers import shown
from harness.families.family import Answer, Broadcast
from harness.plans.schema.kind.exchange import Exchange
from harness.plans.schema.transact import bytes_of


@dataclass(frozen=True, slots=True)
class ConvertAll:
    """Starts a common conversion and waits for it; equal for kinds that share it.

    Attributes:
        exchange: the conversion, as one device is put to it.
    """

    exchange: Exchange

    @property
    def command(self) -> bytes:
        """What every device hears behind the skip command."""
        return bytes_of(self.exchange.write)

    def __call__(self, everybody: Broadcast, parasite: bool) -> Answer:
        """One conversion of all, waited for; its time in ms.

        Args:
            everybody: the bus.
            parasite: True if a device may be fed from the data line, which then idles
                for the longest time, since no device may be polled.

        Raises:
            DeviceAbsent: a device must be busy at first, and none was.
            StillBusy: a device is not done in its longest time.
        """
        exchange, busy = self.exchange, self.exchange.busy
        if busy is not None and not parasite:
            return self._polled(everybody, busy.up_to_ms)
        longest_ms = busy.up_to_ms if busy is not None else exchange.wait_ms
        if exchange.strong_pull_up or parasite:
            everybody.hold_strong_pull_up(self.command, longest_ms / 1000)
        else:
            everybody.transact_bits(self.command, 0)
            everybody.idle(longest_ms / 1000)
        return Answer(value=longest_ms)

    def _polled(self, everybody: Broadcast, longest_ms: float) -> Answer:
        busy = self.exchange.busy
        assert busy is not None  # of the caller
        # the line carries the AND: a one says that all are done
        is_done = everybody.transact_bits(self.command, 1) == [1]
        began_s = everybody.clock.now_s()
        if busy.must_begin and is_done:
            raise DeviceAbsent(
                f"no device turned busy after {shown(self.command)}",
                hint="check the devices' supply; readings now would be old ones",
            )
        took_ms = 0.0
        while not is_done:
            if took_ms > longest_ms:
                raise StillBusy(
                    f"still converting {took_ms:.1f} ms after {shown(self.command)}, "
                    f"allowed are {longest_ms:g} ms"
                )
            is_done = everybody.read_bits(1) == [1]
            took_ms = 1000 * (everybody.clock.now_s() - began_s)
        return Answer(value=round(took_ms, 3))
