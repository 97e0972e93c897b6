"""The answer of a lot command, once: as plain lines and as a page."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from harness.records import Outcome
from harness.results.wording import one_line

Row = Sequence[str]


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportTable:
    """Rows of one length, the first one being the names of the columns."""

    rows: tuple[Row, ...]

    @property
    def lines(self) -> list[str]:
        """Columns side by side."""
        widths = [max(map(len, column)) for column in zip(*self.rows, strict=True)]
        return [
            "  ".join(
                one_line(cell).ljust(width)
                for cell, width in zip(row, widths, strict=True)
            ).rstrip()
            for row in self.rows
        ]


Block = Sequence[ReportTable | str]
"""Tables and sentences that belong together."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LotReport:
    """One answer with all that it rests on.

    Attributes:
        question: what was asked, for the head of the page.
        answer: in few words.
        outcome: passed for yes, failed for no, skipped where nothing was decided.
        verdict: the answer with its reasons, one of the sentences in the blocks.
        blocks: tables and sentences, in order.
        notes: what the verdict leaves out, such as units without a value; they stand
            beside it.
    """

    question: str
    answer: str
    outcome: Outcome
    verdict: str
    blocks: tuple[Block, ...]
    notes: tuple[str, ...] = ()

    def noting(self, *notes: str) -> LotReport:
        """The same answer with further notes."""
        return replace(self, notes=(*self.notes, *notes))

    @property
    def is_simulated(self) -> bool:
        """True if a note says that readings come from a simulated bench."""
        return any(note.startswith("SIMULATED") for note in self.notes)

    @property
    def says_yes(self) -> bool:
        """True if the question was answered so; False for no and for not decided."""
        return self.outcome is Outcome.PASSED

    @property
    def lines(self) -> list[str]:
        """As plain text: question, answer, verdict, notes; then what they rest on."""
        lines = [f"{self.question} {self.headline}", one_line(self.verdict)]
        lines += map(one_line, self.notes)
        for block in self.blocks:
            said = [part for part in block if part != self.verdict]
            lines += [""] if said else []
            for part in said:
                lines += (
                    part.lines if isinstance(part, ReportTable) else [one_line(part)]
                )
        return lines

    @property
    def headline(self) -> str:
        """The answer with a capital, as it stands alone."""
        return one_line(f"{self.answer[:1].upper()}{self.answer[1:]}")
