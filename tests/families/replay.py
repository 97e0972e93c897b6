"""A device as it answered once on a sound line, with one bit of its answers flipped.

What a family does with an answer is all that matters here, so the line is left out: a
run over every bit of a long answer takes milliseconds.
"""

from __future__ import annotations

from enum import StrEnum
from typing import Any, cast

from harness.driver.session import DeviceSession
from harness.errors import DeviceAbsent, DeviceError, LineError, UsageError
from harness.families.check import Findings

_ASKING = (
    "transact",
    "resume",
    "unselected",
    "more",
    "transact_bits",
    "read_bits",
    "meets_condition",
    "is_alone",
)
_BITS = {"transact_bits", "read_bits"}
Asked = tuple[str, tuple[Any, ...]]


class Outcome(StrEnum):
    """What a flipped bit comes to."""

    CAUGHT = "an error"
    NO_DIFFERENCE = "the same is said"
    UNSEEN = "another value, and no error"


class Recorder:
    """A session that keeps what was asked and answered."""

    def __init__(self, session: DeviceSession) -> None:
        self.plain = session
        self.known = dict(session.memory)
        self.answers: list[tuple[Asked, Any]] = []

    @property
    def session(self) -> DeviceSession:
        """As the session that it listens to."""
        return cast(DeviceSession, self)

    @property
    def bits(self) -> int:
        """Of all answers."""
        return sum(_size(asked, answer) for asked, answer in self.answers)

    def __getattr__(self, name: str) -> Any:  # noqa: ANN401 - as the session's
        whole = getattr(self.plain, name)
        if name not in _ASKING:
            return whole

        def asked(*args: Any, **named: Any) -> Any:  # noqa: ANN401
            answer = whole(*args, **named)
            key = (name, (*args, *sorted(named.items())))
            self.answers.append((key, answer))
            return answer

        return asked


def _size(asked: Asked, answer: Any) -> int:  # noqa: ANN401 - bytes or bits
    if isinstance(answer, bool):
        return 0  # by a search, whose bits the driver proves
    return len(answer) * (1 if asked[0] in _BITS else 8)


class Replay:
    """Answers as recorded, one bit of all flipped.

    What is asked once more, as after an error, is answered as it was the last time. What
    was never asked on a sound line means that the driver went another way: absence.
    """

    def __init__(self, record: Recorder, bit: int) -> None:
        self.rom = record.plain.rom
        self.clock = record.plain.clock
        self.loop_backs = record.plain.loop_backs
        self.seat_doubt = ""
        self.memory: dict[str, Any] = dict(record.known)
        self._last = dict(record.answers)
        self._left = []
        for asked, answer in record.answers:
            size = _size(asked, answer)
            flips = 0 <= bit < size
            self._left.append((asked, _flip(asked, answer, bit) if flips else answer))
            bit -= size

    def __getattr__(self, name: str) -> Any:  # noqa: ANN401 - as the session's
        if name in _ASKING:
            return lambda *args, **named: self._answer(
                (name, (*args, *sorted(named.items())))
            )
        return lambda *_, **__: None

    def _answer(self, asked: Asked) -> Any:  # noqa: ANN401 - bytes or bits
        if self._left and self._left[0][0] == asked:
            return self._left.pop(0)[1]
        if asked not in self._last:
            raise DeviceAbsent(f"{asked} was never asked on a sound line")
        return self._last[asked]


def _flip(asked: Asked, answer: Any, bit: int) -> Any:  # noqa: ANN401 - bytes or bits
    if asked[0] in _BITS:
        return [level ^ (place == bit) for place, level in enumerate(answer)]
    changed = bytearray(answer)
    changed[bit // 8] ^= 1 << bit % 8
    return bytes(changed)


def said(found: object) -> object:
    """What a job says, without the evidence behind it and without times.

    Nothing takes time here but the driver's own waiting, so a check's times differ.
    """
    if not isinstance(found, Findings):
        return found
    return [m for m in found.measurements if m.unit not in {"ms", "s"}]


def _holds(found: object) -> bool:
    return not isinstance(found, Findings) or all(m.holds for m in found.measurements)


def flipped(record: Recorder, job: Any, wanted: object, bit: int) -> Outcome:  # noqa: ANN401
    """Do a job over again with one bit of all answers flipped."""
    try:
        found = job(Replay(record, bit))
    except (DeviceError, LineError, UsageError):
        # a flipped bit can turn a part into one that a plan asks too much of
        return Outcome.CAUGHT
    if _holds(wanted) and not _holds(found):
        return Outcome.CAUGHT
    same = said(found) == said(wanted)
    return Outcome.NO_DIFFERENCE if same else Outcome.UNSEEN
