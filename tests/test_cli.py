"""The command line: exit codes, messages, and what it leaves behind."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
import serial
import yaml

from harness import cli
from harness.cli import app
from harness.commands.declared.kit import DeclaredCommand
from harness.results.journal.writer import read_events

Make = Callable[..., Any]
"""A fixture that makes or runs something."""

PLAN = """\
plan: two steps
parameters: {high_degc: 30}
steps:
  - reset: {times: 3}
  - read: {quantity: temperature, low: 10, high: $high_degc, unit: degC}
"""


@dataclass(frozen=True, kw_only=True)
class Said:
    """Exit code and output of a command."""

    code: int
    out: str
    err: str


@pytest.fixture
def slotproof(
    monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str], tmp_path: Path
) -> Make:
    """Run the command in a folder of its own, in this process."""
    monkeypatch.chdir(tmp_path)

    def run(*arguments: object) -> Said:
        monkeypatch.setattr("sys.argv", ["slotproof", *map(str, arguments)])
        with pytest.raises(SystemExit) as ended:
            cli.main()
        said = capfd.readouterr()
        assert isinstance(ended.value.code, int)
        return Said(code=ended.value.code, out=said.out, err=said.err)

    return run


@pytest.fixture
def files(tmp_path: Path, bench_data: Make, new_device: Make) -> Make:
    """Write a plan and a fixture; text given replaces either."""

    def write(*, plan: str | bytes = PLAN, **data: Any) -> tuple[Path, Path]:  # noqa: ANN401
        plan_path, fixture_path = tmp_path / "plan.yaml", tmp_path / "fixture.yaml"
        plan_path.write_bytes(plan if isinstance(plan, bytes) else plan.encode())
        bench = bench_data([new_device(0x28, 5, temperature_degc=21.0)], **data)
        fixture_path.write_text(yaml.safe_dump(bench), encoding="utf-8")
        return plan_path, fixture_path

    return write


_MAIN = "from harness.cli import main; main()"


def in_a_process(*arguments: object, cwd: Path) -> subprocess.Popen[str]:
    """The command as a process of its own, its output in pipes."""
    return subprocess.Popen(
        [sys.executable, "-c", _MAIN, *map(str, arguments)],
        cwd=cwd,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": str(Path(cli.__file__).parents[1])},
    )


# -- run -------------------------------------------------------------------------


def test_passed_run(slotproof: Make, files: Make, tmp_path: Path) -> None:
    """A passed run ends with 0, its verdicts, and both files in a fresh folder."""
    plan, fixture = files()
    said = slotproof("run", plan, "--fixture", fixture)
    (folder,) = (tmp_path / "results").iterdir()
    assert said.code == 0
    assert sorted(p.name for p in folder.iterdir()) == [
        "journal.jsonl",
        "junit.xml",
        "report.html",
    ]
    lines = said.out.splitlines()
    assert lines[0] == "PASSED, SIMULATED: two steps on test bench"
    assert lines[1].startswith("1 device x 1 check and 1 check of the bus: 2 passed; ")
    assert lines[2].endswith("28h  passed  temperature 21 degC")
    assert lines[-2] == f"results: {folder.relative_to(tmp_path)}"
    assert lines[-1].startswith("SIMULATED")
    assert [line[:9] for line in said.err.splitlines()] == ["pass  1  ", "pass  2  "]


def test_two_runs_in_a_second_have_two_folders(
    slotproof: Make, files: Make, tmp_path: Path
) -> None:
    """A run never writes into the folder of another."""
    plan, fixture = files()
    for _ in range(2):
        assert slotproof("run", plan, "--fixture", fixture).code == 0
    assert len(list((tmp_path / "results").iterdir())) == 2


def test_a_folder_that_has_a_run_is_refused(
    slotproof: Make, files: Make, tmp_path: Path
) -> None:
    """--into a folder with a journal is a usage error, and the journal stays as it was."""
    plan, fixture = files()
    arguments = ("run", plan, "--fixture", fixture, "--into", "here")
    assert slotproof(*arguments).code == 0
    before = (tmp_path / "here/journal.jsonl").read_bytes()
    said = slotproof(*arguments)
    assert said.code == 2
    assert "exists already" in said.err
    assert (tmp_path / "here/journal.jsonl").read_bytes() == before


def test_failed_run(slotproof: Make, files: Make) -> None:
    """A failed run ends with 1, and says what failed and what to look at first."""
    plan, fixture = files()
    said = slotproof("run", plan, "--fixture", fixture, "--set", "high_degc=15")
    assert said.code == 1
    assert "temperature is 21 degC, above the high limit 15 degC" in said.out
    assert "look first: " in said.out


def test_run_that_could_not_tell(slotproof: Make, files: Make) -> None:
    """A deaf adapter ends with 3, and says what to check."""
    plan, fixture = files(faults=[{"kind": "adapter-no-echo"}])
    said = slotproof("run", plan, "--fixture", fixture)
    assert said.code == 3
    assert "none came back" in said.out
    assert "RX listens to the bus line" in said.out


def test_plain_output_when_not_a_terminal(slotproof: Make, files: Make) -> None:
    """In a pipe there is no control character and no line is wrapped."""
    plan, fixture = files()
    said = slotproof("run", plan, "--fixture", fixture)
    assert "\x1b" not in said.out
    steps = [line for line in said.err.splitlines() if line.startswith("pass  ")]
    assert len(steps) == 2


def test_nobody_to_ask_in_a_pipe(slotproof: Make, files: Make) -> None:
    """A prompt without a terminal is an error of its step, with what to do about it."""
    plan, fixture = files(plan="plan: t\nsteps: [{prompt: {text: shut the lid}}]\n")
    said = slotproof("run", plan, "--fixture", fixture)
    assert said.code == 3
    assert "nobody is at the terminal" in said.out


# -- bad input --------------------------------------------------------------------

BOMB = "a: &a [x,x,x,x,x,x,x,x,x]\n" + "".join(
    f"{new}: &{new} [{','.join([f'*{old}'] * 9)}]\n"
    for old, new in zip("abcdefgh", "bcdefghi", strict=True)
)

BAD_PLANS: dict[str, tuple[str | bytes, str]] = {
    "unknown key": (
        "plan: t\nsteps:\n  - reset: {time: 3}\n",
        "plan.yaml:3:13: ",
    ),
    "wrong type": (
        "plan: t\nsteps:\n  - reset: {times: often}\n",
        "plan.yaml:3:20: ",
    ),
    "limits crossed": (
        "plan: t\nsteps:\n  - read: {quantity: temperature, low: 9, high: 2}\n",
        "plan.yaml:3:",
    ),
    "unknown quantity": (
        "plan: t\nsteps:\n  - read: {quantity: temprature}\n",
        "did you mean 'temperature'",
    ),
    "missing socket": (
        "plan: t\nsteps:\n  - verify: {sockets: [S9]}\n",
        "plan.yaml:3:",
    ),
    "empty": ("", "plan.yaml"),
    "binary": (bytes(range(256)) * 4, "plan.yaml"),
    "alias bomb": (BOMB, "plan.yaml"),
    "ten megabytes": ("plan: " + "x" * 10_000_000, "plan.yaml"),
    "tabs": ("plan: t\nsteps:\n\t- reset:\n", "plan.yaml:3:1: "),
    "hostile text": ("plan: t\nsteps:\n  - \x1b[2Jreset:\n", "plan.yaml"),
}


@pytest.mark.parametrize("name", BAD_PLANS)
def test_bad_plan(slotproof: Make, files: Make, tmp_path: Path, name: str) -> None:
    """A bad plan is 2, told with file and line on stderr; nothing is left behind."""
    text, says = BAD_PLANS[name]
    plan, fixture = files(plan=text)
    said = slotproof("run", plan, "--fixture", fixture)
    assert said.code == 2
    assert says in said.err
    assert said.err.startswith("slotproof: ")
    assert "Traceback" not in said.err
    assert "\x1b" not in said.err
    assert len(said.err.splitlines()) <= 31
    assert said.out == ""
    assert not (tmp_path / "results").exists()


def test_mistakes_of_both_files_at_once(slotproof: Make, files: Make) -> None:
    """Mistakes of plan and fixture come together, not the first alone."""
    plan, fixture = files(plan="plan: t\nsteps:\n  - reset: {time: 3}\n  - wait: {}\n")
    fixture.write_text("fixture: x\nadapter: {prt: sim://}\n", encoding="utf-8")
    said = slotproof("run", plan, "--fixture", fixture)
    assert said.code == 2
    for place in ("plan.yaml:3:", "plan.yaml:4:", "fixture.yaml:2:"):
        assert place in said.err


@pytest.mark.parametrize("path", ["nowhere.yaml", "."])
def test_no_file(slotproof: Make, files: Make, path: str) -> None:
    """A file that is not there, or is a folder, is a usage error that names it."""
    _, fixture = files()
    said = slotproof("run", path, "--fixture", fixture)
    assert said.code == 2
    assert path in said.err
    assert "Traceback" not in said.err


@pytest.mark.parametrize(
    ("value", "says"),
    [
        ("high_degc", "--set takes name=value"),
        ("high=3", "did you mean 'high_degc'"),
        ("high_degc=warm", "high_degc"),
    ],
)
def test_bad_parameter(slotproof: Make, files: Make, value: str, says: str) -> None:
    """A parameter that the plan lacks or cannot take is a usage error."""
    plan, fixture = files()
    said = slotproof("run", plan, "--fixture", fixture, "--set", value)
    assert said.code == 2
    assert says in said.err


def use_port(fixture: Path, port: str) -> None:
    """Change the one line of a fixture."""
    data = yaml.safe_load(fixture.read_text("utf-8"))
    data["adapter"]["port"] = port
    fixture.write_text(yaml.safe_dump(data), encoding="utf-8")


@pytest.mark.parametrize(
    ("port", "code", "says"),
    [
        ("/dev/no-such-port", 3, "there is no such port"),
        ("/dev/null", 3, "/dev/null"),
        ("rfc2217://127.0.0.1:9", 3, "no server answers at this address"),
        ("hwgrep://no-such-adapter", 3, "no such port"),
        ("nonsense://x", 2, "scheme 'nonsense' is not known"),
    ],
)
def test_port_that_is_none(
    slotproof: Make, files: Make, tmp_path: Path, *, port: str, code: int, says: str
) -> None:  # fmt: skip
    """An absent or unsuitable port is told with its name, and is an error in JUnit.

    A port that no fixture may name is a mistake in a file: no run, and no folder.
    """
    plan, fixture = files()
    use_port(fixture, port)
    said = slotproof("run", plan, "--fixture", fixture)
    assert said.code == code
    assert says in said.err
    assert "->" in said.err  # what to do about it
    assert "Traceback" not in said.err
    left = sorted(path.name for path in tmp_path.glob("results/*/*"))
    assert left == (["journal.jsonl", "junit.xml", "report.html"] if code == 3 else [])


@pytest.mark.skipif(sys.platform == "win32", reason="needs a pty")
def test_port_that_is_busy(slotproof: Make, files: Make, tmp_path: Path) -> None:
    """A port that somebody holds is 3, and tells to close the other program."""
    plan, fixture = files()
    master, slave = os.openpty()
    try:
        use_port(fixture, os.ttyname(slave))
        with serial.Serial(os.ttyname(slave), exclusive=True):
            said = slotproof("run", plan, "--fixture", fixture)
    finally:
        os.close(master)
        os.close(slave)
    assert said.code == 3
    assert "the port is in use" in said.err
    assert "close the other program" in said.err
    (junit,) = tmp_path.glob("results/*/junit.xml")
    assert 'type="port-busy"' in junit.read_text("utf-8")


@pytest.mark.skipif(
    sys.platform == "win32" or os.geteuid() == 0, reason="root may open everything"
)
def test_port_that_is_forbidden(slotproof: Make, files: Make) -> None:
    """A port without permission is 3, and tells to join the group that owns it."""
    plan, fixture = files()
    master, slave = os.openpty()
    try:
        Path(os.ttyname(slave)).chmod(0)
        use_port(fixture, os.ttyname(slave))
        said = slotproof("run", plan, "--fixture", fixture)
    finally:
        os.close(master)
        os.close(slave)
    assert said.code == 3
    assert "add the user to the group" in said.err


@pytest.mark.parametrize(
    "arguments",
    [
        ["fly"],
        ["run"],
        ["run", "plan.yaml"],
        ["run", "plan.yaml", "--fixture", "f.yaml", "--fast"],
        ["schema", "recipe"],
        ["bench", "fixture.yaml"],
        ["bench", "fixture.yaml", "--tty", "--rfc2217", "0"],
        ["report", "nowhere.jsonl"],
    ],
    ids=" ".join,
)
def test_bad_command_line(slotproof: Make, files: Make, arguments: list[str]) -> None:
    """A command line that cannot be is 2, with a message and no traceback."""
    files()
    said = slotproof(*arguments)
    assert said.code == 2
    assert said.err
    assert "Traceback" not in said.err


# -- the other commands ------------------------------------------------------------


def test_check_says_what_is_in_order(slotproof: Make, files: Make) -> None:
    """Good files are named one a line, with 0."""
    said = slotproof("check", *files())
    assert said.code == 0
    assert "plan 'two steps' is in order" in said.out
    assert "fixture 'test bench' is in order" in said.out


def test_check_finds_what_does_not_fit_together(slotproof: Make, files: Make) -> None:
    """With one fixture beside it, a plan is checked against that fixture."""
    plan, fixture = files(plan="plan: t\nsteps:\n  - verify: {sockets: [S9]}\n")
    assert slotproof("check", plan).code == 0
    said = slotproof("check", plan, fixture)
    assert said.code == 2
    assert "S9" in said.err


@pytest.mark.parametrize("kind", ["plan", "fixture"])
def test_schema_is_json(slotproof: Make, kind: str) -> None:
    """The schema command prints JSON Schema, and nothing else."""
    said = slotproof("schema", kind)
    assert said.code == 0
    assert json.loads(said.out)["type"] == "object"


def test_ports_says_so_if_there_is_none(
    slotproof: Make, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Without an adapter the list is not just empty: it says what to do."""
    monkeypatch.setattr("harness.commands.adapters.ports.list_adapters", list)
    said = slotproof("ports")
    assert said.code == 0
    assert "no adapter found -> " in said.out


def test_ports_lists_a_stable_name(
    slotproof: Make, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each adapter comes with the line to put into a fixture."""
    from harness.driver.port import FoundAdapter

    found = FoundAdapter(
        device="/dev/ttyUSB3",
        stable_port="/dev/serial/by-id/usb-x-if00",
        kind="fractional-divider",
        description="an adapter",
    )
    monkeypatch.setattr(
        "harness.commands.adapters.ports.list_adapters", lambda: [found]
    )
    said = slotproof("ports")
    assert "port: /dev/serial/by-id/usb-x-if00" in said.out
    assert "kind: fractional-divider" in said.out


@pytest.mark.parametrize(("high", "code"), [("30", 0), ("15", 1)])
def test_report_repeats_the_verdict(
    slotproof: Make, files: Make, tmp_path: Path, high: str, code: int
) -> None:  # fmt: skip
    """The report command ends with the run's own code and writes the same JUnit file once more."""
    plan, fixture = files()
    arguments = ("run", plan, "--fixture", fixture, "--set", f"high_degc={high}")
    assert slotproof(*arguments, "--into", "r").code == code
    junit = (tmp_path / "r/junit.xml").read_bytes()
    said = slotproof("report", "r/journal.jsonl", "--into", "again")
    assert said.code == code
    assert (tmp_path / "again/junit.xml").read_bytes() == junit
    assert "21 " in said.out


def test_report_of_something_else(slotproof: Make, tmp_path: Path) -> None:
    """A file that is no journal is refused, and nothing is written beside it."""
    (tmp_path / "x").mkdir()
    (tmp_path / "x/journal.jsonl").write_bytes(bytes(range(256)))
    said = slotproof("report", "x/journal.jsonl")
    assert said.code == 2
    assert "Traceback" not in said.err
    assert not (tmp_path / "x/junit.xml").exists()


@pytest.mark.parametrize(
    "command",
    [name for name, c in app.commands.items() if isinstance(c, DeclaredCommand)],
)
def test_help_shows_an_example(slotproof: Make, command: str) -> None:
    """Each command's help ends with an example on lines of its own, within 80 columns."""
    said = slotproof(command, "--help")
    *_, heading, example = said.out.rstrip().split("\n\n")[-1].partition("\n")
    lines = said.out.rstrip().splitlines()
    place = next(n for n, line in enumerate(lines) if line.startswith("  Example"))
    assert said.code == 0
    assert lines[place + 1].startswith(f"    slotproof {command}")
    assert max(map(len, lines)) <= 80
    assert heading or example


HEAVY = {
    "matplotlib", "numpy", "pydantic", "rich", "scipy", "serial", "sqlalchemy",
    "yaml",
}  # fmt: skip


@pytest.mark.slow
@pytest.mark.parametrize("arguments", [["--help"], ["run", "--help"]])
def test_help_loads_nothing_heavy(arguments: list[str]) -> None:
    """Help is quick: no package of a run, let alone a scientific one, is imported for it."""
    script = (
        "import sys\n"
        "from harness import cli\n"
        f"sys.argv = ['slotproof', *{arguments!r}]\n"
        "try:\n    cli.main()\nexcept SystemExit:\n    pass\n"
        "print('LOADED', *sorted(sys.modules))\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", script],
        capture_output=True,
        text=True,
        check=True,
        env={**os.environ, "PYTHONPATH": str(Path(cli.__file__).parents[1])},
    )
    loaded = set(done.stdout.split("LOADED")[1].split())
    assert not HEAVY & loaded
    assert "Usage: slotproof" in done.stdout


# -- ends that nobody planned -------------------------------------------------------

LONG_PLAN = """\
plan: long night
steps:
  - reset: {times: 3}
  - soak: {for_s: 2000000, every_s: 1}
"""


def long_run(files: Make, cwd: Path) -> subprocess.Popen[str]:
    """A run that is in its soak: the first rounds are in the journal."""
    plan, fixture = files(plan=LONG_PLAN)
    running = in_a_process(
        "run", plan, "--fixture", fixture, "--into", cwd / "r", cwd=cwd
    )
    assert running.stderr is not None
    assert running.stderr.readline().startswith("pass  1")
    journal = cwd / "r/journal.jsonl"
    while b"soak_progress" not in journal.read_bytes():
        assert running.poll() is None
    return running


@pytest.mark.slow
def test_killed_in_the_middle(slotproof: Make, files: Make, tmp_path: Path) -> None:
    """After kill -9 the journal can be read, and its report is an error at that step."""
    with long_run(files, tmp_path) as running:
        running.kill()
    events = list(read_events(tmp_path / "r/journal.jsonl"))
    said = slotproof("report", "r/journal.jsonl")
    junit = (tmp_path / "r/junit.xml").read_text("utf-8")
    assert "run_done" not in {e["event"] for e in events}
    assert said.code == 3
    assert "the run ended here, inside this step" in said.out
    assert 'type="interrupted"' in junit


@pytest.mark.slow
def test_ctrl_c(files: Make, tmp_path: Path) -> None:
    """Ctrl-C ends a run with 130: the end is in the journal and the reports are written."""
    with long_run(files, tmp_path) as running:
        running.send_signal(signal.SIGINT)
        out, err = running.communicate()
    events = list(read_events(tmp_path / "r/journal.jsonl"))
    assert running.returncode == 130
    assert events[-1]["event"] == "run_done"
    assert events[-1]["interrupted"] is True
    assert (tmp_path / "r/junit.xml").exists()
    assert "the operator ended the run here" in out
    assert "Traceback" not in err


@pytest.mark.slow
def test_reader_of_the_output_goes_away(files: Make, tmp_path: Path) -> None:
    """A closed pipe behind the output ends with the verdict's own code, silently."""
    plan, fixture = files()
    with in_a_process("run", plan, "--fixture", fixture, cwd=tmp_path) as running:
        assert running.stdout is not None
        assert running.stderr is not None
        running.stdout.close()
        err = running.stderr.read()
    assert "Traceback" not in err
    assert running.returncode == 0
