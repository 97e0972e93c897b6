"""Which separating probe comes next: by the pairs of standing causes it tells apart."""

from __future__ import annotations

from dataclasses import replace

import pytest

from harness.diagnosis.evidence.bus import Evidence
from harness.diagnosis.probes.separating import share_changed
from harness.diagnosis.separation import Separator, next_separator, standing_pairs
from harness.diagnosis.signs.sign import Sign
from tests.diagnosis.sound import ADAPTER, LINE, SOUND, echoes


def separator(
    name: str, *fills: Sign, cost_s: float = 1.0, able: bool = True, names: bool = False
) -> Separator:
    """One that does nothing."""
    return Separator(
        name=name,
        did="",
        fills=frozenset(fills),
        cost_s=cost_s,
        able=lambda _evidence: able,
        run=lambda: None,
        names=names,
    )


LADDER = replace(
    separator("ladder", Sign.ERRORS_FALL, Sign.ERRORS_STAY),
    able=lambda e: bool(e.line and share_changed(e.line.ones)),
)
PACKETS = separator("packets", Sign.BOUNDARY)
THIN = replace(
    LINE, ones=echoes(1000, xFF=990, xFE=10), rise_us=(3.0, 5.0), crossing_us=14.0
)
EDGE_OR_NOISE = replace(SOUND, line=THIN)
LOSSES = replace(
    SOUND, adapter=replace(ADAPTER, burst_missing=30, bursts={512: (2, 8)})
)


def named(found: Separator | None) -> str:
    """Its name."""
    return found.name if found else ""


@pytest.mark.parametrize(
    ("evidence", "chosen"),
    [
        pytest.param(SOUND, "", id="nothing to tell apart"),
        pytest.param(Evidence(), "", id="nothing seen"),
        pytest.param(EDGE_OR_NOISE, "ladder", id="an edge and noise stand"),
        pytest.param(LOSSES, "packets", id="drops and full packets stand"),
    ],
)
def test_the_probe_that_separates(evidence: Evidence, chosen: str) -> None:
    """Only what tells standing causes apart is made."""
    assert named(next_separator([LADDER, PACKETS], evidence, 10.0)) == chosen


def test_edge_and_noise_stand_beside_each_other() -> None:
    """A thin margin and changed ones: either brings them about."""
    pairs = {frozenset({a.kind, b.kind}) for a, b in standing_pairs(EDGE_OR_NOISE)}
    assert frozenset({"spikes", "slow-edge"}) in pairs


def test_the_cheaper_of_two_equals_and_what_time_allows() -> None:
    """As many pairs in less time first; nothing that takes longer than is left."""
    cheap = replace(LADDER, name="cheap", cost_s=0.5)
    assert named(next_separator([LADDER, cheap], EDGE_OR_NOISE, 10.0)) == "cheap"
    assert named(next_separator([LADDER], EDGE_OR_NOISE, 0.9)) == ""
    unable = separator("unable", Sign.ERRORS_FALL, able=False)
    assert named(next_separator([unable], EDGE_OR_NOISE, 10.0)) == ""


def test_one_that_names_the_device_is_made_anyway() -> None:
    """Who of several signals is worth a probe although its cause stands alone."""
    who = separator("who", Sign.SIGNALS_NOW, names=True)
    assert named(next_separator([who], SOUND, 10.0)) == "who"
