"""Lots under several conditions: each by itself, and the worst in one answer."""

from __future__ import annotations

import csv
import math
import random
from pathlib import Path

import pytest

from harness.commands.declared.style import OutputStyle
from harness.commands.lots.values import capability, compare
from harness.errors import UsageError
from harness.lots.conditions import conditions_of
from harness.lots.tables.conditions import lacking_notes, reach_of

COLD, WARM = "-40 degC, 3 V", "25 degC, 5 V"


def _lot(path: Path, prefix: str, seed: int, *, cold_shift: float = 0.0) -> Path:
    """An export of forty devices under two conditions; one has no value when cold."""
    draw = random.Random(seed)
    with path.open("w", newline="", encoding="utf-8") as handle:
        out = csv.writer(handle)
        out.writerow(("device", "step", "quantity", "value", "unit", "condition"))
        for number, (under, shift) in enumerate(((COLD, cold_shift), (WARM, 0.0)), 1):
            for device in range(40):
                if (device, under) == (0, COLD):
                    continue
                out.writerow(
                    (
                        f"{prefix}{device}", f"1.{number}.1 read offset at {under}",
                        "offset", f"{draw.gauss(shift, 0.1):.6f}", "K",
                        f"'{under}" if under.startswith("-") else under,
                    )
                )  # fmt: skip
    return path


def test_conditions_of_an_export(tmp_path: Path) -> None:
    """In the order of the file, the apostrophe of an export taken off."""
    path = _lot(tmp_path / "a.csv", "A", 1)
    assert conditions_of([path], quantity="offset") == {
        COLD: f"read offset at {COLD}",
        WARM: f"read offset at {WARM}",
    }
    with pytest.raises(UsageError, match="no vary step measured offset"):
        conditions_of([path], quantity="offset", step="another")


def test_the_worst_condition_is_named(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A lot that is shifted in the cold is not as good there, and as good in the warm."""
    code = compare(
        baseline=(_lot(tmp_path / "a.csv", "A", 1),),
        candidate=(_lot(tmp_path / "b.csv", "B", 2, cold_shift=0.5),),
        quantity="offset",
        margin=0.2,
        spread_margin=None,
        low=None,
        high=None,
        confidence=0.95,
        step="",
        by_condition=True,
        leave_out=(),
        into=tmp_path / "out",
        style=OutputStyle(),
    )
    told = capsys.readouterr().out
    assert code == 1
    assert f"Yes under 1 of 2; worst at {COLD}" in told
    assert (
        f"at {COLD}: no value here of A0, B0, measured under other conditions" in told
    )


def test_capability_under_each(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Both are answered, and the page is one."""
    capability(
        files=(_lot(tmp_path / "a.csv", "A", 1, cold_shift=0.3),),
        quantity="offset",
        low=-1.0,
        high=1.0,
        target=None,
        wanted=1.33,
        coverage=0.95,
        side="both",
        history=(),
        confidence=0.95,
        uncertainty=0.0,
        in_order=False,
        step="read offset",
        by_condition=True,
        leave_out=(),
        into=tmp_path / "out",
        style=OutputStyle(),
    )
    told = capsys.readouterr().out
    assert f"worst at {COLD}" in told
    assert f"At {WARM}: " in told
    assert COLD in (tmp_path / "out" / "lot.html").read_text("utf-8")


def test_what_ranks_conditions() -> None:
    """The reciprocal of Ppk: mean 0, deviation 1, limits at 3 and 6; outside is worst."""
    values = (-1.0, 0.0, 1.0)
    assert reach_of(values, low=-3, high=6) == 1.0
    assert reach_of(values, low=None, high=6) == 0.5
    assert reach_of(values, low=0.5, high=None) == math.inf
    assert lacking_notes({"x": frozenset("ab"), "y": frozenset("ab")}) == {
        "x": (),
        "y": (),
    }
