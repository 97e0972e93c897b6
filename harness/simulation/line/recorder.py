"""The simulated line as a Value Change Dump, written while the bench runs.

One wire for the level at the host's receiver, the voltage as a real variable, one wire
for the host's pull and one for that of each device: 1 lets go, 0 pulls low. Any viewer
opens it (IEEE Std 1364-2005, clause 18). Times are whole nanoseconds of bench time: each
character's start is rounded, and each change within it, so an interval within a
character is right within 1 ns.

An exponential becomes steps. The voltage is written where it passes 10, 30, 50, 70 or 90 %
of the supply, and where a segment starts, comes to rest or ends, if it has moved by 1 %
of the supply since it was last written. 30 and 70 % are the thresholds and 10 to
90 % the rise time that readers work out; 1 % is two steps of an 8-bit oscilloscope whose
range is the supply and a quarter. Of the levels that one edge passes within 10 ns
the first is written: no limit of the bus is stated finer than 0.1 us.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Hashable, Iterator, Mapping
from math import inf, log
from pathlib import Path
from typing import NamedTuple

from harness.simulation.line.trace import LineCourse, Pull, Segment

KNOT_SHARES = (0.1, 0.3, 0.5, 0.7, 0.9)
LEAST_SHARE = 0.01
LEAST_US = 0.01
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

    def add(self, at_ns: int, text: str) -> None:
        """Value changes with their times, from a time on."""
        if at_ns - self._begun_ns >= self._part_ns:
            self.flush()
            self._begin(at_ns)
        self._text.append(text)
        self._size += len(text)
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


class State(NamedTuple):
    """The values that the file has at a time.

    Attributes:
        high: of the level, 1 or 0.
        volts: of the voltage, as last written.
        pulled: mask of the wires that are low.
    """

    high: int
    volts: float
    pulled: int


class Rendering(NamedTuple):
    """The text of a course of the line.

    Attributes:
        text: value changes, with a place for each time.
        at_ns: those times, from the course's origin.
        after: the values at its end.
    """

    text: str
    at_ns: tuple[int, ...]
    after: State


class LineRecorder:
    """Takes the courses of the line, and writes them as they come.

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
        self._levels_v = [share * supply_v for share in KNOT_SHARES]
        self._least_v = LEAST_SHARE * supply_v
        self._places = {owner: place for place, owner in enumerate(names)}
        self._codes = [_code(place + 2) for place in range(len(names))]
        self._names = _identifiers(list(names.values()))
        self._state = State(1, supply_v, 0)
        self._file = LineFile(path, last_s, self._header)
        self._last_ns = 0
        self._until_us = 0.0

    def take(self, origin_us: float, course: LineCourse) -> None:
        """What the line did next."""
        state = self._state
        rendering = course.renderings.get(state)
        if rendering is None:
            rendering = course.renderings[state] = self._render(course)
        if rendering.at_ns:
            # rounding must not turn the end of one course and the start of the next round
            origin_ns = max(round(origin_us * 1000), self._last_ns)
            times = tuple([origin_ns + at_ns for at_ns in rendering.at_ns])
            self._file.add(origin_ns, rendering.text % times)
            self._last_ns = times[-1]
        self._state = rendering.after
        self._until_us = origin_us + course.length_us

    def flush(self) -> None:
        """Everything so far is in the file."""
        self._file.flush()

    def close(self) -> None:
        """The recording is over: the last time says how long the line stayed as it is."""
        self._last_ns = max(round(self._until_us * 1000), self._last_ns)
        self._file.add(self._last_ns, f"#{self._last_ns}\n")
        self._file.close()

    def _render(self, course: LineCourse) -> Rendering:
        """The text of a course that begins with the present values."""
        state = self._state
        pieces: list[Piece] = []
        for event in course.events:
            if isinstance(event, Pull):
                state = self._pull(event, state, pieces)
            else:
                state = self._run(event, state, pieces)
        parts: list[str] = []
        times: list[int] = []
        for at_us, line in pieces:
            at_ns = round(at_us * 1000)
            if not times or at_ns > times[-1]:
                times.append(at_ns)
                parts.append("#%d\n")
            parts.append(line.replace("%", "%%"))
        return Rendering("".join(parts), tuple(times), state)

    def _pull(self, pull: Pull, state: State, pieces: list[Piece]) -> State:
        """A device or the host begins to pull the line low, or releases it."""
        place = self._places.get(pull.owner)
        if place is None or bool(state.pulled >> place & 1) == pull.low:
            return state
        pieces.append((pull.at_us, f"{0 if pull.low else 1}{self._codes[place]}\n"))
        return state._replace(pulled=state.pulled ^ 1 << place)

    def _run(self, segment: Segment, state: State, pieces: list[Piece]) -> State:
        """The voltage runs along one exponential."""
        found: list[Piece] = []
        high = self._cross(segment, state.high, found)
        shown_v, shown_us = state.volts, -inf
        for at_us, volts, is_level in sorted(self._knots(segment)):
            if is_level and at_us - shown_us < LEAST_US:
                continue
            if abs(volts - shown_v) >= self._least_v:
                shown_v, shown_us = volts, at_us
                found.append((at_us, f'r{volts:.3g} "\n'))
        pieces += sorted(found, key=lambda piece: piece[0])
        return State(high, shown_v, state.pulled)

    def _cross(self, segment: Segment, high: int, found: list[Piece]) -> int:
        """The level after a segment, and its change, if there is one."""
        threshold_v = self._low_v if high else self._high_v
        start_v = segment.start_v + segment.induced_v
        end_v = segment.end_v + segment.induced_v

        def beyond(volts: float) -> bool:
            return volts <= threshold_v if high else volts >= threshold_v

        if beyond(start_v):
            at_us = segment.start_us
        elif beyond(end_v):
            at_us = _when(segment, threshold_v)
        else:
            return high
        found.append((at_us, f"{1 - high}!\n"))
        return 1 - high

    def _knots(self, segment: Segment) -> Iterator[tuple[float, float, bool]]:
        """Time and voltage that may be written, and whether it is a level passed."""
        start_v = segment.start_v + segment.induced_v
        end_v = segment.end_v + segment.induced_v
        low_v, high_v = min(start_v, end_v), max(start_v, end_v)
        yield segment.start_us, start_v, False
        for level_v in self._levels_v:
            if low_v < level_v < high_v:
                yield _when(segment, level_v), level_v, True
        rest_v = segment.final_v + segment.induced_v
        near_v = rest_v - self._least_v if end_v > start_v else rest_v + self._least_v
        if low_v < near_v < high_v:
            yield _when(segment, near_v), rest_v, False
        yield segment.end_us, end_v, False

    def _header(self, at_ns: int) -> str:
        state = self._state
        owners = "".join(
            f"$var wire 1 {code} {name} $end\n"
            for code, name in zip(self._codes, self._names, strict=True)
        )
        values = "".join(
            f"{1 - (state.pulled >> place & 1)}{code}\n"
            for place, code in enumerate(self._codes)
        )
        return (
            "$version slotproof, SIMULATED line $end\n$timescale 1 ns $end\n"
            '$scope module bench $end\n$var wire 1 ! line $end\n$var real 64 " volts $end\n'
            f"{owners}$upscope $end\n$enddefinitions $end\n"
            f'#{at_ns}\n$dumpvars\n{state.high}!\nr{state.volts:.3g} "\n{values}$end\n'
        )


def _when(segment: Segment, volts: float) -> float:
    """When a segment passes a voltage that lies between its ends."""
    level_v = volts - segment.induced_v
    ratio = (segment.start_v - segment.final_v) / (level_v - segment.final_v)
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
