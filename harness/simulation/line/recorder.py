"""The simulated line as a Value Change Dump, written while the bench runs.

One wire for the level at the host's receiver, the voltage as a real variable, one wire
for the host's pull and one for that of each device: 1 lets go, 0 pulls low. Any viewer
opens it (IEEE Std 1364-2005, clause 18). Times are whole nanoseconds of bench time.

An exponential becomes steps: a value each time that the voltage has moved by a
tenth of the supply, and one at each crossing of the receiver's threshold.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Hashable, Mapping
from math import inf, log
from pathlib import Path

from harness.simulation.line.trace import Segment

_STEPS = 10
_FLUSHED_BYTES = 1 << 16
_PARTS = 4
"""Files that the last minutes are kept in: what is kept is up to one of them longer."""

Piece = tuple[float, str]


class LineFile:
    """Where the text goes: one file, or the parts of the last minutes.

    Args:
        path: the file.
        last_s: how much of the end to keep; infinite for all.
        header: declarations, and the values at the beginning, at a time in ns.
    """

    def __init__(self, path: Path, last_s: float, header: Callable[[int], str]) -> None:
        self._path = path
        self._part_ns = last_s * 1e9 / _PARTS
        self._header = header
        self._parts: list[Path] = []
        self._number = 0
        self._begun_ns = 0
        self._text: list[str] = []
        self._size = 0
        self._begin(0)

    @property
    def _keeps_all(self) -> bool:
        return self._part_ns == inf

    def add(self, at_ns: int, lines: str) -> None:
        """Value changes at a time."""
        if at_ns - self._begun_ns >= self._part_ns:
            self.flush()
            self._begin(at_ns)
        self._text.append(f"#{at_ns}\n{lines}")
        self._size += len(lines)
        if self._size >= _FLUSHED_BYTES:
            self.flush()

    def flush(self) -> None:
        """Everything so far is in the file."""
        text, self._text, self._size = "".join(self._text), [], 0
        with self._parts[-1].open("a", encoding="ascii") as file:
            file.write(text)

    def close(self) -> None:
        """Write the rest, and put the parts together."""
        self.flush()
        if self._keeps_all:
            return
        first, *others = self._parts
        with first.open("a", encoding="ascii") as file:
            for part in others:
                file.write(_without_header(part.read_text("ascii")))
                part.unlink()
        if first != self._path:
            first.replace(self._path)
        self._parts = [self._path]  # a port that is opened again goes on here

    def _begin(self, at_ns: int) -> None:
        self._begun_ns = at_ns
        self._number += 1
        part = self._path
        if not self._keeps_all:
            part = self._path.with_name(f".{self._path.name}.{self._number}")
        self._parts.append(part)
        part.write_text(self._header(at_ns), "ascii")
        # the oldest goes once all that is kept lies behind it
        if len(self._parts) > _PARTS + 1:
            self._parts.pop(0).unlink()


def _without_header(text: str) -> str:
    return text.partition("$enddefinitions $end\n")[2]


class LineRecorder:
    """Takes the line's segments and pulls, and writes them as they come.

    Args:
        path: the file; an existing one is replaced.
        threshold_v: falling and rising threshold of the host's receiver.
        supply_v: of the line, for the steps of the voltage.
        names: wire name of each that pulls, in order.
        last_s: how much of the end to keep, in seconds of bench time.

    Raises:
        OSError: the file cannot be written.
    """

    def __init__(
        self,
        path: Path,
        *,
        threshold_v: tuple[float, float],
        supply_v: float,
        names: Mapping[Hashable, str],
        last_s: float = inf,
    ) -> None:
        self._low_v, self._high_v = threshold_v
        self._step_v = supply_v / _STEPS
        self._least_v = self._step_v / 20
        self._codes = {owner: _code(place + 2) for place, owner in enumerate(names)}
        self._names = _identifiers(list(names.values()))
        self._pulled = dict.fromkeys(names, 1)
        self._high, self._shown_v = 1, supply_v
        self._file = LineFile(path, last_s, self._header)
        self._last_ns = -1
        self._until_us = 0.0

    def add(self, segment: Segment) -> None:
        """What the voltage did from one event to the next."""
        if segment.end_us <= segment.start_us:
            return
        self._until_us = segment.end_us
        pieces: list[Piece] = []
        start_v = segment.start_v + segment.induced_v
        end_v = segment.end_v + segment.induced_v
        self._step(segment.start_us, start_v, pieces)
        for at_us, volts in self._passed(segment, start_v, end_v):
            self._step(at_us, volts, pieces)
        self._step(segment.end_us, end_v, pieces)
        for at_us, line in pieces:
            self._write(at_us, line)

    def pulls(self, owner: Hashable, at_us: float, low: bool) -> None:
        """Somebody begins to pull, or lets go."""
        level = 0 if low else 1
        if self._pulled.get(owner, level) != level:
            self._pulled[owner] = level
            self._write(at_us, f"{level}{self._codes[owner]}\n")

    def flush(self) -> None:
        """Everything so far is in the file."""
        self._file.flush()

    def close(self) -> None:
        """The recording is over: the last time says how long the line stayed as it is."""
        self._write(self._until_us, "")
        self._file.close()

    def _passed(
        self, segment: Segment, start_v: float, end_v: float
    ) -> list[tuple[float, float]]:
        """Times within a segment at which a level is passed, with that level."""
        low, high = min(start_v, end_v), max(start_v, end_v)
        first, last = int(low / self._step_v), int(high / self._step_v) + 1
        levels = [n * self._step_v for n in range(first, last + 1)]
        levels += [self._low_v, self._high_v]
        # where it comes to rest, to a tenth of a step
        rest_v = segment.final_v + segment.induced_v
        levels += [rest_v - self._step_v / 10, rest_v + self._step_v / 10]
        found = []
        for level in levels:
            if low < level < high:
                at_us = _when(segment, level)
                if at_us is not None:
                    found.append((at_us, level))
        return sorted(found)

    def _step(self, at_us: float, volts: float, pieces: list[Piece]) -> None:
        if self._high and volts <= self._low_v:
            self._high = 0
            pieces.append((at_us, "0!\n"))
        elif not self._high and volts >= self._high_v:
            self._high = 1
            pieces.append((at_us, "1!\n"))
        if abs(volts - self._shown_v) >= self._least_v:
            self._shown_v = volts
            pieces.append((at_us, f'r{volts:.3g} "\n'))

    def _write(self, at_us: float, line: str) -> None:
        # events come in order; rounding must not turn two round
        self._last_ns = max(self._last_ns, round(at_us * 1000), 0)
        self._file.add(self._last_ns, line)

    def _header(self, at_ns: int) -> str:
        owners = "".join(
            f"$var wire 1 {code} {name} $end\n"
            for code, name in zip(self._codes.values(), self._names, strict=True)
        )
        values = "".join(
            f"{self._pulled[owner]}{code}\n" for owner, code in self._codes.items()
        )
        return (
            "$version slotproof, SIMULATED line $end\n$timescale 1 ns $end\n"
            '$scope module bench $end\n$var wire 1 ! line $end\n$var real 64 " volts $end\n'
            f"{owners}$upscope $end\n$enddefinitions $end\n"
            f'#{at_ns}\n$dumpvars\n{self._high}!\nr{self._shown_v:.3g} "\n{values}$end\n'
        )


def _when(segment: Segment, volts: float) -> float | None:
    """When a segment passes a voltage that lies between its ends."""
    level_v = volts - segment.induced_v
    if level_v == segment.final_v:
        return None
    ratio = (segment.start_v - segment.final_v) / (level_v - segment.final_v)
    if ratio <= 0:
        return None
    at_us = segment.start_us + segment.tau_us * log(ratio)
    return min(max(at_us, segment.start_us), segment.end_us)


def _code(number: int) -> str:
    """The short name of a variable: printable characters from ``!`` on."""
    code = ""
    while True:
        number, digit = divmod(number, 94)
        code += chr(33 + digit)
        if not number:
            return code


def _identifiers(names: list[str]) -> list[str]:
    """Names without blanks and doubles."""
    found: list[str] = []
    for name in names:
        plain = re.sub(r"\W+", "_", name, flags=re.ASCII) or "device"
        wanted, number = plain, 1
        while wanted in {"line", "volts", *found}:
            number += 1
            wanted = f"{plain}_{number}"
        found.append(wanted)
    return found
