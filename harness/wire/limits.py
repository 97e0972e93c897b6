"""Published time limits of the bus, as data.

Each row keeps the cautious limit that this harness enforces and the source it
was taken from. Times in microseconds; ``None`` means no limit on that side.

Sources, by tag:
    S1 data sheet, family-2Dh EEPROM (part DS2431), electrical tables p. 2-3
    S2 data sheet, family-43h EEPROM (part DS28EC20), p. 1-5
    S3 data sheet, dual switch family 3Ah (part DS2413), p. 2-3
    S4 data sheet, memory button (parts DS1996, DS1992/1993), p. 13-18
    S6 data sheet, family-28h thermometer (part DS18B20), p. 19, 25
    S13 data sheet, overdrive-only EEPROM (part DS28E05), p. 2
"""

from dataclasses import dataclass, replace


@dataclass(frozen=True, slots=True, kw_only=True)
class Limit:
    """One time limit: it must lie from ``low_us`` to ``high_us``."""

    name: str
    low_us: float | None = None
    high_us: float | None = None
    source: str

    def margin(self, value_us: float) -> float:
        """Relative distance of ``value_us`` to the nearer limit; negative outside.

        0.05 means that the value may move by 5 % of the limit before it breaks it.
        """
        sides = []
        if self.low_us is not None and self.low_us > 0:
            sides.append(value_us / self.low_us - 1)
        if self.high_us is not None:
            sides.append(1 - value_us / self.high_us)
        return min(sides, default=float("inf"))

    def holds(self, value_us: float) -> bool:
        """True if the value lies inside the limits (the limits belong to it)."""
        return (self.low_us is None or value_us >= self.low_us) and (
            self.high_us is None or value_us <= self.high_us
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class SpeedLimits:
    """All limits of one bus speed.

    ``rise_allowance_us`` is the rise of the line that the default reset frame must
    leave room for: our choice, below the rise that the slots bear.
    """

    name: str
    reset_low: Limit
    reset_high: Limit
    presence_wait: Limit
    presence_low: Limit
    presence_sample: Limit
    slot: Limit
    write_1_low: Limit
    write_0_low: Limit
    read_sample: Limit
    recovery: Limit
    device_sample: Limit
    read_0_low: Limit
    rise_allowance_us: float


STANDARD = SpeedLimits(
    name="standard",
    reset_low=Limit(name="reset low", low_us=480, high_us=640, source="S1"),
    reset_high=Limit(name="reset high", low_us=480, source="S4 S6"),
    presence_wait=Limit(name="presence wait", low_us=15, high_us=60, source="S1 S6"),
    presence_low=Limit(name="presence low", low_us=60, high_us=240, source="S1 S6"),
    presence_sample=Limit(name="presence sample", low_us=60, high_us=75, source="S1"),
    slot=Limit(name="time slot", low_us=65, source="S1"),
    write_1_low=Limit(name="write-1 low", low_us=5, high_us=15, source="S1 S3"),
    write_0_low=Limit(name="write-0 low", low_us=60, high_us=120, source="S1"),
    read_sample=Limit(name="read sample", high_us=15, source="S1 S6"),
    recovery=Limit(name="recovery", low_us=5, source="S1"),
    device_sample=Limit(name="device sample", low_us=15, high_us=60, source="S6"),
    read_0_low=Limit(name="read-0 low", low_us=15, high_us=60, source="S4 S6"),
    rise_allowance_us=2.0,
)

LOW_VOLTAGE_WRITE_0 = Limit(
    name="write-0 low, switch part below 4.5 V", low_us=62, high_us=120, source="S3"
)
LOW_VOLTAGE_SLOT = Limit(
    name="time slot, switch part below 4.5 V", low_us=67, source="S3"
)

OVERDRIVE = SpeedLimits(
    name="overdrive",
    reset_low=Limit(name="reset low", low_us=48, high_us=80, source="S1 S4"),
    reset_high=Limit(name="reset high", low_us=48, source="S4"),
    presence_wait=Limit(name="presence wait", low_us=2, high_us=6, source="S1 S4"),
    presence_low=Limit(name="presence low", low_us=7, high_us=24, source="S1 S4"),
    presence_sample=Limit(name="presence sample", low_us=8, high_us=10, source="S1 S3"),
    slot=Limit(name="time slot", low_us=8, source="S1"),
    write_1_low=Limit(name="write-1 low", low_us=1, high_us=2, source="S1 S3 S4"),
    write_0_low=Limit(name="write-0 low", low_us=8, high_us=15.5, source="S1 S3"),
    read_sample=Limit(name="read sample", high_us=2, source="S1 S4"),
    recovery=Limit(name="recovery", low_us=2, source="S1"),
    device_sample=Limit(name="device sample", low_us=2, high_us=6, source="S4"),
    read_0_low=Limit(name="read-0 low", low_us=2, high_us=6, source="S4"),
    rise_allowance_us=0.5,
)
"""Overdrive as current memories allow it: slots from 8 us, 2 us of recovery."""

OVERDRIVE_STRICT = replace(
    OVERDRIVE,
    name="overdrive, strict",
    slot=Limit(name="time slot", low_us=13, source="S13"),
    recovery=Limit(name="recovery", low_us=5, source="S2"),
)
"""Overdrive that every part bears: slots from 13 us, 5 us of recovery."""
