"""What a list or page of a recording beside a run says: rows, numbers, steps."""

from __future__ import annotations

import pytest

from harness.recordings.comparing.bursts import Characters, SeenBurst
from harness.recordings.comparing.held import HeldCharacter, HeldCharacters
from harness.recordings.comparing.step_share import NO_STEP, step_sentences
from harness.recordings.record.compared import ComparedTime, not_compared
from harness.recordings.record.grouping import grouped
from harness.recordings.record.quantity import (
    Instant,
    JudgedQuantity,
    LimitStanding,
    QuantityRow,
    ValueOwner,
)
from harness.recordings.record.shown import ShownTransaction


def _shown(at_s: float, head: str) -> ShownTransaction:
    return ShownTransaction(at_s=at_s, end_s=at_s, label="", head=head)


def test_neighbours_that_are_alike_are_one_row() -> None:
    heads = ["reset", "reset", "reset; skip ROM (CCh)", "reset"]
    rows = list(grouped(_shown(float(n), head) for n, head in enumerate(heads)))
    assert [row.count for row in rows] == [2, 1, 1]
    assert rows[0].text == "reset (x 2, the last at 1.000000 s)"
    assert rows[1].text == "reset; skip ROM (CCh)"


@pytest.mark.parametrize(
    ("time", "texts"),
    [
        (
            ComparedTime(
                device="", name="presence_wait", unit="us", stated=39.5,
                uncertainty=2.9, recorded=41.0, doubt=1.0, e_n=-0.489, holds=True,
            ),
            ("39.5 +- 2.9", "41.0 +- 1.0", "-1.5", "-0.49"),
        ),
        (
            ComparedTime(
                device="", name="rise_time", unit="us", stated=0.31, bound="at most",
                recorded=0.11, doubt=0.06, holds=True,
            ),
            ("at most 0.31", "0.110 +- 0.060", "", ""),
        ),
    ],
)  # fmt: skip
def test_a_time_in_digits_that_its_doubt_leaves(
    time: ComparedTime, texts: tuple[str, ...]
) -> None:
    assert texts == (
        time.stated_text,
        time.recorded_text,
        time.difference_text,
        time.e_n_text,
    )


def test_what_is_not_compared_is_said_once_for_each_reason() -> None:
    def time(name: str, why: str) -> ComparedTime:
        return ComparedTime(device="", name=name, unit="us", stated=1.0, why=why)

    found = [
        time("a", "no line shows it"),
        time("b", "x"),
        time("a", "no line shows it"),
    ]
    assert list(not_compared(found)) == [
        "not compared, no line shows it: a",
        "not compared, x: b",
    ]


def test_characters_of_a_run_are_found_by_their_index() -> None:
    """Any part of them is the same as that part of all of them."""
    bursts = [
        SeenBurst(number=n, sent=sent, heard=sent[:1], bit_us=8.0)
        for n, sent in enumerate((b"ab", b"", b"c", b"", b"defg"))
    ]
    characters = Characters(bursts)
    listed = list(characters)
    assert bytes(found.sent for found in listed) == b"abcdefg"
    assert [found.heard for found in listed] == [-1, -1, ord("c"), -1, -1, -1, -1]
    for begin in range(8):
        for end in range(begin, 8):
            assert characters.part(begin, end) == listed[begin:end]
    assert (len(characters), len(Characters([]))) == (7, 0)
    assert Characters([]).part(0, 0) == []


def test_values_outside_are_counted_by_the_step_of_the_run() -> None:
    """Bursts 0 and 1 begin at 1 and 2 s; the step of the second one goes beyond a limit."""
    held = HeldCharacters(
        HeldCharacter(
            burst=n, frame=0, sent=0, own_low_us=60, start_s=n + 1.0, low_us=60
        )
        for n in range(2)
    )
    judged = JudgedQuantity(
        row=QuantityRow(name="read low", side=ValueOwner.HOST, loosest_low=1.0),
        count=10, minimum=0.5, median=6.0, maximum=9.0, deviation=1.0, doubt=0.1,
        margin=-0.5, outside=4, doubtful=0, some_only=0, standing=LimitStanding.OUTSIDE,
        worst=tuple(Instant(at_s=t, value=0.5) for t in (2.1, 2.2, 0.5)), bins=(),
    )  # fmt: skip
    (text,) = step_sentences([judged], held, ["", "in step 4 (measure line)"])
    assert text == (
        "read low outside its limits (the worst 3 of 4): 2 in step 4 (measure line), "
        f"1 {NO_STEP}"
    )
