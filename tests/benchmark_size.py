"""How large the tables of ``tests/benchmarks`` are, and which random numbers they use.

``SLOTPROOF_LOTS``, ``SLOTPROOF_NIGHTS``, ``SLOTPROOF_CHARTS`` and ``SLOTPROOF_STUDIES`` are
counts of simulated lots, nights, charted lists and gauge studies, ``SLOTPROOF_ROWS`` of rows
of a file; ``SLOTPROOF_SEED`` starts other random numbers, so that a
method can be tried on lots that nobody has tuned it on.
"""

from __future__ import annotations

import os
import sys

import numpy as np

SEED = int(os.environ.get("SLOTPROOF_SEED", "0"))


def wanted(name: str, usual: int) -> int:
    """The count of the environment variable ``SLOTPROOF_<name>``, else the usual one."""
    return int(os.environ.get(f"SLOTPROOF_{name}", str(usual)))


def chance(*key: int) -> np.random.Generator:
    """Random numbers of one cell of a table."""
    return np.random.default_rng([SEED, *key])


def say(*words: object) -> None:
    """One line of a table, at once."""
    sys.stdout.write(" ".join(map(str, words)) + "\n")
    sys.stdout.flush()
