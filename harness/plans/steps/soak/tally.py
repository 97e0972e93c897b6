"""What a soak counts.

Counts are kept, not readings, so memory stays flat over a night. What was invalid
because of the adapter is counted apart and can only end in an error, never in a
failed device.
"""

from __future__ import annotations

from collections import Counter
from copy import copy
from dataclasses import dataclass, field, fields

from harness.errors import AdapterUnplugged, DeviceError, LineError, SlotproofError
from harness.records import DeviceRef
from harness.results.soak.events import ERROR, SoakCount
from harness.results.soak.record import BUS, DeviceSoak, SoakRecord

_COUNTED = (
    SoakCount.FAILED,
    SoakCount.SPOILT,
    SoakCount.RETRIES,
    SoakCount.LOST,
    SoakCount.LOST_TOGETHER,
    SoakCount.INVALID,
    SoakCount.OUT_OF_LIMITS,
)
"""Counts of a device that the journal carries; each is a field of ``SoakTally``."""


def _field_of(name: SoakCount) -> str:
    return name.name.lower()


def _errors_in(counts: Counter[str]) -> Counter[str]:
    return Counter(
        {
            name.removeprefix(ERROR): count
            for name, count in counts.items()
            if name.startswith(ERROR)
        }
    )


@dataclass(slots=True, kw_only=True)
class SoakTally:
    """Counts of one device over a soak.

    Attributes:
        device: whose counts.
        readings: readings taken.
        failed: tries that line or device spoilt.
        spoilt: tries that the adapter spoilt, its absence apart.
        retries: tries that did not succeed and were repeated.
        lost: readings that failed in all their tries.
        lost_together: of these, the ones in rounds in which every device lost its
            reading: they say nothing of this one.
        invalid: readings given up because of the adapter.
        out_of_limits: readings that missed a limit.
        errors: how often each kind of error came.
        lowest: worst value downwards, or None.
        highest: worst value upwards, or None.
        total: sum of all readings.
        took_s: time that its tries took in this run.
        timed: rounds of this run that ``took_s`` belongs to.
    """

    device: DeviceRef
    readings: int = 0
    failed: int = 0
    spoilt: int = 0
    retries: int = 0
    lost: int = 0
    lost_together: int = 0
    invalid: int = 0
    out_of_limits: int = 0
    errors: Counter[str] = field(default_factory=Counter)
    lowest: float | None = None
    highest: float | None = None
    total: float = 0.0
    took_s: float = 0.0
    timed: int = 0

    @classmethod
    def of(cls, device: DeviceRef, before: DeviceSoak | None) -> SoakTally:
        """Empty, or with what was counted before the run was taken up again."""
        tally = cls(device=device)
        if before is not None:
            counts = before.counts
            for name in _COUNTED:
                setattr(tally, _field_of(name), counts[name])
            tally.readings = counts[SoakCount.READINGS]
            tally.errors = _errors_in(counts)
            tally.lowest, tally.highest = before.lowest, before.highest
            tally.total = before.total
        return tally

    @property
    def tries(self) -> int:
        """Times it was asked, except while the adapter was absent."""
        return self.readings + self.failed + self.spoilt

    @property
    def asked(self) -> int:
        """Tries that say something of line or device."""
        return self.readings + self.failed

    @property
    def wanted(self) -> int:
        """Readings that were wanted, except those invalid through the adapter."""
        return self.readings + self.lost

    @property
    def own_lost(self) -> int:
        """Readings lost while another device gave one."""
        return self.lost - self.lost_together

    @property
    def duration_s(self) -> float:
        """Time of all its tries; of a run before a cut as long as in this one."""
        return (
            self.took_s * (self.wanted + self.invalid) / self.timed if self.timed else 0
        )

    def counts(self) -> dict[str, int]:
        """Every count but the readings, by name."""
        return {
            **{str(name): getattr(self, _field_of(name)) for name in _COUNTED},
            **{f"{ERROR}{kind}": count for kind, count in self.errors.items()},
        }

    def blame(self, fault: SlotproofError) -> None:
        """Count a try that failed, on the side whose fault it is."""
        self.errors[fault.kind] += 1
        if isinstance(fault, LineError | DeviceError):
            self.failed += 1
        elif not isinstance(fault, AdapterUnplugged):
            self.spoilt += 1

    def take(self, value: float) -> None:
        """Count one reading."""
        self.readings += 1
        self.total += value
        self.lowest = value if self.lowest is None else min(self.lowest, value)
        self.highest = value if self.highest is None else max(self.highest, value)


@dataclass(slots=True, kw_only=True)
class SoakCounts:
    """Counts of a whole soak.

    Attributes:
        tallies: one a device.
        cycles: rounds begun.
        late_cycles: rounds that took longer than ``every_s``.
        starts: common starts of a measurement that say something of line or device.
        failed_starts: of these, the ones that failed.
        gaps: how often the adapter was away.
        gap_s: how long altogether.
        away: True if it was still away at the end.
        errors: errors that were not about one device.
        stopped: why the soak ended early; empty if it did not.
        elapsed_s: time under test, all runs together.
    """

    tallies: list[SoakTally]
    cycles: int = 0
    late_cycles: int = 0
    starts: int = 0
    failed_starts: int = 0
    gaps: int = 0
    gap_s: float = 0.0
    away: bool = False
    errors: Counter[str] = field(default_factory=Counter)
    stopped: str = ""
    elapsed_s: float = 0.0

    @classmethod
    def of(cls, devices: list[DeviceRef], before: SoakRecord | None) -> SoakCounts:
        """Empty, or with what was counted before the run was taken up again."""
        known = before.devices if before else {}
        counts = cls(tallies=[SoakTally.of(d, known.get(d.rom_code)) for d in devices])
        if before is not None:
            counts.cycles = before.cycles
            counts.late_cycles = before.bus[SoakCount.LATE]
            counts.starts = before.bus[SoakCount.STARTS]
            counts.failed_starts = before.bus[SoakCount.FAILED]
            counts.gaps, counts.gap_s = before.gap_count, before.gap_s
            counts.errors = _errors_in(before.bus)
        return counts

    def kept(self) -> list[SoakTally]:
        """Each device's counts as they are now, to go back to."""
        copies = [copy(tally) for tally in self.tallies]
        for one in copies:
            one.errors = Counter(one.errors)
        return copies

    def go_back(self, kept: list[SoakTally]) -> None:
        """A round that the adapter left unfinished counts nothing: it is done again."""
        for tally, before in zip(self.tallies, kept, strict=True):
            for one in fields(SoakTally):
                setattr(tally, one.name, getattr(before, one.name))

    def round_over(self, lost: list[SoakTally]) -> None:
        """Count the losses of a round that all devices shared; one device shares nothing."""
        if len(lost) == len(self.tallies) > 1:
            for tally in lost:
                tally.lost_together += 1

    @property
    def lost_rounds(self) -> int:
        """Rounds in which every device lost its reading."""
        return min((tally.lost_together for tally in self.tallies), default=0)

    @property
    def asked(self) -> int:
        """Tries that say something of line or devices."""
        return self.starts + sum(tally.asked for tally in self.tallies)

    @property
    def failed(self) -> int:
        """Of these, the ones that failed."""
        return self.failed_starts + sum(tally.failed for tally in self.tallies)

    def by_device(self) -> dict[str, dict[str, int]]:
        """Every count but the readings: by ROM code, and those of the bus."""
        bus = {
            SoakCount.LATE: self.late_cycles,
            SoakCount.STARTS: self.starts,
            SoakCount.FAILED: self.failed_starts,
            **{f"{ERROR}{kind}": count for kind, count in self.errors.items()},
        }
        return {BUS: bus} | {t.device.rom_code: t.counts() for t in self.tallies}

    def errors_of(self, kind: str) -> int:
        """How often a kind of error came, everywhere."""
        return self.errors[kind] + sum(tally.errors[kind] for tally in self.tallies)
