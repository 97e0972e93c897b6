"""A damaging port: wraps any port and damages only the host's side of the stream.

The line, the devices and the adapter's timing stay whole. What the port behind delivers
passes through one ``Damage`` on its way to the reader, and what is written may be
damaged before it reaches the port behind. So whatever a run then says against the line
or a device is wrong, unless nothing could have told the two apart.
"""

from __future__ import annotations

import errno
import random
from collections import deque
from collections.abc import Iterator
from typing import Any

import serial

from tests.damage.modes import MODES, Mode, Sent
from tests.damage.moments import Moment

_OWN = frozenset(
    {"_inner", "_mode", "_moment", "_random", "_ready", "_held", "_sent", "came"}
    | {"_history", "_dead", "widths"}
)

RESET_BELOW_BAUD = 20_000
"""Characters below this rate are resets, above it slots."""


class DamagingPort:
    """The port ``inner``, its stream damaged.

    Args:
        inner: an open port with a ``clock``.
        mode: name of what is done, see ``modes.MODES``.
        moment: when it is done, see ``moments``.
        seed: of all that is drawn.

    Attributes:
        came: characters that came back so far.
        widths: for each hit, the characters that it changed or lost; anything but
            changes and losses in place counts as many.
    """

    def __init__(self, inner: Any, mode: str, moment: Moment, seed: int) -> None:  # noqa: ANN401
        self._inner = inner
        self._random = random.Random(seed)
        self._mode: Mode = MODES[mode]
        self._moment = moment
        self._ready = bytearray()
        self._held: deque[tuple[float, bytes]] = deque()
        self._sent: deque[Sent] = deque()
        self.came = 0
        self._history = bytearray()
        self._dead = False
        self.widths: list[int] = []

    # what is not damaged is the inner port's

    def __getattr__(self, name: str) -> Any:  # noqa: ANN401
        return getattr(self._inner, name)

    def __setattr__(self, name: str, value: object) -> None:
        if name in _OWN:
            object.__setattr__(self, name, value)
        else:
            self._fail_if_dead()
            setattr(self._inner, name, value)

    # the stream

    def write(self, data: bytes) -> int:
        """Pass on what is written, perhaps damaged."""
        self._fail_if_dead()
        self._pull()
        out = bytes(data)
        is_reset = self._inner.baudrate < RESET_BELOW_BAUD
        if self._mode.writes is not None and self._moment.strikes_burst(self._random):
            self.widths.append(_MANY)
            out = self._mode.writes(out, self._random)
        for place, value in enumerate(out):
            kind = "reset" if is_reset else ("write-0" if value < 0x80 else "one")
            self._sent.append(Sent(kind=kind, is_last=place == len(out) - 1))
        if out:
            self._inner.write(out)
        return len(data)

    @property
    def in_waiting(self) -> int:
        """Characters that can be read now."""
        self._fail_if_dead()
        self._pull()
        return len(self._ready)

    def read(self, size: int = 1) -> bytes:
        """Up to ``size`` characters; waits as the inner port does."""
        clock = self._inner.clock
        deadline_s = clock.now_s() + (self._inner.timeout or 0.0)
        while True:
            self._fail_if_dead()
            self._pull()
            left_s = deadline_s - clock.now_s()
            if len(self._ready) >= size or left_s <= 0:
                break
            due_s = self._held[0][0] if self._held else deadline_s
            if due_s < deadline_s:
                clock.sleep(max(due_s - clock.now_s(), 0.0))
            else:
                self._take(self._inner.read(1))
        data = bytes(self._ready[:size])
        del self._ready[:size]
        return data

    def reset_input_buffer(self) -> None:
        """Drop what the host holds."""
        self._fail_if_dead()
        self._pull()
        self._ready.clear()

    # inside

    def _fail_if_dead(self) -> None:
        if self._dead:
            raise serial.SerialException(errno.EIO, "read failed: Input/output error")

    def _pull(self) -> None:
        self._release()
        waiting = self._inner.in_waiting
        if waiting:
            self._take(self._inner.read(waiting))
            self._release()

    def _release(self) -> None:
        now_s = self._inner.clock.now_s()
        while self._held and self._held[0][0] <= now_s:
            self._ready += self._held.popleft()[1]

    def _take(self, data: bytes) -> None:
        self._release()
        for chunk in self._cut(data + self._inner.read(self._inner.in_waiting)):
            self._history += chunk
            del self._history[:-4096]
            if self._mode.reads is None or not chunk:
                self._hold(0.0, chunk)
                continue
            if not self._moment.strikes(self._random, self.came):
                self._hold(0.0, chunk)
                continue
            parts = self._mode.reads(chunk, self._random, self._history)
            self.widths.append(_width(chunk, parts))
            for delay_s, part in parts:
                if delay_s < 0:
                    self._dead = True
                    return
                self._hold(delay_s, part)

    def _cut(self, data: bytes) -> Iterator[bytes]:
        """The chunk, cut where the moment wants it: exactly behind a kind of frame."""
        start = 0
        for place in range(len(data)):
            sent = self._sent.popleft() if self._sent else None
            self.came += 1
            if sent is not None and self._moment.passes(sent, data[place]):
                yield data[start : place + 1]
                self._moment.begin()
                start = place + 1
        if start < len(data):
            yield data[start:]

    def _hold(self, delay_s: float, data: bytes) -> None:
        """Deliver after a delay; what comes later is never earlier."""
        now_s = self._inner.clock.now_s()
        due_s = max(now_s + delay_s, self._held[-1][0] if self._held else 0.0)
        if due_s <= now_s:
            self._ready += data
        elif data:
            self._held.append((due_s, data))


_MANY = 99


def _width(chunk: bytes, parts: list[tuple[float, bytes]]) -> int:
    """How many characters of a chunk are changed or lost in place."""
    if any(delay_s for delay_s, _ in parts):
        return _MANY
    got = b"".join(part for _, part in parts)
    if len(got) > len(chunk):
        return _MANY
    if len(got) == len(chunk):
        return sum(a != b for a, b in zip(chunk, got, strict=True))
    return len(chunk) - len(got)
