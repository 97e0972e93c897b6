"""Events of a soak are read back from the journal as the records that were written."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from harness.errors import UsageError
from harness.journal_form import JournalForm
from harness.records import Bound, Measurement
from harness.results.journal.reader import read_events
from harness.results.record.run import RunRecord
from harness.results.soak.events import (
    ERROR_LINE,
    GAP,
    HAPPENING,
    MARGIN,
    PROGRESS,
    RESUMED,
    STARTED,
    STOPPED,
    AdapterGap,
    ReadingSpread,
    SoakError,
    SoakMargin,
    SoakProgress,
)
from tests.record_fields import fields_in, filled, without

FORMS: tuple[JournalForm[Any], ...] = (
    STARTED, RESUMED, PROGRESS, ERROR_LINE, HAPPENING, MARGIN, STOPPED, GAP,
)  # fmt: skip

SHOWN_LIVE_ONLY = {RESUMED.name}
"""The record of a soak goes on without what this line says; the screen needs it."""


def sample(form: JournalForm[Any]) -> Any:  # noqa: ANN401 - any record
    """A record of the form with every field filled, as far as they go together."""
    if form is MARGIN:
        # a bound has no uncertainty
        return SoakMargin(
            device="3D0000A4B3C2D128", name="rise_time", value=1.5, unit="us", low=0.5,
            high=2.5, bound=Bound.AT_MOST, wanted=1.5, criterion="seen", beyond_doubt=True,
        )  # fmt: skip
    return filled(form.record)


def as_json(form: JournalForm[Any], record: object) -> Any:  # noqa: ANN401
    """What the journal holds of a record."""
    return json.loads(json.dumps(form.written(record)))


@pytest.mark.parametrize("form", FORMS, ids=lambda form: form.name)
def test_what_was_written_is_read(form: JournalForm[Any]) -> None:
    """A record with every field filled is the same after its way through the journal."""
    record = sample(form)
    assert form.read(as_json(form, record)) == record


@pytest.mark.parametrize("form", FORMS, ids=lambda form: form.name)
def test_a_dropped_field_is_defaulted_or_named(
    form: JournalForm[Any], tmp_path: Path
) -> None:
    """Each field once: a required one is an error with its line, others have a default."""
    record = sample(form)
    plain = as_json(form, record)
    for field in fields_in(record):
        if field.path[-1] not in plain and form is MARGIN:
            continue
        changed = without(plain, field.path)
        if not field.required:
            assert form.read(changed) == field.default != record, field
        elif form.name not in SHOWN_LIVE_ONLY:
            with pytest.raises(UsageError, match="field required") as caught:
                fold(tmp_path, {**changed, "event": form.name})
            assert f" {form.name}.{field}: " in caught.value.what
            assert caught.value.where.endswith("journal.jsonl:3")


def fold(folder: Path, event: dict[str, Any]) -> RunRecord:
    """The record of a journal that has this event inside a soak."""
    step = {"step": "1", "kind": "soak", "title": "soak"}
    at = {"at": "2026-01-01T00:00:00.000Z", "t_s": 0}
    lines: list[dict[str, Any]] = [
        {"event": "run_started", "format": 1, "run_id": "r", "steps": [step]},
        {"event": "step_started", **step},
        event,
    ]
    path = folder / "journal.jsonl"
    text = "".join(json.dumps({**line, **at}) + "\n" for line in lines)
    path.write_text(text, "utf-8")
    return RunRecord.from_events(read_events(path))


def test_lines_of_which_there_are_many_say_no_more_than_they_must() -> None:
    """Keys as the first version wrote them: what is at its default is left out."""
    one = SoakProgress(cycle=1, elapsed_s=2.5, readings={})
    assert PROGRESS.written(one) == {"cycle": 1, "elapsed_s": 2.5, "readings": {}}
    several = SoakProgress(
        cycle=9, elapsed_s=2.5, rounds=4,
        spread={"A": ReadingSpread(readings=4, lowest=1.0, mean=1.5, highest=2.0)},
    )  # fmt: skip
    assert as_json(PROGRESS, several) == {
        "cycle": 9, "elapsed_s": 2.5, "rounds": 4, "spread": {"A": [4, 1.0, 1.5, 2.0]},
    }  # fmt: skip
    assert ERROR_LINE.written(SoakError(device=None, kind="x", message="y", cycle=2)) == {
        "device": None, "kind": "x", "message": "y", "cycle": 2,
    }  # fmt: skip
    gap = AdapterGap(reason="adapter away", from_s=1.0, to_s=2.0)
    assert GAP.written(gap) == {"reason": "adapter away", "from_s": 1.0, "to_s": 2.0}


def test_a_margin_is_a_measurement_of_a_device() -> None:
    """Its line has the keys of the measured value, and whose it is."""
    value = Measurement(
        name="rise_time", value=0.5, unit="us", high=4.0, uncertainty=0.1
    )
    margin = SoakMargin.of(None, value)
    assert MARGIN.written(margin) == {"device": None, **value.as_dict()}
