"""Sending without judging: what came back, what did not, and what came besides.

Everywhere else a wrong count of echoes is an error; here it is what we want to know.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass

from harness.diagnosis.evidence.bus import Echoes
from harness.driver.bus import Bus
from harness.errors import ExtraEcho, NoEcho, ShortEcho

PRESENCE_PAUSE_S = 0.006
"""Longer than any presence pulse, and than an interrupt pulse of 4.8 ms before it (data sheet, parts
DS1992/DS1993, p. 13-18)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RawEcho:
    """One burst: what was sent, the echoes, what came besides, and the time it took."""

    sent: bytes
    echoes: bytes
    extra: bytes
    took_s: float

    @property
    def whole(self) -> bool:
        """True if exactly as many characters came back as were sent."""
        return len(self.echoes) == len(self.sent) and not self.extra


@dataclass
class RawLink:
    """The bus as raw characters.

    Attributes:
        bus: the open bus.
        strays: characters that came between bursts, beyond the echoes.
        held_s: how long the adapter keeps a lone character back, as measured.
    """

    bus: Bus
    strays: int = 0
    held_s: float = 0.0

    @property
    def presence_s(self) -> float:
        """Time in which what follows a reset has come."""
        return PRESENCE_PAUSE_S + self.held_s

    def send(self, frames: bytes, baud: int) -> RawEcho:
        """One burst, never an error of counting.

        Raises:
            AdapterUnplugged, PortUnsuitable: the port is gone, or refuses the rate.
        """
        adapter, clock = self.bus.adapter, self.bus.clock
        started_s = clock.now_s()
        extra = b""
        try:
            echoes = adapter.exchange(frames, baud)
            self.strays += len(adapter.unsolicited)
        except ExtraEcho:
            echoes, extra = adapter.partial, adapter.unsolicited
            self.strays += len(extra)
        except (NoEcho, ShortEcho):
            echoes = adapter.partial
            self.strays += len(adapter.unsolicited)
        return RawEcho(
            sent=frames,
            echoes=echoes,
            extra=extra,
            took_s=clock.now_s() - started_s,
        )

    @contextmanager
    def patient(self, allowance_s: float) -> Iterator[None]:
        """Wait longer for each burst until the block ends."""
        adapter = self.bus.adapter
        usual_s, adapter.allowance_s = adapter.allowance_s, allowance_s
        try:
            yield
        finally:
            adapter.allowance_s = usual_s

    def quiet(self) -> None:
        """Wait until nothing comes any more: the rest of a long burst at another rate.

        4000 characters take 4 s at 9600 baud; whoever still speaks then is somebody else.
        """
        for _ in range(_QUIET_TRIES):
            if not self.bus.adapter.settle():
                return

    def wait(self, duration_s: float) -> bytes:
        """Send nothing for a while; what came all the same."""
        self.bus.clock.sleep(duration_s)
        return self.bus.adapter.hear()

    def singly(
        self, byte: int, baud: int, times: int, *, pause_s: float = 0.0
    ) -> tuple[Echoes, list[float]]:
        """The same character, one by one; the round trips in s of those that echoed.

        Gives up after three that nothing came back of: each costs patience.
        """
        histogram: Counter[str] = Counter()
        silent = extra = followed = sent = 0
        trips_s = []
        for sent in range(1, times + 1):
            heard = self.send(bytes([byte]), baud)
            late = self.wait(pause_s) if pause_s else b""
            extra += len(heard.extra) + len(late)
            followed += bool(heard.extra or late)
            if heard.echoes:
                histogram[heard.echoes.hex().upper()] += 1
                trips_s.append(heard.took_s)
            else:
                silent += 1
            if silent == sent == _PATIENCE:
                break
        echoes = Echoes(
            sent=sent,
            silent=silent,
            extra=extra,
            followed=followed,
            histogram=dict(histogram),
        )
        return echoes, trips_s

    def burst(self, byte: int, baud: int, times: int, *, size: int) -> Echoes:
        """The same character in bursts of ``size``; spoilt bursts count as silence."""
        histogram: Counter[str] = Counter()
        silent = extra = 0
        for start in range(0, times, size):
            frames = bytes([byte]) * min(size, times - start)
            heard = self.send(frames, baud)
            extra += len(heard.extra)
            if not heard.whole:
                silent += max(0, len(frames) - len(heard.echoes))
                self.bus.adapter.settle()
            histogram.update(f"{echo:02X}" for echo in heard.echoes)
        return Echoes(sent=times, silent=silent, extra=extra, histogram=dict(histogram))


_PATIENCE = 3
_QUIET_TRIES = 4
"""Of a second each at most."""
