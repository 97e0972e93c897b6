"""The evidence of a result as records, read back from the journal's JSON.

A result carries evidence as plain JSON, so that a step may keep what nobody else knows
of. What a report reads has a record, and is checked while the journal is folded, where
the line is still known: a page never meets evidence that it cannot read.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, TypeVar

from harness.diagnosis.diagnosis import DIAGNOSIS, Diagnosis
from harness.journal_form import JournalForm
from harness.records import CheckResult

T = TypeVar("T")

FORMS: tuple[JournalForm[Any], ...] = (DIAGNOSIS,)
"""Every kind of evidence that a report reads."""


def require_readable(evidence: Mapping[str, Any]) -> None:
    """Insist that all evidence that a report will read can be read.

    Args:
        evidence: of a result, as the journal holds it.

    Raises:
        FieldError: a field is missing or of the wrong type.
    """
    for form in FORMS:
        _read(form, evidence)


def diagnosis_of(result: CheckResult) -> Diagnosis | None:
    """The diagnosis that a result carries; None if it has none."""
    return _read(DIAGNOSIS, result.evidence)


def _read(form: JournalForm[T], evidence: Mapping[str, Any]) -> T | None:
    data = evidence.get(form.name)
    return None if data is None else form.read(data)
