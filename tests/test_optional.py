"""Parts that an installation may leave out: whoever asks for one is told its name."""

from __future__ import annotations

from importlib.util import find_spec
from pathlib import Path

import pytest

from harness import lazy
from harness.errors import UsageError
from harness.lazy import PICTURES, RECORDINGS, STATISTICS, OptionalPart
from harness.plans.execution.request import RunRequest
from harness.plans.execution.run import execute
from harness.plans.loading.files import load_fixture, load_plan

ROOT = Path(__file__).parents[1]
PARTS = (PICTURES, STATISTICS, RECORDINGS)


def _leave_out(monkeypatch: pytest.MonkeyPatch, *parts: OptionalPart) -> None:
    out = {part.library for part in parts}
    monkeypatch.setattr(
        lazy, "find_spec", lambda name: None if name in out else find_spec(name)
    )


@pytest.mark.parametrize("part", PARTS)
def test_the_import_of_a_missing_library_names_its_part(
    part: OptionalPart, monkeypatch: pytest.MonkeyPatch
) -> None:
    _leave_out(monkeypatch, part)
    fault = ImportError("no", name=f"{part.library}.inside")
    with (
        pytest.raises(
            UsageError, match=f"{part.library}, which is not installed"
        ) as said,
        lazy.missing_parts_named(),
    ):
        raise fault
    assert said.value.hint == f"pip install 'slotproof[{part.name}]'"


@pytest.mark.parametrize("name", ["numpy", "scipy.stats", None])
def test_any_other_import_error_stays_what_it_is(name: str | None) -> None:
    """Of a library that is no part, or of one that is there and broken."""
    with pytest.raises(ImportError, match="odd"), lazy.missing_parts_named():
        raise ImportError("odd", name=name)


def test_a_plan_that_needs_statistics_sends_nothing_without_them(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    _leave_out(monkeypatch, STATISTICS)
    request = RunRequest(
        plan=load_plan(ROOT / "test_plans" / "overnight_soak.yaml"),
        fixture=load_fixture(ROOT / "fixtures" / "demo_bench.yaml"),
        into=tmp_path / "run",
    )
    with pytest.raises(UsageError, match="scipy, which is not installed") as said:
        execute(request)
    assert "overnight_soak.yaml:" in said.value.where
    assert not (tmp_path / "run").exists()


PLAN = """\
plan: one line
steps:
  - enumerate: {at_least: 1}
  - shmoo: {slot: write-0, low_us: {from: 60, to: 120, step: 30}, against: {axis: baud, values: [75000]}}
"""


def test_a_report_without_pictures_says_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nothing that was asked for is dropped in silence."""
    _leave_out(monkeypatch, PICTURES)
    (tmp_path / "plan.yaml").write_text(PLAN)
    request = RunRequest(
        plan=load_plan(tmp_path / "plan.yaml"),
        fixture=load_fixture(ROOT / "fixtures" / "demo_bench.yaml"),
        into=tmp_path / "run",
    )
    done = execute(request)
    assert list(done.folder.glob("*.png")) == []
    page = (done.folder / "report.html").read_text()
    assert "no pictures: pip install" in page
