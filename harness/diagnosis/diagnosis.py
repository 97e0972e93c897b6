"""What an examination ends on, as a run hands it to the journal and a page reads it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Annotated

from pydantic import Field

from harness.diagnosis.evidence.bus import Evidence
from harness.diagnosis.finding import Finding
from harness.journal_form import SPARING, JournalForm


@dataclass(frozen=True, slots=True, kw_only=True)
class Diagnosis:
    """Findings in their rank, the evidence behind them, and what was ruled out.

    Attributes:
        findings: most severe first.
        ruled_out: keys of causes of which nothing was seen; words in earlier journals.
        evidence: what was measured; ``found`` in the journal.
    """

    findings: tuple[Annotated[Finding, SPARING], ...] = ()
    ruled_out: tuple[str, ...] = ()
    # what was not probed is left out of the journal, so that a page has no empty table
    evidence: Annotated[Evidence, SPARING, Field(alias="found")] = field(
        default_factory=Evidence
    )


DIAGNOSIS = JournalForm(Diagnosis, name="diagnosis")
"""``evidence.diagnosis`` of a result."""
