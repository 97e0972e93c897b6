"""Checks: what a family can do beyond reading a quantity, and the options they take.

A check is a row with a function. Its options are declared, so that a plan's mistakes
are found while it is loaded; what the function gets is already parsed.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any, Self, TypedDict, Unpack

from harness.errors import UsageError
from harness.families.hazard import Hazard
from harness.families.secret import Secret
from harness.families.session import Session
from harness.records import Measurement, Scalar

_HEX_BYTES = re.compile(r"(?:[0-9A-Fa-f]{2}[ :]?)*[0-9A-Fa-f]{2}")
_SECRET_SOURCE = re.compile(r"(?:env:[A-Za-z_][A-Za-z0-9_]*|file:.+)")


class OptionKind(StrEnum):
    """How an option is written in a plan; the value is what messages call it.

    Example:
        >>> import harness
        >>> str(harness.OptionKind.WHOLE)
        'a whole number'
    """

    NUMBER = "a number"
    WHOLE = "a whole number"
    TEXT = "a text"
    TRUTH = "true or false"
    BYTES = "bytes in hex, such as 01 A5"
    FILE = "the path of a file"
    SECRET = "env:NAME or file:PATH"
    RECORD = "the name of a record of the plan"


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordToWrite:
    """A record of the plan, in bytes for one device.

    Attributes:
        name: of the layout.
        data: the bytes; of another device they may be others.
        compare: the fields of what was read, beside those of wanted bytes, if any.
        before_sending: called before its first bit goes to a device, with True if the
            device holds something else, which will be lost.
    """

    name: str
    data: bytes
    compare: Callable[[bytes, bytes], Sequence[Measurement]]
    before_sending: Callable[[bool], None]


class _More(TypedDict, total=False):
    """What an option may have beside name, kind and sentence."""

    default: Scalar | bytes | None
    required: bool
    low: float | None
    high: float | None
    choices: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Option:
    """One option of a check.

    Attributes:
        name: as plans write it, unit included where it has one (``hold_ms``).
        kind: how it is written.
        about: one sentence for people.
        default: value if the plan gives none; None if it may stay open.
        required: True if the plan must give one.
        low: lowest allowed number.
        high: highest allowed number.
        choices: the only texts allowed, if not empty.

    Example:
        >>> import harness
        >>> kind = harness.OptionKind.WHOLE
        >>> times = harness.Option(name="times", kind=kind, about="how often", low=1, high=9)
        >>> times.parse(3), times.expected
        (3, 'a whole number from 1 up to 9')
    """

    name: str
    kind: OptionKind
    about: str
    default: Scalar | bytes | None = None
    required: bool = False
    low: float | None = None
    high: float | None = None
    choices: tuple[str, ...] = ()

    @classmethod
    def number(cls, name: str, about: str, **more: Unpack[_More]) -> Self:
        """One of kind NUMBER."""
        return cls(name=name, kind=OptionKind.NUMBER, about=about, **more)

    @classmethod
    def whole(cls, name: str, about: str, **more: Unpack[_More]) -> Self:
        """One of kind WHOLE."""
        return cls(name=name, kind=OptionKind.WHOLE, about=about, **more)

    @classmethod
    def text(cls, name: str, about: str, **more: Unpack[_More]) -> Self:
        """One of kind TEXT."""
        return cls(name=name, kind=OptionKind.TEXT, about=about, **more)

    @classmethod
    def truth(cls, name: str, about: str, **more: Unpack[_More]) -> Self:
        """One of kind TRUTH."""
        return cls(name=name, kind=OptionKind.TRUTH, about=about, **more)

    @classmethod
    def data(cls, name: str, about: str, **more: Unpack[_More]) -> Self:
        """One of kind BYTES."""
        return cls(name=name, kind=OptionKind.BYTES, about=about, **more)

    @classmethod
    def file(cls, name: str, about: str, **more: Unpack[_More]) -> Self:
        """One of kind FILE."""
        return cls(name=name, kind=OptionKind.FILE, about=about, **more)

    @classmethod
    def secret(cls, name: str, about: str, **more: Unpack[_More]) -> Self:
        """One of kind SECRET."""
        return cls(name=name, kind=OptionKind.SECRET, about=about, **more)

    @classmethod
    def record(cls, name: str, about: str, **more: Unpack[_More]) -> Self:
        """One of kind RECORD."""
        return cls(name=name, kind=OptionKind.RECORD, about=about, **more)

    @property
    def expected(self) -> str:
        """What a right value looks like, in words."""
        if self.choices:
            return f"one of {', '.join(self.choices)}"
        bounds = [
            f"{word} {bound:g}"
            for word, bound in (("from", self.low), ("up to", self.high))
            if bound is not None
        ]
        return " ".join((str(self.kind), *bounds))

    def parse(self, raw: object) -> Scalar | bytes:
        """A plan's value as the check gets it.

        FILE and SECRET stay the text that names them; the caller of the check fetches
        what is behind. A refused secret is never repeated.

        Raises:
            UsageError: with ``what`` and the expected form as ``hint``.
        """
        value = _PARSERS[self.kind](raw)
        if value is None or (self.choices and value not in self.choices):
            shown = "" if self.kind is OptionKind.SECRET else f" {raw!r}"
            raise UsageError(
                f"option {self.name} does not take this value{shown}",
                hint=f"expected {self.expected}",
            )
        number = _number(value)
        if number is not None and not self._is_within(number):
            raise UsageError(
                f"option {self.name} is {number:g}", hint=f"expected {self.expected}"
            )
        return value

    def _is_within(self, number: float) -> bool:
        low = -math.inf if self.low is None else self.low
        high = math.inf if self.high is None else self.high
        return low <= number <= high


def _number(raw: object) -> float | None:
    is_number = isinstance(raw, int | float) and not isinstance(raw, bool)
    return raw if is_number else None  # type: ignore[return-value]


def _whole(raw: object) -> Scalar | None:
    number = _number(raw)
    if number is None or number != int(number):
        return None
    return int(number)


def _text(raw: object) -> Scalar | None:
    return raw if isinstance(raw, str) and raw else None


def _truth(raw: object) -> Scalar | None:
    return raw if isinstance(raw, bool) else None


def _bytes(raw: object) -> bytes | None:
    if isinstance(raw, str) and _HEX_BYTES.fullmatch(raw):
        return bytes.fromhex(raw.replace(":", ""))
    return None


def _secret_source(raw: object) -> Scalar | None:
    return raw if isinstance(raw, str) and _SECRET_SOURCE.fullmatch(raw) else None


_PARSERS: dict[OptionKind, Callable[[object], Scalar | bytes | None]] = {
    OptionKind.NUMBER: _number,
    OptionKind.WHOLE: _whole,
    OptionKind.TEXT: _text,
    OptionKind.TRUTH: _truth,
    OptionKind.BYTES: _bytes,
    OptionKind.FILE: _text,
    OptionKind.SECRET: _secret_source,
    OptionKind.RECORD: _text,
}


class Options:
    """Values of a check's options, by name, each with the type its kind promises.

    Every declared option is there; one without value and default is absent, which
    ``given`` says whether it is there.

    Example:
        >>> import harness
        >>> options = harness.Options({"times": 3})
        >>> options.whole("times"), options.given("data")
        (3, False)
    """

    __slots__ = ("_values",)

    def __init__(
        self, values: Mapping[str, Scalar | bytes | Secret | RecordToWrite]
    ) -> None:
        self._values = dict(values)

    def given(self, name: str) -> bool:
        """True if the option has a value, from the plan or by default."""
        return name in self._values

    def number(self, name: str) -> float:
        """A NUMBER."""
        value = self._values[name]
        assert isinstance(value, int | float)
        return float(value)

    def whole(self, name: str) -> int:
        """A WHOLE."""
        value = self._values[name]
        assert isinstance(value, int)
        return value

    def text(self, name: str) -> str:
        """A TEXT."""
        value = self._values[name]
        assert isinstance(value, str)
        return value

    def truth(self, name: str) -> bool:
        """A TRUTH."""
        value = self._values[name]
        assert isinstance(value, bool)
        return value

    def data(self, name: str) -> bytes:
        """BYTES, or the content of a FILE."""
        value = self._values[name]
        assert isinstance(value, bytes)
        return value

    def record(self, name: str) -> RecordToWrite:
        """A RECORD, with the values of the unit in hand."""
        value = self._values[name]
        assert isinstance(value, RecordToWrite)
        return value

    def secret(self, name: str) -> Secret:
        """A SECRET, fetched."""
        value = self._values[name]
        assert isinstance(value, Secret)
        return value


@dataclass(frozen=True, slots=True, kw_only=True)
class Findings:
    """What a check found: values with their limits, and plain facts behind them.

    The check passes if every value holds. Whatever a device does wrong on the way
    is raised, never returned.

    Attributes:
        measurements: the values.
        evidence: plain facts behind them.
        cause: where the fault sits if a value does not hold, in a word of the diagnosis,
            where the family knows; else empty.
        hint: what to try first then; a general advice if empty.

    Example:
        >>> import harness
        >>> value = harness.Measurement(name="retries", value=0, high=2)
        >>> harness.Findings(measurements=(value,)).measurements[0].holds
        True
    """

    measurements: tuple[Measurement, ...] = ()
    evidence: dict[str, Any] = field(default_factory=dict)
    cause: str = ""
    hint: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    """Something a family can be put to.

    Attributes:
        name: as plans write it.
        about: one sentence for people.
        run: does it; raises DeviceError, LineError, UsageError.
        options: by name.
        hazards: each must be named in the plan and allowed on the command line.
        expected_s: rough time on one device, for the progress display.
        leaves: names of quantities and checks of the family that show what it left; a
            plan that has it before them means them to.

    Example:
        >>> import harness
        >>> def present(session, options):
        ...     session.verify()
        ...     return harness.Findings()
        >>> harness.Check(name="present", about="it takes part", run=present).is_confidential
        False
    """

    name: str
    about: str
    run: Callable[[Session, Options], Findings]
    options: Mapping[str, Option] = field(default_factory=dict)
    hazards: frozenset[Hazard] = frozenset()
    expected_s: float = 0.1
    leaves: frozenset[str] = frozenset()

    @property
    def is_confidential(self) -> bool:
        """True if a secret goes over the wire: no echoes are kept as evidence."""
        return any(o.kind is OptionKind.SECRET for o in self.options.values())


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """A step that a plug-in offers to plans: ``plug_in: {step: NAME, with: {...}}``.

    Attributes:
        name: as plans write it.
        about: one sentence for people.
        run: does it with the sessions of all devices meant, in the fixture's order, of a
            ``for_each`` of one; raises DeviceError, LineError, UsageError.
        options: by name; none of them a secret or a record.
        hazards: each must be named in the plan and allowed on the command line.
        expected_s: rough time, for the progress display.

    Example:
        >>> import harness
        >>> def same_family(sessions, options):
        ...     codes = {session.rom.family for session in sessions}
        ...     value = harness.Measurement(name="families", value=len(codes), high=1)
        ...     return harness.Findings(measurements=(value,))
        >>> harness.Step(name="same_family", about="one kind only", run=same_family).hazards
        frozenset()
    """

    name: str
    about: str
    run: Callable[[Sequence[Session], Options], Findings]
    options: Mapping[str, Option] = field(default_factory=dict)
    hazards: frozenset[Hazard] = frozenset()
    expected_s: float = 1.0
