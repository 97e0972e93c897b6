"""What is counted while a recording is read, so that memory stays bounded."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from harness.recordings.decoding.slots import LowKind
from harness.wire.romcode import RomCode


@dataclass(slots=True)
class TraceCounts:
    """Counts of all transactions so far; lists are kept of the first ones only."""

    kinds: NDArray[np.int64] = field(
        default_factory=lambda: np.zeros(len(LowKind), np.int64)
    )
    answered: int = 0
    checks: int = 0
    fast: bool = False
    wrong_count: int = 0
    transactions: int = 0
    longest_pause: int = 0
    unclear: int = 0
    missed: int = 0
    commands: int = 0
    rom_commands: int = 0
    low_ticks: int = 0
    of_rom: dict[RomCode, list[int]] = field(default_factory=dict)
    """Transactions and CRCs that hold, of each device that was addressed alone."""
