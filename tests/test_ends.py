"""How commands end: signals, closed pipes, absent ports, poor encodings."""

from __future__ import annotations

import io
import os
import signal
import subprocess
import sys
import xml.etree.ElementTree as ET
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest
import yaml

from harness import cli, ending, output
from harness.results.journal.writer import read_events

Make = Callable[..., Any]

STEP_MARKS = {"pass  ", "skip  ", "FAIL  ", "ERROR "}

PLAN = "plan: two steps\nsteps:\n  - reset: {times: 3}\n  - enumerate: {}\n"
LONG = "plan: long\nsteps:\n  - reset: {times: 3}\n  - soak: {for_s: 2000000, every_s: 1}\n"
ROOT = Path(cli.__file__).parents[1]

posix = pytest.mark.skipif(os.name != "posix", reason="signals of POSIX systems")


@pytest.fixture
def files(tmp_path: Path, bench_data: Make, new_device: Make) -> Make:
    """Write a plan and a fixture; their paths as text."""

    def write(plan: str = PLAN, *, port: str = "sim://", title: str = "bench") -> Any:  # noqa: ANN401
        bench = bench_data([new_device(0x28, 5)])
        bench["adapter"]["port"] = port
        bench["fixture"] = title
        (tmp_path / "plan.yaml").write_text(plan, encoding="utf-8")
        (tmp_path / "bench.yaml").write_text(
            yaml.safe_dump(bench, allow_unicode=True), encoding="utf-8"
        )
        return str(tmp_path / "plan.yaml"), str(tmp_path / "bench.yaml")

    return write


@pytest.fixture(autouse=True)
def hang_up_ends() -> Iterator[None]:
    """A suite started to outlive its terminal ignores SIGHUP, and what it starts would too."""
    if not hasattr(signal, "SIGHUP"):
        yield
        return
    before = signal.signal(signal.SIGHUP, signal.SIG_DFL)
    yield
    signal.signal(signal.SIGHUP, before)


def started(
    *arguments: str,
    cwd: Path,
    script: str = "from harness.entry import main; main()",
    env: dict[str, str] | None = None,
    **pipes: Any,  # noqa: ANN401
) -> subprocess.Popen[bytes]:
    """The command as a process of its own."""
    return subprocess.Popen(
        [sys.executable, "-c", script, *arguments],
        cwd=cwd,
        stderr=subprocess.PIPE,
        **{"stdout": subprocess.PIPE, **pipes},
        env={**os.environ, "PYTHONPATH": str(ROOT), **(env or {})},
    )


def finished(*arguments: str, **how: Any) -> tuple[int, str, str]:  # noqa: ANN401
    """Exit code, output and errors of a command that ends by itself."""
    with started(*arguments, **how) as running:
        out, err = running.communicate(timeout=120)
    return running.returncode, (out or b"").decode("latin-1"), err.decode("latin-1")


@pytest.fixture
def here(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Callable[..., int]:
    """The command in this process, which is much quicker; its exit code."""

    def run(*arguments: str) -> int:
        monkeypatch.chdir(tmp_path)
        monkeypatch.setattr(sys, "argv", ["slotproof", *arguments])
        with pytest.raises(SystemExit) as ended:
            cli.main()
        return int(ended.value.code or 0)

    return run


def beside_progress(err: str | bytes) -> str:
    """What standard error has besides a line for each step of the plan."""
    text = err.decode("latin-1") if isinstance(err, bytes) else err
    lines = text.splitlines(keepends=True)
    return "".join(line for line in lines if line[:6] not in STEP_MARKS)


# -- requests to end ---------------------------------------------------------------


@posix
@pytest.mark.slow
@pytest.mark.parametrize(
    ("name", "code"), [("SIGTERM", 143), ("SIGHUP", 129), ("SIGINT", 130)]
)
def test_a_run_that_is_ended_leaves_its_reports(
    files: Make, tmp_path: Path, here: Make, name: str, code: int
) -> None:
    """The end stands in the journal, both reports are there; more requests lose nothing."""
    plan, bench = files(LONG)
    journal = tmp_path / "r/journal.jsonl"
    with started("run", plan, "-f", bench, "--into", "r", cwd=tmp_path) as running:
        while not journal.exists() or b"soak_progress" not in journal.read_bytes():
            with suppress(subprocess.TimeoutExpired):  # leaves the processor to the run
                pytest.fail(f"ended by itself: {running.wait(0.1)}")
        while running.poll() is None:  # over and over, while reports are written too
            running.send_signal(getattr(signal, name))
            try:
                running.wait(0.02)
            except subprocess.TimeoutExpired:
                continue
        err = running.stderr.read() if running.stderr else b""
    assert (running.returncode, beside_progress(err)) == (code, "")
    last = list(read_events(journal))[-1]
    assert last["event"] == "run_done"
    assert (last["exit_code"], last["ended_by"]) == (code, name)
    (case,) = [
        c for c in ET.parse(tmp_path / "r/junit.xml").iter("testcase")
        if c.find("error") is not None
    ]  # fmt: skip
    assert case.attrib["name"].startswith("2 soak")
    assert (tmp_path / "r/report.html").exists()
    assert here("report", "r/journal.jsonl") == code


_AT_IMPORT = """
import os, signal, sys
class Watch:
    def find_spec(self, name, path=None, target=None):
        if name == {module!r}:
            sys.meta_path.remove(self)
            os.kill(os.getpid(), signal.{name})
sys.meta_path.insert(0, Watch())
from harness.entry import main
main()
"""


@posix
@pytest.mark.slow
@pytest.mark.parametrize(
    ("module", "name", "code"),
    [
        ("click", "SIGINT", 130),
        ("harness.plans.loading.files", "SIGINT", 130),
        ("harness.plans.execution.runner", "SIGTERM", 143),
        ("harness.driver.port", "SIGHUP", 129),
        ("harness.simulation.line.core", "SIGINT", 130),
    ],
)
def test_ended_while_it_starts(
    files: Make, tmp_path: Path, module: str, name: str, code: int
) -> None:
    """Imports, loading, opening the port: the code of the signal, and no traceback."""
    plan, bench = files()
    script = _AT_IMPORT.format(module=module, name=name)
    got, out, err = finished(
        "run", plan, "-f", bench, "--into", "r", cwd=tmp_path, script=script
    )
    assert got == code
    assert "Traceback" not in out + err
    assert "ended by" in err


@posix
def test_requests_wait_are_raised_and_acknowledged() -> None:
    """Held until the end, raised once while a run unwinds, gone once acknowledged."""
    with ending.watched(), ending.interruptible():
        with pytest.raises(ending.EndRequested, match="SIGTERM"):
            _asked_while_held("SIGTERM", "SIGINT")
        os.kill(os.getpid(), signal.SIGINT)  # still unwinding: ignored
        assert ending.acknowledge() == "SIGTERM"
        with pytest.raises(KeyboardInterrupt):
            os.kill(os.getpid(), signal.SIGINT)
        assert ending.acknowledge() == "SIGINT"
        with ending.held():
            os.kill(os.getpid(), signal.SIGINT)
            assert ending.acknowledge() == "SIGINT"


def _asked_while_held(*names: str) -> None:
    with ending.held():
        for name in names:
            os.kill(os.getpid(), getattr(signal, name))


@posix
@pytest.mark.slow
def test_a_request_that_is_ignored_stays_ignored(files: Make, tmp_path: Path) -> None:
    """``nohup`` ignores SIGHUP for the run that it starts."""
    plan, bench = files()
    script = "import signal; signal.signal(signal.SIGHUP, signal.SIG_IGN)\n"
    script += _AT_IMPORT.format(module="harness.plans.execution.runner", name="SIGHUP")
    code, _, err = finished(
        "run", plan, "-f", bench, "--into", "r", cwd=tmp_path, script=script
    )
    assert (code, beside_progress(err)) == (0, "")


# -- a port that is not there ------------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize("command", ["run", "survey", "diagnose"])
def test_a_run_that_could_not_begin_is_an_error(
    files: Make,
    tmp_path: Path,
    here: Make,
    capsys: pytest.CaptureFixture[str],
    command: str,
) -> None:
    """An absent port leaves an error case in junit.xml, a report, and exit code 3."""
    plan, bench = files(port="/dev/ttyNotThere0")
    asked = [command, *([plan] if command == "run" else []), "-f", bench, "--into", "r"]
    assert here(*asked) == 3
    assert "there is no such port" in capsys.readouterr().err
    cases = list(ET.parse(tmp_path / "r/junit.xml").iter("testcase"))
    (error,) = [e for c in cases for e in c.iter("error")]
    assert error.attrib["type"] == "port-absent"
    assert "ttyNotThere0" in error.attrib["message"]
    assert all(c.find("skipped") is not None for c in cases[:-1])
    assert "ttyNotThere0" in (tmp_path / "r/report.html").read_text("utf-8")
    assert here("report", "r") == 3


# -- output ------------------------------------------------------------------------


@posix
@pytest.mark.slow
@pytest.mark.parametrize("high", [30, 5])
def test_a_closed_pipe_keeps_the_verdict(
    files: Make, tmp_path: Path, high: int
) -> None:
    """Nobody reads the output: the run goes on, and its own exit code stands."""
    steps = f"  - read: {{quantity: temperature, low: 0, high: {high}, unit: degC}}\n"
    plan, bench = files(PLAN + steps)
    reading, writing = os.pipe()
    os.close(reading)
    code, _, err = finished(
        "run", plan, "-f", bench, "--into", "r", cwd=tmp_path, stdout=writing
    )
    os.close(writing)
    assert (code, beside_progress(err)) == (0 if high == 30 else 1, "")
    assert (tmp_path / "r/junit.xml").exists()
    assert (tmp_path / "r/report.html").exists()


@pytest.mark.slow
@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs /dev/full")
def test_output_that_is_lost_is_said(files: Make, tmp_path: Path) -> None:
    """A full disk under the output spoils no report, and is no success."""
    plan, bench = files()
    with Path("/dev/full").open("wb") as full:
        code, _, err = finished(
            "run", plan, "-f", bench, "--into", "r", cwd=tmp_path, stdout=full
        )
    assert code == 3
    assert "output is missing: No space left" in err
    assert (tmp_path / "r/junit.xml").exists()


@pytest.mark.slow
@pytest.mark.parametrize("encoding", ["cp1252", "latin-1", "ascii", "ascii:strict"])
def test_a_character_that_the_output_lacks(
    files: Make,
    here: Make,
    monkeypatch: pytest.MonkeyPatch,
    encoding: str,
) -> None:
    """It is written visibly, and stops neither run nor report."""
    title = "Prüfplatz \N{CHECK MARK} \N{GREEK CAPITAL LETTER OMEGA}"
    plan, bench = files(PLAN.replace("two steps", title), title=title)
    name, _, errors = encoding.partition(":")

    def said(*arguments: str) -> str:
        streams = [io.TextIOWrapper(io.BytesIO(), name, errors or None) for _ in "oe"]
        monkeypatch.setattr(sys, "stdout", streams[0])
        monkeypatch.setattr(sys, "stderr", streams[1])
        assert here(*arguments) == 0
        for stream in streams:
            stream.flush()
        assert beside_progress(streams[1].buffer.getvalue()) == ""
        return bytes(streams[0].buffer.getvalue()).decode(name)

    said("run", plan, "-f", bench, "--into", "r")
    assert r"\u2713 \u03a9" in said("check", plan, bench)
    said("report", "r")
    said("budget", "-f", bench)


@pytest.mark.slow
@pytest.mark.parametrize("fitting", ["run", "report"])
def test_reports_that_do_not_fit_on_the_disk(
    files: Make,
    tmp_path: Path,
    here: Make,
    capsys: pytest.CaptureFixture[str],
    *,
    fitting: str,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The journal fits and the page does not: exit code 3, and how to make the reports."""
    resource = pytest.importorskip("resource")
    plan, bench = files()
    command = ["run", plan, "-f", bench, "--into"]
    assert here(*command, "r") == 0
    most = (tmp_path / "r/journal.jsonl").stat().st_size + 200
    assert (tmp_path / "r/report.html").stat().st_size > most
    if fitting == "report":
        command = ["report", "r", "--into"]
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    monkeypatch.setattr(sys, "dont_write_bytecode", True)  # it would be cut too
    resource.setrlimit(resource.RLIMIT_FSIZE, (most, hard))
    try:
        code = here(*command, "again")
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    err = capsys.readouterr().err
    assert code == 3
    assert "the reports cannot be written: File too large" in err
    kept = Path("again" if fitting == "run" else "r") / "journal.jsonl"
    assert f"slotproof report {kept}" in err
    assert here("report", str(kept)) == 0


def test_controls_never_reach_a_screen_raw(capsys: pytest.CaptureFixture[str]) -> None:
    """C0, DEL, C1 and marks that turn the direction of writing are made visible."""
    bad = "\x07\x1b]0;x\x07 \x9b31m \x7f \u202e \x85 \ud800"
    with output.guarded():
        print(f"{bad}\x1b[1mbold\x1b[0m")  # noqa: T201 - what a library prints
        output.say(f"{bad}\x1b[1m")
        output.say(bad, err=True)
    said = capsys.readouterr()
    lines = said.out.splitlines()
    assert "\x1b[1mbold\x1b[0m" in lines[0]
    assert "\x1b" not in lines[1] + said.err
    for raw in "\x9b\x7f\u202e\x85\ud800":
        assert raw not in said.out + said.err
    assert r"\x9b31m \x7f \u202e \x85 \ud800" in said.out
