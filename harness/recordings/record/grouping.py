"""Transactions that are alike, one behind the other, as one row of a list."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import groupby

from harness.recordings.record.shown import ShownTransaction


@dataclass(frozen=True, slots=True, kw_only=True)
class TransactionGroup:
    """Transactions that say the same.

    Attributes:
        first: the first of them.
        count: how many there are.
        last_s: when the last one begins.
    """

    first: ShownTransaction
    count: int
    last_s: float

    @property
    def text(self) -> str:
        """How it begins, and how often it comes."""
        if self.count == 1:
            return self.first.head
        return f"{self.first.head} (x {self.count}, the last at {self.last_s:.6f} s)"

    @property
    def notes(self) -> str:
        """What a reader should know, as one line; empty if nothing."""
        return "; ".join(self.first.notes)


def grouped(found: Iterable[ShownTransaction]) -> Iterator[TransactionGroup]:
    """Neighbours that are alike in all but their time, as one group."""
    for _, members in groupby(found, key=_content):
        same = list(members)
        yield TransactionGroup(first=same[0], count=len(same), last_s=same[-1].at_s)


def _content(found: ShownTransaction) -> tuple[object, ...]:
    return found.head, found.lines, found.notes, found.wrong
