"""What the judgement of a recording writes to its journal, and the record of it.

Events, beside those of a run:

    trace_facts        the recording in numbers (``TraceFacts``)
    trace_quantity     one quantity, judged, with histogram and worst instants
    trace_transaction  one transaction in words; the first ``MOST_TRANSACTIONS``
    trace_view         the line around the worst value of a quantity
    trace_echoes       echoes of a run against the line, counted
    trace_time         a time of that run against the recording

Histograms have at most 1,000 bins and each quantity at most 1,000 instants, so that the
journal of a recording of any size stays below about 10 MB.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from harness.journal_form import JournalForm
from harness.recordings.record.compared import ComparedEchoes, ComparedTime
from harness.recordings.record.quantity import JudgedQuantity
from harness.recordings.record.shown import ShownTransaction, SlotView, TraceFacts

FACTS = JournalForm(TraceFacts, name="trace_facts", sparing=True)
QUANTITY = JournalForm(JudgedQuantity, name="trace_quantity")
TRANSACTION = JournalForm(ShownTransaction, name="trace_transaction", sparing=True)
VIEW = JournalForm(SlotView, name="trace_view")
ECHOES = JournalForm(ComparedEchoes, name="trace_echoes")
TIME = JournalForm(ComparedTime, name="trace_time", sparing=True)


@dataclass(frozen=True, slots=True, kw_only=True)
class ShownRecording:
    """A judged recording as reports show it.

    Attributes:
        facts: the recording in numbers.
        quantities: each quantity, judged.
        transactions: the first of them.
        views: the line around the worst value of each quantity.
        echoes: of the run that the recording was held against; None without one.
        times: of that run.
    """

    facts: TraceFacts
    quantities: tuple[JudgedQuantity, ...] = ()
    transactions: tuple[ShownTransaction, ...] = ()
    views: tuple[SlotView, ...] = ()
    echoes: ComparedEchoes | None = None
    times: tuple[ComparedTime, ...] = ()


class RecordingFolding:
    """The recording of a journal while its events come in."""

    def __init__(self) -> None:
        self._facts: TraceFacts | None = None
        self._quantities: list[JudgedQuantity] = []
        self._transactions: list[ShownTransaction] = []
        self._views: list[SlotView] = []
        self._echoes: ComparedEchoes | None = None
        self._times: list[ComparedTime] = []

    def add(self, event: dict[str, Any]) -> None:
        """Take one event in; those of no recording pass by.

        Raises:
            FieldError: it does not carry what it promises.
        """
        name = event["event"]
        if not name.startswith("trace_"):
            return
        if name == FACTS.name:
            self._facts = FACTS.read(event)
        elif name == QUANTITY.name:
            self._quantities.append(QUANTITY.read(event))
        elif name == TRANSACTION.name:
            self._transactions.append(TRANSACTION.read(event))
        elif name == VIEW.name:
            self._views.append(VIEW.read(event))
        elif name == ECHOES.name:
            self._echoes = ECHOES.read(event)
        elif name == TIME.name:
            self._times.append(TIME.read(event))

    @property
    def recording(self) -> ShownRecording | None:
        """What came so far; None in the journal of a run."""
        if self._facts is None:
            return None
        return ShownRecording(
            facts=self._facts,
            quantities=tuple(self._quantities),
            transactions=tuple(self._transactions),
            views=tuple(self._views),
            echoes=self._echoes,
            times=tuple(self._times),
        )
