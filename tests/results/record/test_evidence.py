"""Evidence is read back from the journal as the record that was written, field by field."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from harness.diagnosis.diagnosis import DIAGNOSIS
from harness.errors import UsageError
from harness.journal_form import FieldError, JournalForm
from harness.records import CheckResult, Outcome
from harness.results.diagnosis.page import pages_of
from harness.results.journal.reader import read_events
from harness.results.record.evidence import FORMS
from harness.results.record.run import RunRecord
from harness.results.record.slot_evidence import FRAMES, STRESS
from tests.record_fields import fields_in, filled, without

LINE_OF_RESULT = 3

STEP = {"step": "1", "kind": "diagnose", "title": "step"}


def events_with(evidence: dict[str, Any]) -> list[dict[str, Any]]:
    """The events of one step whose result carries this evidence."""
    result = CheckResult(outcome=Outcome.FAILED, evidence=evidence).as_dict()
    at = {"at": "2026-01-01T00:00:00.000Z", "t_s": 0}
    return [
        {"event": "run_started", "format": 1, "run_id": "r", "steps": [STEP], **at},
        {"event": "step_started", **STEP, **at},
        {"event": "check_done", "step": "1", "round": 1, "result": result, **at},
        {"event": "step_done", "step": "1", "outcome": "failed", "duration_s": 1, **at},
        {"event": "run_done", "outcome": "failed", "exit_code": 1, **at},
    ]


def record_with(folder: Path, evidence: dict[str, Any]) -> RunRecord:
    """The record of such a run, by way of its journal."""
    path = folder / "journal.jsonl"
    lines = map(json.dumps, events_with(evidence))
    path.write_text("".join(f"{line}\n" for line in lines), "utf-8")
    return RunRecord.from_events(read_events(path))


def as_json(form: JournalForm[Any], record: object) -> Any:  # noqa: ANN401
    """What the journal holds of a record."""
    return json.loads(json.dumps(form.written(record)))


@pytest.mark.parametrize("form", [*FORMS, STRESS, FRAMES], ids=lambda form: form.name)
def test_what_was_written_is_read(form: JournalForm[Any]) -> None:
    """A record with every field filled is the same after its way through the journal."""
    record = filled(form.record)
    assert form.read(as_json(form, record)) == record


@pytest.mark.slow
@pytest.mark.parametrize("form", FORMS, ids=lambda form: form.name)
def test_a_dropped_field_is_defaulted_or_named(
    form: JournalForm[Any], tmp_path: Path
) -> None:
    """Each field once: a required one is an error with its line, others have a default.

    ``without`` fails where the journal never held the field: then nobody wrote it.
    """
    record = filled(form.record)
    whole = as_json(form, record)
    for field in fields_in(record):
        plain = without(whole, field.path)
        if field.required:
            with pytest.raises(UsageError, match="field required") as caught:
                record_with(tmp_path, {form.name: plain})
            assert f" {form.name}.{field}: " in caught.value.what
            assert caught.value.where.endswith(f"journal.jsonl:{LINE_OF_RESULT}")
        else:
            found = form.read(plain)
            assert found == field.default, field
            assert found != record, field


FOR_THE_RULES = {
    "AdapterFacts": {
        "boundaries",
        "fast_resets_after",
        "burst_extra",
        "burst_missing",
        "characters",
        "measured_reset_baud",
        "quiet_ones",
        "reset_rate_doubt",
    },
    "AlarmFacts": {"after", "before"},
    "Blocks": {"bad_at_s", "constants", "distinct_wrong", "moved"},
    "Conversion": {"marker_kept", "trouble"},
    "DeviceFacts": {
        "full_resolution",
        "idle_looks",
        "idle_losses",
        "answers_after_pause",
        "answers_long_reset",
        "answers_overdrive",
        "signals",
        "later",
        "longest_ms",
        "lows_missed",
        "zeros_lifted",
        "lost_at_openings",
        "matches",
        "openings",
        "settings_kept",
        "verify_troubles",
    },
    "Echoes": {"followed"},
    "Evidence": {
        "clock_step_s",
        "pulls",
        "alarms",
        "failed",
        "ladder",
        "late",
        "looks",
        "not_ready",
        "seen_low",
    },
    "LateFacts": {"came", "short"},
    "LookFacts": {"missed"},
    "Expected": {
        "built_for_v",
        "cable_pf",
        "devices",
        "no_load",
        "parasite",
        "pull_up_ohm",
        "supply_v",
    },
    "FailedCheck": {
        "beyond",
        "device",
        "evidence",
        "family",
        "socket",
        "units",
        "values",
        "what",
    },
    "Finding": {"explains", "rule"},
    "KindReading": {"evidence", "said", "watched"},
    "LineEvidence": {"answers_after_long_reset"},
    "ScanFacts": {"disturbed_passes", "each", "first", "last", "low_share", "passes"},
}
"""Fields that no page shows: rules judge by them, and they stay in the journal."""


@pytest.mark.slow
def test_a_page_shows_a_field_or_leaves_it_to_the_rules() -> None:
    """Dropping a field changes the page, unless it is one that no page shows."""

    def pages(plain: object) -> object:
        events = events_with({DIAGNOSIS.name: plain})
        return pages_of(RunRecord.from_events(events))

    record = filled(DIAGNOSIS.record)
    plain = as_json(DIAGNOSIS, record)
    whole = pages(plain)
    seen: dict[str, bool] = {}
    for field in fields_in(record):
        if not field.required:
            differs = pages(without(plain, field.path)) != whole
            seen[field.name] = seen.get(field.name, False) or differs
    unseen = {name for name, shown in seen.items() if not shown}
    for_the_rules = {
        f"{r}.{field}" for r, some in FOR_THE_RULES.items() for field in some
    }
    assert unseen == for_the_rules, "show it in results/diagnosis, or name it above"


@pytest.mark.parametrize(
    ("plain", "said"),
    [
        ([], "diagnosis: "),
        ({"findings": 3}, "diagnosis.findings: "),
        ({"found": {"lost": "often"}}, "diagnosis.found.lost: "),
        ({"findings": [{}]}, "diagnosis.findings.0.cause: field required, and 3 more"),
    ],
)
def test_a_field_of_the_wrong_type_is_named(plain: object, said: str) -> None:
    """One short sentence, whatever stands there."""
    with pytest.raises(FieldError) as caught:
        DIAGNOSIS.read(plain)
    assert str(caught.value).startswith(said)
    assert "\n" not in str(caught.value)


def test_what_a_newer_version_wrote_is_read() -> None:
    """Keys that a record does not have are passed over."""
    newer = {"found": {"weather": "wet", "lost": 2}, "mood": "good"}
    assert DIAGNOSIS.read(newer).evidence.lost == 2
