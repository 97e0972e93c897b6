"""Bursts that were given up: late is what comes after all, lost is what never does."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from harness.diagnosis.evidence.bus import IdleFacts
from harness.diagnosis.evidence.probed import LateFacts
from harness.diagnosis.probes.late_echoes import LateEchoes
from harness.diagnosis.signs.line import transacts
from tests.diagnosis.test_rules import found


@given(
    sent=st.binary(min_size=1, max_size=40),
    cut=st.integers(0, 39),
    low=st.binary(min_size=40, max_size=40),
)
def test_echoes_with_ones_pulled_low_are_ours(
    sent: bytes, cut: int, low: bytes
) -> None:
    """Whatever devices pull low of what is missing, it came late once all of it came."""
    cut = min(cut, len(sent) - 1)
    watch = LateEchoes()
    watch.note(sent, sent[:cut])
    rest = bytes(a & b for a, b in zip(sent[cut:], low, strict=False))
    assert watch.came(rest)
    assert (watch.short, watch.late) == (1, 1)


def test_what_never_comes_is_lost() -> None:
    """A whole burst owes nothing; part of what is missing, or ones in a zero, is not all of it."""
    watch = LateEchoes()
    watch.note(b"\xff\xff", b"\xff\xff")
    assert not watch.came(b"\xff")
    watch.note(b"\xff\x00\x00", b"\xff")
    assert not watch.came(b"\x00")
    assert not watch.came(b"\xf0")
    assert not watch.came(b"\x00")
    assert (watch.short, watch.late) == (1, 0)


def test_late_bursts_are_the_hosts() -> None:
    """Told as late while nothing was lost; no trouble is left over for nobody to explain."""
    kinds = {f.kind for f in found(late=LateFacts(short=3, came=3))}
    assert kinds == {"late-now-and-then"}
    assert not found(late=LateFacts(short=3, came=0))


def test_a_transaction_begins_with_a_long_low() -> None:
    """Groups as even as transactions, of spikes only: nobody resets the bus."""
    arrivals = ((2.0, 24), (4.1, 25), (6.2, 24))
    spikes = IdleFacts(for_s=10.0, arrivals=arrivals, values={"FF": 73})
    assert not transacts(spikes)
    assert transacts(
        IdleFacts(for_s=10.0, arrivals=arrivals, values={"FF": 70, "00": 3})
    )
    kinds = {f.kind for f in found(idle=spikes)}
    assert "second-master" not in kinds
