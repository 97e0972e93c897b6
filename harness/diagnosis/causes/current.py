"""Rules about battery parts: what their current register shows where none flows.

Whether none flows only the bench knows: the fixture declares it (``no_load``), and the
check ``current_offset`` supposes it.

Worked example, computed from the data sheet of family 26h (part DS2438): raw +3 over
25 mohm is +29 mA, 0.70 Ah a day; trim -3 shifted left by three is FFE8h, bytes E8 FF.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from statistics import fmean

from harness.diagnosis.evidence.bus import Evidence
from harness.diagnosis.finding import Cause, Finding, FindingSeverity
from harness.families.batteries.sense_resistor import MOST_MOVE
from harness.families.kind_facts import KindFacts

_MOST_COUNTS = 2.0
"""Offset that a trimmed converter may show (common practice)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Current:
    """Counts of one part, and what makes amperes of them."""

    name: str
    rom_code: str
    counts: tuple[float, ...]
    facts: KindFacts
    trim_now: float | None

    @property
    def mean(self) -> float:
        return fmean(self.counts)

    @property
    def spread(self) -> float:
        return max(self.counts) - min(self.counts)

    def measured(self) -> tuple[str, ...]:
        """Raw, in amperes where the resistor is known, and a day of it."""
        microvolt = self.mean * (self.facts.count_uv or 0.0)
        raw = (
            f"mean of {len(self.counts)} readings {self.mean:+.1f} counts, they move by "
            f"{self.spread:.0f}"
        )
        mohm = self.facts.sense_mohm
        if not mohm:
            return (
                raw,
                f"{microvolt:+.0f} uV at the sense resistor; give expect.sense_mohm for mA",
            )
        ampere = microvolt / 1000 / mohm
        return (
            raw,
            f"{ampere * 1000:+.0f} mA = {ampere * 24:+.2f} Ah a day over {mohm:g} mohm",
        )

    def trim(self) -> str:
        """What to write into the offset register, in words and bytes."""
        register = self.facts.trim
        if register is None:
            return (
                f"take {self.mean:+.1f} counts off every reading: no register does it"
            )
        now = self.trim_now or 0.0
        counts = round(now) - round(self.mean)
        return (
            f"write trim {counts:+d} to {register.place}: bytes "
            f"{register.encoded(counts).hex(' ').upper()} (check offset_trim does where the kind has it), "
            "then average again"
        )


def current_at_no_load(evidence: Evidence) -> Iterator[Finding]:
    """A part of which the fixture says that no current flows through it."""
    for current in _currents(evidence):
        if current.rom_code in evidence.expected.no_load:
            yield from _judged(current)
        elif abs(current.mean) > _MOST_COUNTS:
            yield Finding(
                cause=Cause.UNDECIDED,
                kind="current-flows",
                summary=f"{current.name} shows a current; whether one flows only the bench knows",
                measured=current.measured(),
                discriminators=(
                    f"{Cause.CONFIGURATION} current-offset: it stays with the load open and "
                    "the sense wires at the resistor itself (Kelvin connection)",
                    "a real load: it goes with the load",
                ),
                try_first="open the load first, say expect.no_load: true in the fixture, "
                "and examine again",
                device=current.rom_code,
                severity=FindingSeverity.NOTE,
            )


def failed_offset(evidence: Evidence) -> Iterator[Finding]:
    """The check of the offset did not pass; it supposes that the load is open."""
    failed = evidence.failed
    if failed is None or "offset" not in failed.values:
        return
    facts = failed.facts
    if counts := facts.counts or facts.trimmed:
        current = _Current(
            name=failed.name,
            rom_code=failed.device,
            counts=counts,
            facts=facts,
            trim_now=_trim_now(evidence, failed.device, facts),
        )
        yield from _judged(current)


def _judged(current: _Current) -> Iterator[Finding]:
    if current.spread > MOST_MOVE:
        yield Finding(
            cause=Cause.DEVICE,
            kind="current-moves",
            summary=f"the current of {current.name} moves although none flows: no trim can "
            "take that away",
            measured=current.measured(),
            ruled_out=("a constant offset: readings differ by more than two steps",),
            discriminators=(
                f"{Cause.BUS_WIRING}: sense wires that carry load current or pick up noise; "
                "short the sense inputs at the device",
            ),
            try_first="short the two sense inputs at the device; if it still moves replace it",
            device=current.rom_code,
        )
    elif abs(current.mean) > _MOST_COUNTS:
        yield Finding(
            cause=Cause.CONFIGURATION,
            kind="current-offset",
            summary=f"{current.name} shows a current at no load: its converter's offset is not "
            "trimmed",
            measured=current.measured(),
            ruled_out=(
                f"a moving converter: readings stay within {current.spread:.0f} steps",
            ),
            try_first=current.trim(),
            device=current.rom_code,
        )


def _currents(evidence: Evidence) -> Iterator[_Current]:
    for device in evidence.devices:
        seen = device.reading("current_counts")
        if seen is not None and seen.numbers:
            yield _Current(
                name=device.name,
                rom_code=device.rom_code,
                counts=tuple(seen.numbers),
                facts=seen.facts,
                trim_now=_trim_now(evidence, device.rom_code, seen.facts),
            )


def _trim_now(evidence: Evidence, rom_code: str, facts: KindFacts) -> float | None:
    """The trim in force, as the part's own quantity says."""
    register = facts.trim
    device = next((d for d in evidence.devices if d.rom_code == rom_code), None)
    if device is None or register is None:
        return None
    seen = device.reading(register.quantity)
    return seen.numbers[-1] if seen is not None and seen.numbers else None
