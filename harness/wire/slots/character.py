"""One character on the wire, and the refusal when none will do."""

from __future__ import annotations

from dataclasses import dataclass

PULSE_BYTES = (0xFF, 0xFE, 0xFC, 0xF8, 0xF0, 0xE0, 0xC0, 0x80, 0x00)
"""Bytes that make exactly one low pulse; the index is the number of zero bits."""

OVERSAMPLING = 16
"""Grid of the receiver assumed where nothing is known (AVR and others: 16)."""

NEEDED_MARGIN = 0.01
"""Relative margin that the default frames keep on every limit."""


class CannotMake(ValueError):
    """No frame of this adapter does what is wanted; the message says why.

    Attributes:
        nearest_us: the nearest time that can be made, or None.
    """

    def __init__(self, why: str, *, nearest_us: float | None = None) -> None:
        super().__init__(why)
        self.nearest_us = nearest_us


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """One character on the wire.

    Attributes:
        byte: one of ``PULSE_BYTES``.
        baud: achieved rate.
        stop_bits: 1 or 2.
        oversampling: steps a bit in which the receiver finds the falling edge.
    """

    byte: int
    baud: float
    stop_bits: int = 1
    oversampling: int = OVERSAMPLING

    def __post_init__(self) -> None:
        if self.byte not in PULSE_BYTES:
            raise ValueError(f"{self.byte:02X}h makes more than one low pulse")

    @property
    def zeros(self) -> int:
        """Number of zero data bits."""
        return PULSE_BYTES.index(self.byte)

    @property
    def bit_us(self) -> float:
        """Bit time Tb."""
        return 1e6 / self.baud

    @property
    def low_us(self) -> float:
        """How long the host pulls the line low."""
        return (1 + self.zeros) * self.bit_us

    @property
    def length_us(self) -> float:
        """Whole character, stop bits included."""
        return (9 + self.stop_bits) * self.bit_us

    @property
    def high_us(self) -> float:
        """From release to the end of the character: recovery, or reset high."""
        return (8 - self.zeros + self.stop_bits) * self.bit_us

    def sample_us(self, bit: int) -> tuple[float, float]:
        """Earliest and latest instant at which data bit ``bit`` is sampled.

        Counted from the host's falling edge.
        """
        first = (bit + 1.5) * self.bit_us
        return first, first + self.bit_us / self.oversampling

    def samples_after_release_us(self) -> tuple[tuple[float, float], ...]:
        """Sample intervals of the bits above the zeros, counted from release."""
        return tuple(
            (first - self.low_us, last - self.low_us)
            for first, last in (self.sample_us(bit) for bit in range(self.zeros, 8))
        )

    def __str__(self) -> str:
        return f"{self.byte:02X}h at {self.baud:.0f} baud 8N{self.stop_bits}"
