"""Facts that a family states behind a value or an error, and that a diagnosis uses.

A family states them with ``stated``, among whatever else it keeps as evidence: the
journal has plain keys. A diagnosis takes them back as a ``KindFacts``
(``diagnosis.evidence.kinds``). Neither side spells a key, so a misspelt field is a type
error. What is not stated is None or empty.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from typing import Any

from harness.records import Scalar

NOT_AS_SHEET = "does not behave as its data sheet says"
"""How a note begins that is a finding about the device."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StoreFacts:
    """A copy of staged data into memory, that failed.

    Attributes:
        address: of the first byte.
        row: bytes of a row, of which only whole ones are stored.
        wanted: status that the part shows before the copy.
        done: end bytes that mean "stored", in hex.
        check: True if a check value proved what was staged; None if that was not asked.
        status: status after the copy, in hex.
        end: end byte of the copy, in hex.
        staged: what the scratchpad held.
        sent: what was sent to it.
        read: what memory holds.
        protected: why this row takes nothing, in words.
        protection: the protection bytes.
    """

    address: int = 0
    row: int = 1
    wanted: int = 7
    done: str = "AA"
    check: bool | None = None
    status: str = ""
    end: str = ""
    staged: str = ""
    sent: str = ""
    read: str = ""
    protected: str = ""
    protection: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelFacts:
    """An output: its latch (1 is transistor off) and the level of its pin."""

    latch: int
    pin: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Trim:
    """A register whose content is added to every current.

    Attributes:
        quantity: by which it is read, in counts.
        place: where it stands, in words.
        shift: unused bits below it.
        size: bytes that it takes, the low one first.
    """

    quantity: str
    place: str
    shift: int
    size: int

    def encoded(self, counts: int) -> bytes:
        """A trim as it stands in the register, low byte first."""
        raw = counts << self.shift & (1 << 8 * self.size) - 1
        return raw.to_bytes(self.size, "little")


@dataclass(frozen=True, slots=True, kw_only=True)
class KindFacts:
    """What a family states.

    Attributes:
        oscillator: ``on`` or ``off``.
        byte: the byte that switches it, in hex.
        place: its bit, and which value runs it.
        mission: True if a mission runs.
        cleared: True if the memory of missions is cleared.
        samples: taken in this mission.
        samples_due: that should have been taken by now.
        period_s: between two samples.
        since_start_s: since the start of the mission, by the device's clock.
        store: a store that failed.
        channels: outputs by name.
        count_uv: sense voltage of one count of a current.
        sense_mohm: the sense resistor in force.
        trim: the offset register of a current.
        counts: single readings of a current.
        trimmed: those after a trim.
        quantity: what each match changes.
        before: its value before a step.
        after: its value after it.
        matches: how often the step addressed the device.
        matched_by: number of a step -> matches in this run.
        restart: what shows that the device restarted.
        heard: command and address that a device heard, in hex, where its answer shows it.
        meant: what was sent instead.
    """

    oscillator: str = ""
    byte: str = ""
    place: str = ""
    mission: bool | None = None
    cleared: bool | None = None
    samples: int | None = None
    samples_due: int | None = None
    period_s: float | None = None
    since_start_s: float | None = None
    store: StoreFacts | None = None
    channels: dict[str, ChannelFacts] = field(default_factory=dict)
    count_uv: float | None = None
    sense_mohm: float | None = None
    trim: Trim | None = None
    counts: tuple[float, ...] = ()
    trimmed: tuple[float, ...] = ()
    quantity: str = ""
    before: Scalar | None = None
    after: Scalar | None = None
    matches: int | None = None
    matched_by: dict[str, int] = field(default_factory=dict)
    restart: str = ""
    heard: str = ""
    meant: str = ""


def stated(facts: KindFacts) -> dict[str, Any]:
    """The facts that are there, as plain JSON types."""
    return _without_empty(asdict(facts))


def store_of(plain: Mapping[str, Any]) -> StoreFacts | None:
    """The failed store among plain facts that ``stated`` made; None if there is none."""
    store = plain.get("store")
    return None if store is None else StoreFacts(**store)


def _without_empty(plain: Mapping[str, Any]) -> dict[str, Any]:
    """Without fields that hold nothing; 0 and false are values."""
    return {
        key: _without_empty(value) if isinstance(value, dict) else value
        for key, value in plain.items()
        if value is not None and value not in ("", (), {})
    }
