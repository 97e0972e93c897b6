"""Diagnosis on a bench that was written apart from ours: fault, healthy twin, must-nots.

The bench lies beside the project; where it is missing these tests are skipped. Each case
is a mechanism, its numbers chosen so that it shows; sources are public reports retold,
numbers invented.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from harness.diagnosis.diagnosis import Diagnosis
from harness.diagnosis.effort import Effort
from harness.diagnosis.finding import Confidence, Finding, FindingSeverity
from harness.records import Outcome
from harness.wire.romcode import RomCode
from tests.calibration import second
from tests.calibration.trial import examined

pytestmark = pytest.mark.skipif(
    second.tools() is None, reason="the second bench is not at hand"
)

Make = Callable[..., Any]
"""A fixture that makes something; conftest has the signatures."""

QUICK = Effort(
    listen_s=1.0, resets=8, slots=1500, scans=5, verifies=20, reads=10, rounds=2
)


def thermometers(count: int, **more: Any) -> list[dict[str, Any]]:  # noqa: ANN401
    """Thermometers with invented serial numbers."""
    return [
        {"family": "0x28", "serial": 0x41_0000 + 7 * n, "temperature": 21.0 + n, **more}
        for n in range(count)
    ]


def examine(devices: list[dict[str, Any]], **bench: Any) -> Diagnosis:  # noqa: ANN401
    """A bench of the second kind, examined."""
    spec = {"seed": 5, "pull_up_ohm": 2200, "c_nf": 0.3, "devices": devices, **bench}
    return examined(second.fixture_of(spec, "case"), QUICK)


def faults(found: Diagnosis) -> list[str]:
    """Kinds of the faults, in their rank."""
    return [f.kind for f in found.findings if f.severity is FindingSeverity.FAULT]


def first(found: Diagnosis) -> Finding:
    """The first finding."""
    assert found.findings, "nothing was found"
    return found.findings[0]


def test_a_healthy_bench_has_no_fault() -> None:
    """The twin of all cases below."""
    assert not faults(examine(thermometers(4)))


def test_a_marginal_edge_is_no_noise() -> None:
    """Errors that are gone at a later sample: an edge, and noise is excluded by that.

    Rise to the receiver of 4.6 us; its sample comes 4.3 us after the release, up to 0.5 us
    later by its oversampling.
    """
    found = examine(thermometers(3), pull_up_ohm=2200, c_nf=round(4.6 / 0.316 / 2.2, 3))
    edge = first(found)
    assert edge.kind == "slow-edge"
    assert any("noise" in text and "sampled" in text for text in edge.ruled_out)
    assert not {"spikes", "pulled-highs"} & set(faults(found))


def test_noise_is_no_edge() -> None:
    """Errors that are as many at a later sample."""
    found = examine(thermometers(3), flip=0.02)
    noise = first(found)
    assert noise.cause == "noise"
    assert any("slow-edge" in text for text in noise.ruled_out)


@pytest.mark.parametrize("branches", [7, 9])
def test_the_eighth_branch(branches: int) -> None:
    """Each branch adds 0.259 nF; seven are within limits, nine are not; no device is bad.

    Worked example of a public report: 4.7 kohm, threshold of the receiver 2.0 V.
    """
    found = examine(
        thermometers(branches),
        pull_up_ohm=4700,
        c_nf=round(0.259 * branches, 3),
        vth_host=2.0,
    )
    if branches == 7:
        assert not faults(found)
    else:
        assert first(found).kind in {"slow-edge", "pull-up"}
        assert not {"absent", "restart", "third-wire"} & set(faults(found))


def test_a_clone_is_valid_with_a_note() -> None:
    """Constants A5 81 66, always the same: no fault, and said."""
    clone = thermometers(1, own=[0xA5, 0x81, 0x66])[0] | {"serial": 0x6D31}
    found = examine([*thermometers(2), clone])
    assert not faults(found)
    (note,) = [f for f in found.findings if f.kind == "off-sheet"]
    assert note.severity is FindingSeverity.NOTE
    assert "A5 66" in note.measured[0]


def test_devices_that_vanish_together() -> None:
    """One common cause, not two device faults, and nobody leaves the inventory."""
    away = {"away_every_s": 1.3, "away_share": 0.4}
    found = examine(thermometers(2, **away), v=3.3)
    common = first(found)
    assert common.kind == "common-loss"
    assert not {"absent", "vanished", "attached"} & set(faults(found))


def test_exactly_sixty_four() -> None:
    """Bursts of full packets hang: the adapter's, certain, with a burst size to write."""
    found = examine(thermometers(2), holds_full_packets=True)
    packet = first(found)
    assert (packet.kind, packet.confidence) == ("packet-boundary", Confidence.CERTAIN)
    assert "max_burst: 60" in packet.try_first
    assert "absent" not in faults(found)


def test_a_restart_in_each_conversion() -> None:
    """Markers gone in work and kept in pauses as long."""
    found = examine(
        [*thermometers(2), thermometers(1, restarts=1.0)[0] | {"serial": 0x99}]
    )
    assert first(found).kind in {"restart", "third-wire"}
    assert "clone-like" not in [f.kind for f in found.findings]


def test_a_line_that_stays_low() -> None:
    """One break for each write, however long it is: low, and not inverted."""
    found = examine(thermometers(2), stuck_low=True)
    assert first(found).kind in {"stuck-low", "silent"}
    assert "inverted" not in faults(found)


def test_a_lone_device_that_says_bus_power() -> None:
    """Its conversions come out, the fixture declares otherwise: said, and no fault."""
    found = examine(thermometers(1, parasite=True))
    assert not faults(found)
    assert first(found).kind == "supply-differs"


def test_deaf_to_convert_within_the_effort() -> None:
    """So many commands that no loss now and then explains it.

    A resistance in the supply lead looks the same: never busy, power-on value (public
    report); it is named, with what tells them apart.
    """
    deaf = thermometers(1, deaf=1.0)[0] | {"serial": 0x77}
    found = first(examine([*thermometers(2), deaf]))
    assert (found.kind, found.confidence) == ("deaf-to-convert", Confidence.UNDECIDED)
    (rival,) = found.discriminators
    assert rival.startswith("supply third-wire: its supply pin measures")


def test_another_family_in_a_socket() -> None:
    """A part of family 22h sits where one of 28h is expected: one finding, no fault."""
    devices = [*thermometers(2), {"family": "0x22", "serial": 0x31621}]
    spec = {"seed": 5, "pull_up_ohm": 2200, "c_nf": 0.3, "devices": devices}
    fixture = second.fixture_of(spec, "case")
    fixture["sockets"][2]["expect"]["rom_code"] = str(RomCode.build(0x28, 99))
    found = examined(fixture, QUICK)
    assert not faults(found)
    (changed,) = [f for f in found.findings if f.severity is FindingSeverity.WARNING]
    assert (changed.kind, changed.confidence) == ("family-changed", Confidence.LIKELY)
    assert "from 28h to 22h" in changed.summary


def fixture(device: dict[str, Any], **bench: Any) -> dict[str, Any]:  # noqa: ANN401
    """A fixture with this device alone."""
    spec = {"seed": 5, "pull_up_ohm": 2200, "c_nf": 0.3, "devices": [device], **bench}
    return second.fixture_of(spec, "case")


REFUSES = {
    "family": "0x28",
    "serial": 0x52B68D,
    "temperature": 24.6875,
    "th": 0xFF,
    "tl": 0xFF,
    "ee": (0xFF, 0xFF, 0x7F),
    "own": [0xFF, 0xFF, 0xFF],
}

ASK_9_BITS = """
- read: {quantity: temperature}
- configure: {settings: {resolution_bits: 9}}
- read: {quantity: temperature}
"""


def test_a_resolution_request_that_is_refused(run_plan: Make) -> None:
    """The configuration byte stays 7Fh: said, readings valid, waited for as 12 bit takes.

    Block of a public report: 8B 01 FF FF 7F FF FF FF 8B before and after the request.
    """
    device = REFUSES | {"refuses_resolution": True, "conv_scale": 0.95}
    ran = run_plan(ASK_9_BITS, fixture(device))
    before, refused, after = (ran.shown(n, "S1") for n in ("1", "2", "3"))
    assert before.measurements[0].value == after.measurements[0].value == 24.6875
    assert refused.outcome is Outcome.FAILED
    assert "refused: it stays 12 bit" in refused.message
    assert "750 ms" in refused.hint
    assert refused.evidence["cause"] == "configuration"
    assert after.duration_s > 0.71


def test_a_resolution_request_that_is_heard(run_plan: Make) -> None:
    """The twin: 9 bit are read back, and readings come in steps of 0.5 K."""
    ran = run_plan(ASK_9_BITS, fixture(REFUSES))
    assert [ran.shown(n, "S1").outcome for n in ("1", "2", "3")] == [Outcome.PASSED] * 3
    assert ran.shown("3", "S1").measurements[0].value == 24.5


NEVER_85 = {
    "family": "0x28",
    "serial": 0x149794,
    "temperature": 30.5,
    "own": [0xA5, 0x81, 0x66],
    "conversion_s": 0.519,
}


@pytest.mark.parametrize("shows_degc", [25.0, 30.5])
def test_what_a_clone_shows_after_power_up(run_plan: Make, shows_degc: float) -> None:
    """Its own value or its last result: no reading, until this run has converted."""
    device = NEVER_85 | {"power_on": shows_degc, "temperature": 28.5}
    ran = run_plan("- read: {quantity: temperature, fresh: false}", fixture(device))
    shown = ran.shown("1", "S1")
    assert shown.measurements[0].value == 28.5
    assert any("one was made for this step" in note for note in shown.notes)


@pytest.mark.parametrize("ailing", [{"power_on": 25.0}, {"keeps_last": True}])
def test_a_clone_that_restarts_in_each_conversion(
    run_plan: Make, ailing: dict[str, Any]
) -> None:
    """Not 85 degC and not valid for that: the marker is gone, nothing is published."""
    device = NEVER_85 | {"restarts": 1.0, **ailing}
    ran = run_plan("- read: {quantity: temperature_restart_checked}", fixture(device))
    shown = ran.shown("1", "S1")
    assert shown.outcome in {Outcome.FAILED, Outcome.ERROR}
    assert not [m for m in shown.measurements if m.unit == "degC"]


def test_a_clone_as_slow_at_any_resolution(run_plan: Make) -> None:
    """519 ms at 9 bit too: never the 94 ms of its data sheet."""
    ran = run_plan(ASK_9_BITS, fixture(NEVER_85))
    shown = ran.shown("3", "S1")
    assert (shown.outcome, shown.measurements[0].value) == (Outcome.PASSED, 30.5)
    assert shown.duration_s > 0.519
    assert any("whatever the resolution" in note for note in shown.notes)


def test_a_supply_that_stretches_a_conversion(run_plan: Make) -> None:
    """A must-not: a third longer at 9 bit is no clone's time, and no reading."""
    device = NEVER_85 | {"conversion_s": 0.125, "own": [0xFF, 0xFF, 0xFF]}
    ran = run_plan(ASK_9_BITS, fixture(device))
    shown = ran.shown("3", "S1")
    assert (shown.outcome, shown.kind) == (Outcome.FAILED, "still-busy")
    assert not shown.measurements
