"""Plug-ins: an example package installed by its entry points, and every way to be wrong."""

from __future__ import annotations

import ast
import shutil
import sys
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

import harness
from harness import cli
from harness.families.hazard import Hazard
from harness.families.registry import built_in
from harness.plans.execution.hazard_gate import require_allowed
from harness.plans.kinds.table import kinds_of
from harness.plans.loading.files import load_fixture, load_plan, parse_plan
from harness.plans.loading.problems import PlanError
from harness.results.journal.writer import read_events

EXAMPLE = Path(__file__).parent / "example"
Install = Callable[..., Path]
Make = Callable[..., Any]
"""A fixture that makes or runs something."""

PLAN = """\
plan: moisture
plug_ins: [moisture]
steps:
  - enumerate: {count: 2}
  - for_each:
      family: 0x7A
      steps:
        - read: {quantity: moisture, low: 20, high: 60, unit: "%"}
        - check: {function: moisture_revision, with: {at_least: 3}}
  - for_each:
      family: 0x28
      steps:
        - check: {function: proof, with: {times: 3}}
        - read: {quantity: temperature, unit: degC}
  - plug_in: {step: head_count, with: {at_least: 2}}
"""
FIXTURE = """\
fixture: bench
plug_ins: [moisture]
adapter: {port: "sim://", kind: fractional-divider}
line: {pull_up_ohm: 2200, supply_v: 5.0, cable_m: 1}
sockets: [{name: A, expect: {family: 0x7A}}, {name: B, expect: {family: 0x28}}]
simulation:
  seed: 5
  devices:
    - {family: 0x28, serial: 5, socket: B}
    - family: 0x7A
      serial: 9
      socket: A
      registers: {result: "88 13 04"}                     # 50.00 %, revision 4
      script: [{command: "BE", answer: "{result}", crc: crc-8}]
"""


@pytest.fixture
def install(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Install:
    """Install a module as pip leaves it: beside a folder with its entry points."""

    def put(
        module: str = "slotproof_moisture",
        text: str | None = None,
        *,
        name: str = "slotproof-moisture",
        points: dict[str, dict[str, str]] | None = None,
    ) -> Path:
        project = tomllib.loads((EXAMPLE / "pyproject.toml").read_text())["project"]
        points = points or project["entry-points"]
        folder = tmp_path / f"site-{name}"
        info = folder / f"{name.replace('-', '_')}-1.2.dist-info"
        info.mkdir(parents=True)
        if text is None:
            shutil.copy(EXAMPLE / f"{module}.py", folder)
        else:
            (folder / f"{module}.py").write_text(text, "utf-8")
        (info / "METADATA").write_text(
            f"Metadata-Version: 2.1\nName: {name}\nVersion: 1.2\n", "utf-8"
        )
        lines = [
            line
            for group, named in points.items()
            for line in (f"[{group}]", *(f"{k} = {v}" for k, v in named.items()))
        ]
        (info / "entry_points.txt").write_text("\n".join(lines) + "\n", "utf-8")
        monkeypatch.delitem(sys.modules, module, raising=False)
        monkeypatch.syspath_prepend(str(folder))
        return folder

    return put


@pytest.fixture
def fixture_file(tmp_path: Path) -> Path:
    """A bench with a moisture sensor of the plug-in, played by a script."""
    path = tmp_path / "bench.yaml"
    path.write_text(FIXTURE, "utf-8")
    return path


def test_the_example_runs(install: Install, fixture_file: Path, tmp_path: Path) -> None:
    """Kind, check and step of the package, through the public API, into the journal."""
    install()
    (tmp_path / "plan.yaml").write_text(PLAN, "utf-8")
    plan, fixture = load_plan(tmp_path / "plan.yaml"), load_fixture(fixture_file)
    record = harness.run_plan(plan, fixture, into=tmp_path / "results")
    messages = [result.shown.message for _, result in record.results]
    assert str(record.outcome) == "passed", messages
    values = {
        m.name: m.value
        for _, result in record.results
        for m in result.shown.measurements
    }
    assert values["moisture"] == 50.0
    assert values["revision"] == 4
    assert values["proofs"] == 3
    assert values["devices"] == 2
    (start, *_) = read_events(tmp_path / "results" / "journal.jsonl")
    (kept,) = start["kinds"]
    assert kept["description"]["package"] == "slotproof-moisture 1.2"
    page = (tmp_path / "results" / "report.html").read_text("utf-8")
    assert "plug-in moisture (slotproof-moisture 1.2)" in page
    with harness.open_bench(fixture) as bench:
        assert bench.enumerate_devices()[0].read("moisture").value == 50.0


def test_the_example_uses_the_public_names_alone() -> None:
    """It imports ``harness`` and takes from it what stays."""
    tree = ast.parse((EXAMPLE / "slotproof_moisture.py").read_text("utf-8"))
    imported = {
        alias.name
        for node in ast.walk(tree)
        if isinstance(node, ast.Import)
        for alias in node.names
    } | {n.module for n in ast.walk(tree) if isinstance(n, ast.ImportFrom)}
    assert imported == {"__future__", "collections.abc", "harness"}
    used = {
        node.attr
        for node in ast.walk(tree)
        if isinstance(node, ast.Attribute)
        and isinstance(node.value, ast.Name)
        and node.value.id == "harness"
    }
    assert used <= set(harness.__all__)


def test_nothing_is_imported_before_a_file_names_it(install: Install) -> None:
    """Installed is not loaded; and a kind that is not named is not known."""
    install()
    text = "plan: p\nsteps: [{enumerate: {}}]\n"
    plan = parse_plan(text, "p.yaml")
    assert "slotproof_moisture" not in sys.modules
    assert 0x7A not in kinds_of(plan).known_families()
    named = parse_plan(text + "plug_ins: [moisture]\n", "p.yaml")
    assert 0x7A in kinds_of(named).known_families()
    assert "proof" in kinds_of(named).check_names(0x28)
    assert "proof" not in built_in().check_names(0x28)


def test_the_list_of_kinds_names_what_is_installed(
    install: Install, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    """Without loading it; one that is named is loaded and listed like a kind built in."""

    def said(*arguments: str) -> tuple[object, str]:
        monkeypatch.setattr("sys.argv", ["slotproof", "families", *arguments])
        with pytest.raises(SystemExit) as ended:
            cli.main()
        return ended.value.code, "".join(capfd.readouterr())

    install()
    code, told = said()
    assert code == 0
    assert "moisture: slotproof-moisture 1.2: families, checks, steps" in told
    assert "7A" not in told
    assert "slotproof_moisture" not in sys.modules
    code, told = said("7A", "--plug-in", "moisture")
    assert code == 0
    assert "moisture [%]" in told
    code, told = said("--plug-in", "mosture")
    assert code == 2
    assert "--plug-in: no plug-in 'mosture' is installed" in told


BAD = {
    "raise RuntimeError('no licence')": "raised RuntimeError while it was loaded: no lic",
    "PLUG_IN = 7": "offers int as ",
    "import harness\nPLUG_IN = harness.PlugIn(api=0)": "too old: written for version 0",
    "import harness\nPLUG_IN = harness.PlugIn(api=9)": "too new: written for version 9",
    "import harness\nPLUG_IN = harness.PlugIn(api=1, steps=(3,))": "rows of another shape",
    "import harness\nPLUG_IN = harness.PlugIn(api=1, families=(harness.Family(code=0x28,"
    " name='x', device_class='thermometer', typical_parts=''),))": "claims family 0x28, "
    "which is taken",
    "import harness\nPLUG_IN = harness.PlugIn(api=1, checks={0x28: (harness.Check("
    "name='data_sheet_conformance', about='', run=print),)})": "claims the check "
    "'data_sheet_conformance' of family 0x28, which is taken",
    "import harness\nPLUG_IN = harness.PlugIn(api=1, checks={0x7B: (harness.Check("
    "name='x', about='', run=print),)})": "checks for family 0x7B, which nobody knows",
    "import harness\nrow = harness.Step(name='x', about='', run=print)\n"
    "PLUG_IN = harness.PlugIn(api=1, steps=(row, row))": "claims the step 'x', which is",
    "import harness\nPLUG_IN = harness.PlugIn(api='one')": "version 'one' of the API",
}


@pytest.mark.parametrize(("text", "told"), BAD.items(), ids=range(len(BAD)))
def test_a_bad_plug_in_is_one_sentence(install: Install, text: str, told: str) -> None:
    """It names plug-in, package, and the place in the file."""
    install("bad_one", text, points={
        f"slotproof.{group}": {"moisture": "bad_one:PLUG_IN"}
        for group in ("families", "checks", "steps")
    })  # fmt: skip
    with pytest.raises(PlanError) as caught:
        parse_plan("plan: p\nplug_ins: [moisture]\nsteps: [{reset: {}}]\n", "p.yaml")
    (problem,) = caught.value.problems
    assert (problem.line, problem.column) == (2, 12)
    assert problem.what.startswith("plug-in moisture (slotproof-moisture 1.2)")
    assert told in problem.what


def test_a_plug_in_that_is_not_there(install: Install) -> None:
    """The nearest name that is; two packages with one name are both named."""
    install()
    text = "plan: p\nplug_ins: [%s]\nsteps: [{reset: {}}]\n"
    with pytest.raises(
        PlanError, match=r"no plug-in 'mosture'.*did you mean 'moisture'"
    ):
        parse_plan(text % "mosture", "p")
    install("other", "", name="other-package", points={
        "slotproof.steps": {"moisture": "other:PLUG_IN"}
    })  # fmt: skip
    with pytest.raises(PlanError, match=r"claimed by .*other-package 1.2"):
        parse_plan(text % "moisture", "p")


def test_steps_and_options_are_judged_while_loading(install: Install) -> None:
    """A misspelt step or option has its place, as a check has."""
    install()
    head = "plan: p\nplug_ins: [moisture]\nsteps:\n  - plug_in: "
    with pytest.raises(PlanError, match=r"p:4:21: .*'headcount'.*'head_count'"):
        parse_plan(head + "{step: headcount}\n", "p")
    with pytest.raises(PlanError, match="has no option 'least'"):
        parse_plan(head + "{step: head_count, with: {least: 1}}\n", "p")
    with pytest.raises(PlanError, match="up to 100"):
        parse_plan(head + "{step: head_count, with: {at_least: 1000}}\n", "p")


RAISES = """\
import harness

def boom(*_):
    raise {}

def wrong(*_):
    return 5

lock = frozenset({{harness.Hazard.LOCK}})
PLUG_IN = harness.PlugIn(
    api=1,
    checks={{0x28: (harness.Check(name="boom", about="", run=boom),
                   harness.Check(name="wrong", about="", run=wrong))}},
    steps=(harness.Step(name="bang", about="", run=boom),
           harness.Step(name="locks", about="", run=boom, hazards=lock)),
)
"""
POINTS = {f"slotproof.{g}": {"bad": "bad_two:PLUG_IN"} for g in ("checks", "steps")}


def test_what_its_code_raises_is_an_error_that_names_it(
    install: Install,
    run_plan: Make,
    bench_data: Make,
    new_device: Make,
) -> None:
    """No traceback, no verdict on the device; the run goes on."""
    install("bad_two", RAISES.format("ValueError('half a byte')"), points=POINTS)
    steps = [
        {"check": {"function": "boom"}},
        {"check": {"function": "wrong"}},
        {"plug_in": {"step": "bang"}},
        {"reset": {}},
    ]
    ran = run_plan(steps, bench_data([new_device(0x28, 5)]), plug_ins=["bad"])
    assert ran.code == 3
    owner = "plug-in bad (slotproof-moisture 1.2)"
    for shown, told in (
        (ran.shown("1", "S1"), f"{owner} raised ValueError in check boom: half a byte"),
        (ran.shown("2", "S1"), f"{owner} returned int from check wrong"),
        (ran.shown("3"), f"{owner} raised ValueError in step bang: half a byte"),
    ):
        assert shown.outcome == "error"
        assert told in shown.message
    assert ran.step("4").outcome == "passed"


def test_a_device_error_of_it_is_a_failure(
    install: Install,
    run_plan: Make,
    bench_data: Make,
    new_device: Make,
) -> None:
    """Blame is in the type for plug-ins too."""
    text = RAISES.format("harness.DeviceError('half a byte')")
    install("bad_two", text, points=POINTS)
    data = bench_data([new_device(0x28, 5)])
    ran = run_plan([{"check": {"function": "boom"}}], data, plug_ins=["bad"])
    assert (ran.code, ran.shown("1", "S1").message) == (1, "half a byte")


def test_hazards_of_its_steps_are_asked_for(
    install: Install,
    write_fixture: Make,
    bench_data: Make,
    new_device: Make,
) -> None:
    """As those of every step: named in the plan, allowed on the command line."""
    install("bad_two", RAISES.format("ValueError()"), points=POINTS)
    fixture = write_fixture(bench_data([new_device(0x28, 5)]))
    text = "plan: p\nplug_ins: [bad]\nsteps: [{plug_in: {step: locks%s}}]\n"
    for more, told in (("", "does not say so"), (", hazard: lock", "does not allow")):
        with pytest.raises(PlanError, match=told):
            require_allowed(parse_plan(text % more, "p"), fixture, frozenset())
    plan = parse_plan(text % ", hazard: lock", "p")
    assert require_allowed(plan, fixture, frozenset({Hazard.LOCK}))
