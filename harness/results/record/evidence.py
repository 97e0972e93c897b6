"""The evidence of a result as records, read back from the journal's JSON.

A result carries evidence as plain JSON, so that a step may keep what only it knows
of. What a report reads has a record, and is checked while the journal is folded, where
the line is still known: a page never gets evidence that it cannot read.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, TypeVar

from harness.diagnosis.diagnosis import DIAGNOSIS, Diagnosis
from harness.journal_form import JournalForm
from harness.records import CheckResult
from harness.results.record.slot_evidence import (
    FRAMES,
    NOT_MEASURED,
    SHMOO,
    TIMING,
    FramesInUse,
    ShmooGrid,
    TimingFacts,
)

T = TypeVar("T")

FORMS: tuple[JournalForm[Any], ...] = (DIAGNOSIS, TIMING, NOT_MEASURED, SHMOO)
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


def timing_of(result: CheckResult) -> dict[str, TimingFacts]:
    """What a result keeps of each measured time, by the name of the time."""
    return _read(TIMING, result.evidence) or {}


def not_measured_in(result: CheckResult) -> dict[str, str]:
    """The times that could not be measured, each with the reason."""
    return _read(NOT_MEASURED, result.evidence) or {}


def shmoo_of(result: CheckResult) -> ShmooGrid | None:
    """The grid that a result carries; None if it has none."""
    return _read(SHMOO, result.evidence)


def frames_of(adapter: Mapping[str, Any]) -> FramesInUse:
    """The frames among the facts of an adapter.

    Raises:
        FieldError: a time is no number.
    """
    return _read(FRAMES, adapter) or FramesInUse()


def _read(form: JournalForm[T], evidence: Mapping[str, Any]) -> T | None:
    data = evidence.get(form.name)
    return None if data is None else form.read(data)
