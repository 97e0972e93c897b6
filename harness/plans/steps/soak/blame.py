"""Whose losses they are: which device stands behind the counts of a soak.

A round in which every device lost its reading says nothing of any of them: line, supply
or adapter come first. What a device lost while another gave a reading is its own.
"""

from __future__ import annotations

from harness.errors import CheckValueWrong
from harness.lazy import stats
from harness.plans.schema.soak import Soak
from harness.plans.steps.soak.tally import SoakCounts, SoakTally

_ALPHA = 0.01
_MOST_NAMED = 4


def own(tally: SoakTally, name: str) -> int:
    """A device's own share of a count of the bus, by the count's name."""
    return {
        "lost_readings": tally.own_lost,
        "retries": tally.retries,
        "failed": tally.failed,
        "check_values": tally.errors[CheckValueWrong.kind],
    }.get(name, 0)


def culprits(counts: SoakCounts, name: str) -> str:
    """Whom a count of the bus comes from, in words; empty if it comes from no device."""
    said = []
    if name == "lost_readings" and counts.lost_rounds:
        said.append(f"all devices together in {counts.lost_rounds} rounds")
    struck = [tally for tally in counts.tallies if own(tally, name)]
    struck.sort(key=lambda tally: -own(tally, name))
    said += [
        f"{tally.device.label}: {own(tally, name)} of {_of(tally, name)}"
        for tally in struck[:_MOST_NAMED]
    ]
    if len(struck) > _MOST_NAMED:
        rest = sum(own(tally, name) for tally in struck[_MOST_NAMED:])
        said.append(f"{len(struck) - _MOST_NAMED} more devices: {rest}")
    return f" ({', '.join(said)})" if said else ""


def _of(tally: SoakTally, name: str) -> str:
    if name == "lost_readings":
        return f"{tally.wanted} readings"
    return f"{tally.tries} tries"


def lost_too_many(body: Soak, tally: SoakTally, counts: SoakCounts) -> bool:
    """True if the device itself, not the line, is beyond what the plan allows."""
    most, stop_at = body.tolerate.lost_readings, body.stop_at
    if stop_at is not None and stop_at.lost_readings is not None:
        most = min(most, stop_at.lost_readings - 1)
    if tally.own_lost > most:
        return True
    all_lost = sum(other.lost for other in counts.tallies)
    return all_lost > most and is_lossy(tally, counts)


def is_lossy(tally: SoakTally, counts: SoakCounts) -> bool:
    """True if a device lost more of its readings than chance gives it of all losses.

    The exact binomial test at one in a hundred over all devices.
    """
    lost = sum(other.own_lost for other in counts.tallies)
    wanted = sum(other.wanted for other in counts.tallies)
    if not tally.own_lost or len(counts.tallies) < 2:
        return False
    share = tally.wanted / wanted
    found = stats.binomtest(tally.own_lost, lost, share, alternative="greater")
    return bool(found.pvalue <= _ALPHA / len(counts.tallies))


def lost_text(body: Soak, tally: SoakTally, counts: SoakCounts) -> str:
    """The readings that a device lost, in words; empty if it lost none."""
    if not tally.lost:
        return ""
    text = f"{tally.lost} of {tally.wanted} readings lost"
    if tally.lost_together:
        text += f", {tally.lost_together} of them in rounds that every device lost"
    text += f"; the plan allows {body.tolerate.lost_readings} over all devices"
    if is_lossy(tally, counts):
        others = sum(other.own_lost for other in counts.tallies) - tally.own_lost
        text += (
            f"; the other {len(counts.tallies) - 1} lost {others} together: this is "
            "more than chance"
        )
    return text
