"""The names that ``harness`` exports: documented by examples that run, typed, cheap."""

from __future__ import annotations

import doctest
import inspect
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

import harness

ROOT = Path(__file__).parents[1]

EXPORTED = (
    "API_VERSION", "AdapterError", "Answer", "BenchDevice", "Check", "DeviceError",
    "Family", "Findings", "Fixture", "Hazard", "LineError", "Measurement", "OpenBench",
    "Option", "OptionKind", "Options", "Outcome", "Plan", "PlanError", "PlugIn",
    "Quantity", "Reading", "RunRecord", "Session", "SlotproofError", "Step",
    "UsageError", "by_name", "check_plan", "crc8", "crc16", "load_fixture", "load_plan",
    "open_bench", "read_journal", "run_plan",
)  # fmt: skip
"""A name that was published once stays: this list only grows."""


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with what ships, as a user has it."""
    for name in ("fixtures", "test_plans"):
        (tmp_path / name).symlink_to(ROOT / name)
    monkeypatch.chdir(tmp_path)
    return tmp_path


def test_the_names_stay() -> None:
    """Nothing that was exported goes, what comes has its example; each name is there."""
    assert set(EXPORTED) <= set(harness.__all__) <= set(dir(harness))
    assert len(set(harness.__all__)) == len(harness.__all__)


def _examples(name: str) -> Iterator[doctest.DocTest]:
    thing = getattr(harness, name)
    finder = doctest.DocTestFinder(exclude_empty=True, recurse=inspect.isclass(thing))
    module = inspect.getmodule(inspect.unwrap(thing))
    for found in finder.find(thing, name, module=module, globs={}):
        if found.examples:
            yield found


@pytest.mark.parametrize(
    "name", [name for name in harness.__all__ if name != "API_VERSION"]
)
@pytest.mark.usefixtures("folder")
def test_each_name_has_an_example_that_runs(name: str) -> None:
    """The example stands in the docstring of the name itself."""
    examples = list(_examples(name))
    assert name in {found.name for found in examples}
    runner = doctest.DocTestRunner(optionflags=doctest.NORMALIZE_WHITESPACE)
    said: list[str] = []
    for found in examples:
        runner.run(found, out=said.append)
    assert not runner.failures, "".join(said)


@pytest.mark.usefixtures("folder")
def test_the_example_of_the_package_runs() -> None:
    """What ``help(harness)`` shows first."""
    (found,) = doctest.DocTestFinder(recurse=False).find(harness, globs={})
    runner = doctest.DocTestRunner()
    runner.run(found)
    assert (runner.tries > 3, runner.failures) == (True, 0)


def _from_python() -> str:
    text = (ROOT / "README.md").read_text("utf-8")
    section = text.partition("## From Python\n")[2].partition("\n## ")[0]
    (code,) = re.findall(r"```python\n(.*?)```", section, re.DOTALL)
    return str(code)


@pytest.mark.slow
def test_the_lines_of_the_readme_run(folder: Path) -> None:
    """The README's lines work on the demo bench as they stand there."""
    (folder / "mine.py").write_text(_from_python(), "utf-8")
    said = subprocess.run(
        [sys.executable, "mine.py"],
        cwd=folder, capture_output=True, text=True, check=False, timeout=300,
    )  # fmt: skip
    assert said.returncode == 0, said.stderr
    assert "3D0000A4B3C2D128" in said.stdout
    assert said.stdout.strip().endswith("passed")


USER_FILE = """
from collections.abc import Iterator

import harness
from harness import Outcome, Reading, RunRecord


def readings(path: str) -> Iterator[Reading]:
    with harness.open_bench(path) as bench:
        for device in bench.enumerate_devices():
            if "resolution_bits" in device.settings:
                device.configure({"resolution_bits": 12}, store=False)
            yield device.read("temperature")


def passed(plan: str, fixture: str) -> bool:
    loaded = harness.load_plan(plan, {"at_least": "8"}), harness.load_fixture(fixture)
    harness.check_plan(*loaded, allow=["memory-wear"])
    record: RunRecord = harness.run_plan(*loaded, into="results/mine", ask=bool)
    for step, result in harness.read_journal("results/mine").results:
        title: str = step.title
        values = [m.value for m in result.shown.measurements]
        print(title, result.outcome is Outcome.PASSED, values)
    return record.outcome is Outcome.PASSED


reveal_type(harness.load_plan)
"""


@pytest.mark.slow
def test_a_users_file_is_typed(tmp_path: Path) -> None:
    """``mypy --strict`` takes a file that uses every function, and finds a misuse."""
    good, bad = tmp_path / "good.py", tmp_path / "bad.py"
    good.write_text(USER_FILE, "utf-8")
    bad.write_text("import harness\nharness.open_bench(7)\nharness.fly()\n", "utf-8")
    said = subprocess.run(
        [
            sys.executable, "-m", "mypy", "--strict", "--no-error-summary",
            str(good), str(bad),
        ],
        cwd=ROOT, capture_output=True, text=True, check=False, timeout=600,
    )  # fmt: skip
    lines = said.stdout.splitlines()
    assert not [line for line in lines if "good.py" in line and "error" in line], lines
    assert "harness.plans.schema.plan.Plan" in said.stdout  # typed, not Any
    assert [line for line in lines if "bad.py:2" in line and "arg-type" in line], lines
    assert [line for line in lines if "bad.py:3" in line and "attr-defined" in line]


def test_importing_the_package_costs_nothing() -> None:
    """Plugin and command line start through it: no other module comes with it."""
    code = (
        "import sys, harness; print(sorted(m for m in sys.modules if "
        "m.split('.')[0] in {'harness', 'pydantic', 'numpy', 'serial', 'click'}))"
    )
    said = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True
    )
    assert said.stdout.strip() == "['harness']"


def test_values_of_a_unit(folder: Path) -> None:
    """They reach the plan; one that is missing or misspelt is a sentence with the cure."""
    path = folder / "unit.yaml"
    path.write_text(
        "plan: p\nunit: {columns: {at_least: 1}}\n"
        "steps: [enumerate: {at_least: $unit.at_least}]\n",
        "utf-8",
    )
    plan = harness.load_plan(path)
    fixture = harness.load_fixture("fixtures/demo_bench.yaml")

    def run(into: str, **unit: float | str) -> str:
        return str(harness.run_plan(plan, fixture, into=into, unit=unit).outcome)

    assert run("a", at_least=8) == "passed"
    assert run("b", at_least=9) == "failed"
    for unit, told in (
        ({}, r'give it: unit=\{"at_least": ...\}'),
        ({"at_lest": 8}, "did you mean 'at_least'"),
        ({"at_least": "many"}, "is 'many'"),
    ):
        with pytest.raises(harness.UsageError, match=told):
            run("c", **unit)
