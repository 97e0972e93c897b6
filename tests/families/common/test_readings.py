"""Valid, suspect, rejected: what is held back, and what lets it go."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, cast

import pytest

from harness.errors import (
    CheckValueWrong,
    DeviceAbsent,
    ReadingImplausible,
    ReadingSuspect,
)
from harness.families.common.readings import (
    REPEATED,
    Quality,
    accept_or_hold,
    quality_of,
)
from harness.families.family import Session


@dataclass
class Bedside:
    """The little of a session that weighing needs: a memory and a time."""

    at_s: float = 0.0
    memory: dict[str, Any] = field(default_factory=dict)

    @property
    def clock(self) -> Bedside:
        """Itself."""
        return self

    def now_s(self) -> float:
        """As the test says."""
        return self.at_s


def take(bed: Bedside, value: float, *, unproved: bool = False) -> bool:
    """True if the value is let through."""
    try:
        accept_or_hold(
            cast("Session", bed),
            value,
            agree=0.5,
            jump=1.0,
            rate_per_s=0.2,
            unproved=unproved,
        )
    except ReadingSuspect:
        return False
    return True


def test_first_reading_passes_where_freshness_was_seen() -> None:
    """Nothing to compare with and nothing in doubt: valid."""
    assert take(Bedside(), 21.0)


def test_first_reading_without_proof_waits_for_a_second() -> None:
    """Bus power shows no busy: two conversions within 0.5 K are the proof."""
    bed = Bedside(memory={REPEATED: True})
    assert [take(bed, v, unproved=True) for v in (21.0, 21.5, 21.2)] == [
        False,
        True,
        True,
    ]


def test_first_reading_without_proof_passes_where_nobody_repeats() -> None:
    """Held back for good it would be of no use to a caller that asks once."""
    assert take(Bedside(), 21.0, unproved=True)


def test_two_first_readings_that_disagree_stay_held_back() -> None:
    """More than 0.5 K apart, neither proves the other; the third decides."""
    bed = Bedside(memory={REPEATED: True})
    taken = [take(bed, v, unproved=True) for v in (21.0, 29.0, 21.0, 21.1)]
    assert taken == [False, False, False, True]


@pytest.mark.parametrize(
    ("later_s", "value", "passes"),
    [
        (0.0, 22.0, True),
        (0.0, 22.1, False),
        (10.0, 24.0, True),
        (10.0, 24.1, False),
        (10.0, 17.9, False),
        (600.0, 85.0, True),
    ],
)
def test_rate_of_change(later_s: float, value: float, passes: bool) -> None:
    """1 K at once and 0.2 K for each second since, in both directions."""
    bed = Bedside()
    take(bed, 21.0)
    bed.at_s = later_s
    assert take(bed, value) is passes


def test_a_true_jump_is_believed_on_its_second_reading() -> None:
    """A probe put into ice water is published, one conversion later."""
    bed = Bedside()
    assert [take(bed, v) for v in (21.0, 0.0, 0.2, 0.1)] == [True, False, True, True]


def test_a_brown_out_value_is_never_let_through() -> None:
    """A lone value off by 8 K, check byte right, goes; the next normal one passes."""
    bed = Bedside()
    assert [take(bed, v) for v in (21.0, 29.0, 21.1)] == [True, False, True]


def test_quality_of_what_is_not_published() -> None:
    """Only what nothing contradicts is suspect; everything else is rejected."""
    assert quality_of(ReadingSuspect("held")) is Quality.SUSPECT
    for fault in (CheckValueWrong("x"), ReadingImplausible("x"), DeviceAbsent("x")):
        assert quality_of(fault) is Quality.REJECTED


def test_two_values_that_alternate_are_both_held_back() -> None:
    """Each second conversion of another level: neither is published, and it is said so."""
    bed = Bedside()
    assert take(bed, 21.0)
    let = []
    for n in range(12):
        bed.at_s += 1.0
        let.append(take(bed, (45.0, 21.0)[n % 2]))
    # the first time it may be an accident; from the second on nothing is believed
    assert let == [False, True] + 10 * [False]
    assert take(bed, 21.0)  # twice in a row


def test_alternation_is_the_reason_that_is_given() -> None:
    """Both levels and how often stand in the words of the reading."""
    bed = Bedside()
    for value in (21.0, 45.0, 21.0, 45.2):
        take(bed, value)
    with pytest.raises(
        ReadingSuspect, match=r"21\.0000 and 45\.2000 alternate.* 2 times"
    ):
        accept_or_hold(
            cast("Session", bed),
            21.0,
            agree=0.5,
            jump=1.0,
            rate_per_s=0.2,
            unproved=False,
        )


def test_jumps_to_different_values_are_no_alternation() -> None:
    """Accidents differ; the steady value between them goes through each time."""
    bed = Bedside()
    assert take(bed, 21.0)
    for wrong in (45.0, 3.0, -11.0, 70.0):
        assert not take(bed, wrong)
        assert take(bed, 21.0)
