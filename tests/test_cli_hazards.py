"""The command line where something can hurt: refused, listed, allowed; kinds listed."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import yaml

from harness import cli
from harness.families.hazard import ALWAYS, Hazard

Make = Callable[..., Any]
"""A fixture that makes or runs something."""

PLAN = """\
plan: memory test
steps:
  - check: {function: memory_pattern, with: {length: 8}, hazard: memory-wear}
"""

pytest_plugins = ["pytester"]


@pytest.fixture
def files(tmp_path: Path, bench_data: Make, new_device: Make) -> tuple[Path, Path]:
    """A plan that wears the EEPROM of its fixture."""
    plan, fixture = tmp_path / "plan.yaml", tmp_path / "fixture.yaml"
    plan.write_text(PLAN, "utf-8")
    data = bench_data([new_device(0x2D, 1)], line={"pull_up_ohm": 1000})
    fixture.write_text(yaml.safe_dump(data), "utf-8")
    return plan, fixture


@pytest.fixture
def slotproof(
    monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str], tmp_path: Path
) -> Callable[..., tuple[int, str, str]]:
    """Run the command in a folder of its own; exit code, output, errors."""
    monkeypatch.chdir(tmp_path)

    def run(*arguments: object) -> tuple[int, str, str]:
        monkeypatch.setattr("sys.argv", ["slotproof", *map(str, arguments)])
        with pytest.raises(SystemExit) as ended:
            cli.main()
        said = capfd.readouterr()
        assert isinstance(ended.value.code, int)
        return ended.value.code, said.out, said.err

    return run


def test_refused_before_anything_is_sent(
    slotproof: Make, files: tuple[Path, Path], tmp_path: Path
) -> None:
    """Exit code 2, the option to give, its caution, and no results folder."""
    code, out, err = slotproof("run", files[0], "--fixture", files[1])
    assert (code, out) == (2, "")
    assert "plan.yaml:3:5: check memory_pattern is refused" in err
    assert "--allow memory-wear" in err
    assert Hazard.MEMORY_WEAR.caution in err
    assert not (tmp_path / "results").exists()


def test_allowed(slotproof: Make, files: tuple[Path, Path]) -> None:
    """With the option the same plan runs and passes."""
    code, _, _ = slotproof(
        "run", files[0], "--fixture", files[1], "--allow", "memory-wear"
    )
    assert code == 0


def test_misspelt_hazard(slotproof: Make, files: tuple[Path, Path]) -> None:
    """A name that is none is told with the nearest one."""
    code, _, err = slotproof(
        "run", files[0], "--fixture", files[1], "--allow", "memory-ware"
    )
    assert code == 2
    assert "did you mean 'memory-wear'" in err


def test_check_lists_hazards_with_their_cautions(
    slotproof: Make, files: tuple[Path, Path]
) -> None:
    """Step, hazard, caution, what to allow, and what holds on every bench."""
    code, out, _ = slotproof("check", *files)
    assert code == 0
    assert "line 3: check memory_pattern can hurt" in out
    assert f"memory-wear: {Hazard.MEMORY_WEAR.caution}" in out
    assert "to run: --allow memory-wear" in out
    assert all(caution in out for caution in ALWAYS)


def test_check_refuses_what_is_not_named(
    slotproof: Make, files: tuple[Path, Path]
) -> None:
    """A plan that no command line could run is a mistake."""
    files[0].write_text(PLAN.replace(", hazard: memory-wear", ""), "utf-8")
    code, _, err = slotproof("check", *files)
    assert code == 2
    assert "the step does not say so" in err


def test_kinds(slotproof: Make) -> None:
    """All, one class, one code, the README's table, and what is none."""
    for arguments, words in (
        ((), "2Dh  memory         EEPROM, 1 Kbit, page protection"),
        (("--class", "memory"), "09h  memory  write-once memory, 1 Kbit"),
        (("2D",), "protection_write: protects one page; can never be undone"),
        (("5A",), "no driver: the ROM code is proved and reported"),
        (("--markdown",), "| 2Dh | memory | EEPROM, 1 Kbit, page protection |"),
    ):
        code, out, _ = slotproof("families", *arguments)
        assert code == 0
        assert words in out
    code, _, err = slotproof("families", "--class", "toys")
    assert code == 2
    assert "there is no class 'toys'" in err


@pytest.mark.slow
def test_pytest_plugin_refuses_and_allows(
    pytester: pytest.Pytester, files: tuple[Path, Path]
) -> None:
    """The same rule for plans that pytest collects."""
    arguments = (f"--slotproof-fixture={files[1]}", "-p", "no:cacheprovider", files[0])
    refused = pytester.runpytest_inprocess(*arguments)
    refused.assert_outcomes(errors=1)
    refused.stdout.fnmatch_lines(["*does not allow memory-wear*"])
    allowed = pytester.runpytest_inprocess(*arguments, "--slotproof-allow=memory-wear")
    allowed.assert_outcomes(passed=1)
