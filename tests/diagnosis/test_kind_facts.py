"""What families state for a diagnosis: written as plain keys, read back typed."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.diagnosis.evidence.kinds import FailedCheck, KindReading, facts_of
from harness.families.kind_facts import (
    ChannelFacts,
    KindFacts,
    StoreFacts,
    Trim,
    stated,
    store_of,
)
from harness.journal_form import JournalForm

_CHECKS = JournalForm(FailedCheck, name="failed")
_READINGS = JournalForm(KindReading, name="reading")

_FACTS = st.builds(
    KindFacts,
    samples=st.none() | st.integers(0, 1 << 24),
    mission=st.none() | st.booleans(),
    store=st.none() | st.builds(StoreFacts, address=st.integers(0, 0xFFFF)),
    channels=st.dictionaries(
        st.sampled_from("ab"),
        st.builds(ChannelFacts, latch=st.integers(0, 1), pin=st.integers(0, 1)),
    ),
    counts=st.lists(st.integers(-9, 9)).map(tuple),
    before=st.none() | st.integers() | st.text(min_size=1),
)


@given(_FACTS)
def test_what_is_stated_is_read_back(facts: KindFacts) -> None:
    """Nothing is lost between a family and the rules, and 0 and false are values."""
    assert facts_of(stated(facts)) == facts


def test_a_journal_of_an_earlier_version_still_gives_its_facts() -> None:
    """It has the plain mapping under ``facts``, with keys that are no facts of a kind."""
    old: dict[str, Any] = {
        "step": "check",
        "kind": "answer-impossible",
        "says": "did not pass",
        "facts": {"store": {"address": 32, "row": 8, "end": "FF"}, "page": "00 11"},
    }
    failed = _CHECKS.read(old)
    assert failed.facts.store == StoreFacts(address=32, row=8, end="FF")
    assert failed.evidence["page"] == "00 11"
    reading = _READINGS.read({"quantity": "mission", "facts": {"samples": 0}})
    assert reading.facts.samples == 0


@pytest.mark.parametrize("counts", [3, "many", {"a": 1}])
def test_a_key_of_another_meaning_is_no_fact(counts: object) -> None:
    """A battery monitor keeps ``counts`` as one number; the other facts stay."""
    facts = facts_of({"counts": counts, "sense_mohm": 25.0})
    assert (facts.counts, facts.sense_mohm) == ((), 25.0)


def test_the_store_is_taken_out_of_plain_facts() -> None:
    """As an error carries it."""
    store = StoreFacts(address=8, check=False, sent="00")
    assert store_of(stated(KindFacts(store=store))) == store
    assert store_of({}) is None


def test_a_trim_survives_the_way() -> None:
    """Trim -3 shifted left by three is FFE8h, low byte first."""
    trim = Trim(quantity="offset_trim", place="page 1", shift=3, size=2)
    back = facts_of(stated(KindFacts(trim=trim))).trim
    assert back is not None
    assert back.encoded(-3) == bytes.fromhex("E8 FF")
