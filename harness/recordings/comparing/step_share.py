"""During which steps of a run the values outside a limit came.

A run that measures limits goes beyond them on purpose, and an adapter's self-check sends
characters that are no slots: a reader has to tell these from a fault of the host.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence

import numpy as np

from harness.recordings.comparing.held import HeldCharacters
from harness.recordings.record.quantity import JudgedQuantity, LimitStanding
from harness.recordings.record.sentences import quantity_name

NO_STEP = "outside any step, such as the adapter's self-check"


def step_sentences(
    quantities: Iterable[JudgedQuantity],
    held: HeldCharacters,
    steps: Sequence[str],
) -> Iterator[str]:
    """One sentence for each quantity that is outside its limits.

    Args:
        quantities: of the recording, judged.
        held: the characters of the run that were found in it.
        steps: in which step each burst of the run was sent, by its number; empty for
            one that belongs to none.
    """
    if not held:
        return
    starts_s = held.starts_s()
    order = np.argsort(starts_s, kind="stable")
    starts_s = starts_s[order]
    for judged in quantities:
        if judged.standing is LimitStanding.OUTSIDE:
            times_s = [instant.at_s for instant in judged.worst]
            indices = np.searchsorted(starts_s, times_s, side="right") - 1
            of_step = Counter(
                steps[held[int(order[at])].burst] if at >= 0 else "" for at in indices
            )
            yield _sentence(judged, of_step)


def _sentence(judged: JudgedQuantity, of_step: Counter[str]) -> str:
    """How many of the worst values came in each step, most first."""
    shares = [f"{n} {step or NO_STEP}" for step, n in of_step.most_common()]
    shown = len(judged.worst)
    part = f" (the worst {shown} of {judged.outside})" if shown < judged.outside else ""
    return f"{quantity_name(judged.row)} outside its limits{part}: {', '.join(shares)}"
