"""Every command's JSON is one object, and as its schema says."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import click
import pytest
from click.shell_completion import ShellComplete
from click.testing import CliRunner

from harness import cli
from harness.cli import app
from harness.commands.outputs.schemas import ANSWERS

ROOT = Path(__file__).parents[2]
KEPT = ROOT / "tests/old_journals"
JSON_OF = {
    "output-report": ("report", "failed_run"),
    "output-budget": ("budget", "-f", "fixtures/demo_bench.yaml"),
    "output-trace": ("trace", "recordings/octal_switch_29h_read.vcd", "--into", "t"),
    "output-check": ("check", "test_plans/serial_numbers.yaml"),
    "output-families": ("families", "28"),
    "output-ports": ("ports",),
    "output-instruments": ("instruments", "-f", "fixtures/corner_bench.yaml"),
    "output-lot": ("lot", "need", "--margin", "0.1", "--standard-deviation", "0.12"),
    "output-units": ("units", "book", "shift", "--ledger", "ledger.sqlite"),
}

pytestmark = pytest.mark.filterwarnings("ignore::harness.old_names.RenamedName")

Run = Callable[..., Any]


@pytest.fixture
def run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Run:
    """Run a command with ``--json`` beside the files that it names; its object."""
    for name in ("failed_run", "shift"):
        shutil.copytree(KEPT / name, tmp_path / name)
    for name in ("fixtures", "test_plans"):
        (tmp_path / name).symlink_to(ROOT / name)
    (tmp_path / "recordings").symlink_to(ROOT / "tests/recordings/data")
    monkeypatch.chdir(tmp_path)

    def run(*words: str) -> Any:  # noqa: ANN401 - any JSON
        result = CliRunner().invoke(app, [*words, "--json"])
        if result.exception and not isinstance(result.exception, SystemExit):
            raise result.exception
        found = json.loads(result.stdout)
        assert found["exit_code"] == result.exit_code
        return found

    return run


@pytest.mark.parametrize("schema", JSON_OF)
def test_an_answer_is_as_its_schema_says(run: Run, schema: str) -> None:
    """No field is missing, none is more, each has its type and its description."""
    found = run(*JSON_OF[schema])
    assert found["command"] == " ".join(
        JSON_OF[schema][: len(found["command"].split())]
    )
    ANSWERS[schema].model_validate_json(json.dumps(found))
    described = ANSWERS[schema].model_json_schema(mode="serialization")
    for part in (described, *described.get("$defs", {}).values()):
        for name, field in part.get("properties", {}).items():
            assert "description" in field, name


def test_units_of_a_simulated_shift_are_marked(run: Run) -> None:
    """A rehearsal that was entered into a ledger on request says what it is."""
    run("units", "book", "shift", "--ledger", "ledger.sqlite")
    listed = run("units", "list", "--ledger", "ledger.sqlite")
    assert listed["tests"]
    assert all(test["simulated"] for test in listed["tests"])


def test_mistakes_of_files_are_in_the_object(run: Run, tmp_path: Path) -> None:
    """Each with its place; the exit code is 2 as without JSON."""
    (tmp_path / "bad.yaml").write_text("plan: x\nsteps:\n  - rest: {}\n")
    found = run("check", "bad.yaml")
    assert found["exit_code"] == 2
    assert "bad.yaml:3" in found["mistakes"][0]


def test_an_error_is_an_object_too(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    """A journal that is not there: the object on standard output, the words on error."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("sys.argv", ["slotproof", "report", "absent", "--json"])
    with pytest.raises(SystemExit) as ended:
        cli.main()
    said = capfd.readouterr()
    found = ANSWERS["output-error"].model_validate_json(said.out)
    assert found.exit_code == ended.value.code == 2
    assert "absent" in said.err


def test_a_mistake_of_the_command_line_is_an_object_too(
    monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    """An option that is not there: the object on standard output, the usage on error."""
    monkeypatch.setattr("sys.argv", ["slotproof", "survey", "--fixtur", "x", "--json"])
    with pytest.raises(SystemExit) as ended:
        cli.main()
    said = capfd.readouterr()
    found = ANSWERS["output-error"].model_validate_json(said.out)
    assert found.exit_code == ended.value.code == 2
    assert "--fixtur" in json.loads(said.out)["errors"][0]
    assert "Usage:" in said.err


def test_a_shift_is_an_object_too(run: Run) -> None:
    """Its counts, and each failed unit by name with its reason."""
    found = run("report", "shift")
    ANSWERS["output-station"].model_validate_json(json.dumps(found))
    assert (found["passed"], found["failed"], found["simulated"]) == (9, 2, True)
    assert "CS-000103" in [unit["unit"] for unit in found["failed_units"]]


@pytest.mark.parametrize("name", ["run", "diagnose", "survey", "station"])
def test_every_schema_is_printed(name: str) -> None:
    """By the name of its command."""
    result = CliRunner().invoke(app, ["schema", f"output-{name}"])
    assert json.loads(result.stdout)["properties"]["exit_code"]


def _commands(group: click.Group, before: str = "") -> Iterator[tuple[str, Any]]:
    for name, command in group.commands.items():
        if isinstance(command, click.Group):
            yield from ((f"{name}", each) for _, each in _commands(command))
        else:
            yield f"{before}{name}", command


def test_every_command_with_json_has_a_schema_that_is_explained() -> None:
    """Whichever command is added: its schema has its name, and `explain output` says so."""
    explained = (ROOT / "harness/commands/topics/output.txt").read_text("utf-8")
    asked = {
        f"output-{name}"
        for name, command in _commands(app)
        if "json" in [parameter.name for parameter in command.params]
    }
    assert len(asked) >= 14
    assert asked | {"output-error"} == set(ANSWERS)
    for schema in ANSWERS:
        assert schema in explained, schema


@pytest.mark.parametrize(
    ("words", "begun", "offered"),
    [
        (["explain"], "hazard", ["hazards"]),
        (["schema"], "output-fam", ["output-families"]),
        (["families"], "2", ["20", "21", "22", "23", "24", "26", "27", "28", "29", "2C", "2D", "2E", "2F"]),
        (["run", "plan.yaml", "--allow"], "memory-w", ["memory-wear"]),
        (["surv"], "surv", ["survey"]),
    ],
)  # fmt: skip
def test_a_shell_completes_names_that_are_known(
    words: list[str], begun: str, offered: list[str]
) -> None:
    """Topics, schemas, family codes and hazards as well as commands and options."""
    words = [] if words == [begun] else words
    found = ShellComplete(app, {}, "slotproof", "_X").get_completions(words, begun)
    assert [item.value for item in found] == offered
