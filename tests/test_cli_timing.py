"""`slotproof survey` and `budget` from the command line."""

from __future__ import annotations

import re
import shutil
import sys
from pathlib import Path

import pytest

from harness.cli import main

FIXTURES = Path(__file__).parents[1] / "fixtures"


def run(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], *words: str
) -> tuple[int, str]:
    """Exit code and standard output of a command."""
    monkeypatch.setattr(sys, "argv", ["slotproof", *words])
    with pytest.raises(SystemExit) as ended:
        main()
    return int(ended.value.code or 0), capsys.readouterr().out


def test_survey_names_what_limits_the_bus(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """Worst margin first, one sentence, prediction beside measurement, a picture."""
    code, out = run(
        monkeypatch, capsys,
        "survey", "--fixture", str(FIXTURES / "demo_bench.yaml"), "--into", str(tmp_path / "r"), "--table",
    )  # fmt: skip
    assert code == 0
    table = out.index("device  ")
    assert out.index("sample_instant", table) < out.index("capacitance", table)
    assert "What limits this bus: " in out
    predicted = re.search(
        r"line capacitance: predicted ([\d.]+) \+- [\d.]+ nF, measured ([\d.]+)", out
    )
    assert predicted is not None
    assert float(predicted[1]) == pytest.approx(float(predicted[2]), rel=0.2)
    assert "WARNING" not in out
    assert "bus: within limits, computed and measured" in out
    assert "+- 0.0000" not in out
    assert re.search(r"presence_wait +at most 33\.\d us .*low limit not judged", out)
    assert (tmp_path / "r" / "survey.png").stat().st_size > 10_000


def test_survey_warns_where_the_line_is_not_as_declared(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """Forty metres of cable where six are declared do not go unnoticed."""
    text = (FIXTURES / "demo_bench.yaml").read_text("utf-8")
    path = tmp_path / "long.yaml"
    changed = text.replace(
        "line: {pull_up_ohm: 2230}", "line: {pull_up_ohm: 2230, cable_m: 40}"
    )
    assert changed != text
    path.write_text(changed, "utf-8")
    _, out = run(
        monkeypatch,
        capsys,
        "survey",
        "--fixture",
        str(path),
        "--into",
        str(tmp_path / "r"),
    )
    assert "line capacitance: predicted 0.52 +- 0.10 nF" in out
    assert "WARNING: they disagree" in out


def test_budget_of_a_sound_line(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Every row holds; the longest cable and the most devices are told; no port is opened."""
    fixture = str(FIXTURES / "demo_bench.yaml")
    code, out = run(monkeypatch, capsys, "budget", "--fixture", fixture)
    assert code == 0
    assert out.startswith("bus: within limits by the worst case of the data sheets\n")
    assert re.search(r"reach +cable +6\.0 \+- .* at most \d+", out)
    assert re.search(r"reach +devices of this mix +8 devices +at most \d+", out)
    assert "slots: fractional-divider" in out


def test_budget_of_a_line_that_cannot_work(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """A hundred metres on 4.7 kohm: the rise breaks its limit (arithmetic)."""
    path = tmp_path / "long.yaml"
    path.write_text(
        "fixture: long line\nadapter: {port: /dev/ttyUSB0, kind: fractional-divider}\n"
        "line: {pull_up_ohm: 4700, supply_v: 5.0, cable_m: 100}\n"
        "sockets: [{name: A1, expect: {family: 0x28}}]\n",
        "utf-8",
    )
    code, out = run(monkeypatch, capsys, "budget", "--fixture", str(path), "--formulas")
    assert code == 1
    assert re.search(r"rise to the adapter's threshold +\d.*VIOLATED", out)
    assert out.startswith("bus: not guaranteed")
    assert "remedy, any one of these" in out
    assert "R C ln((V - V0) / (V - Vth))" in out


def test_survey_without_its_port_is_an_error_case(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """An absent port is exit code 3, with a JUnit file that says so."""
    shutil.copy(FIXTURES / "real_adapter.yaml", tmp_path / "f.yaml")
    monkeypatch.chdir(tmp_path)
    code, _ = run(monkeypatch, capsys, "survey", "--fixture", "f.yaml")
    assert code == 3
    (junit,) = (tmp_path / "results").glob("*/junit.xml")
    assert "<error" in junit.read_text("utf-8")
