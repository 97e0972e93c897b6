"""Every command that the README prints, pasted in its order into a copy of what ships.

A command that is added to the README is run here without another word. What stands in
for what only a real bench has, and what is left out, is stated below.
"""

from __future__ import annotations

import html
import os
import re
import shlex
import signal
import subprocess
import sys
import urllib.request
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

import pytest

from harness.results.journal.writer import read_events
from tests.pasting import ROOT, Said, commands, of_slotproof, slotproof

pytestmark = pytest.mark.slow

SHIPPED = ("fixtures", "test_plans")

LEFT_OUT = {
    ("pip", "install", "-e", ".[dev]"): "the environment is there: tests run in it",
    (
        "pytest",
        "-n",
        "2",
        "--dist",
        "loadfile",
    ): "the whole suite, of which this is a part",
}

ELSEWHERE = [
    *(c for c in of_slotproof("A new lot")),
    of_slotproof("The production line")[-1],
]
"""The day of 200 units and its lot: ``test_lot_day`` pastes them from the README too."""

RESULTS = "results/.../"
"""In the README: the folder of the soak that a reader began the night before."""


EXIT_CODES = {"diagnose": 1, "watch": 130}
"""By the README: a fault ends in exit code 1, Ctrl-C is 130; the rest is sound."""


_PATIENCE_S = 180
"""For a page of a night that a busy machine draws: 7 s on an idle one."""


def _pasted() -> list[list[str]]:
    return [
        command
        for command in commands()
        if tuple(command) not in LEFT_OUT and command[1:] not in ELSEWHERE
    ]


def _soak_folder() -> Path:
    return min(Path("results").glob("*-overnight_soak*"))


def _substituted(arguments: list[str]) -> list[str]:
    """The same with the folder of the soak; one to resume is cut first."""
    if not any(RESULTS in argument for argument in arguments):
        return arguments
    folder = _soak_folder()
    if "--resume" in arguments:
        _cut(folder / "journal.jsonl")
    return [argument.replace(RESULTS, f"{folder}/") for argument in arguments]


def _cut(journal: Path) -> None:
    """Leave of a journal what was there before the last tenth of the night."""
    lines = journal.read_text("utf-8").splitlines(keepends=True)
    rounds = [n for n, line in enumerate(lines) if '"soak_progress"' in line]
    journal.write_text("".join(lines[: rounds[len(rounds) * 9 // 10]]), "utf-8")


def _watched(arguments: list[str]) -> Said:
    """`watch` serves until Ctrl-C: a reader looks at its page and presses it."""
    program = Path(sys.executable).parent / "slotproof"
    with subprocess.Popen(
        [program, *arguments], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as watch:
        assert watch.stdout is not None
        line = watch.stdout.readline()
        try:
            address = next(word for word in line.split() if word.startswith("http://"))
            with urllib.request.urlopen(address, timeout=_PATIENCE_S) as answer:
                page = answer.read().decode("utf-8")
        finally:  # a server that is left alone would be waited for without end
            err = _interrupted(watch)
    return Said(command=" ".join(arguments), code=watch.returncode, out=page, err=err)


def _interrupted(process: subprocess.Popen[str]) -> str:
    """Press Ctrl-C until it ends, as a reader does; what it said on stderr."""
    for _ in range(3):
        process.send_signal(signal.SIGINT)
        with suppress(subprocess.TimeoutExpired):
            return process.communicate(timeout=15)[1]
    process.kill()
    return process.communicate()[1]


def _run(command: list[str]) -> Said:
    program, *rest = command
    if program != "slotproof":
        done = subprocess.run(
            [Path(sys.executable).parent / program, *rest],
            capture_output=True,
            text=True,
            check=False,
            env={**os.environ, "COLUMNS": "200"},
        )
        told = " ".join(command)
        return Said(command=told, code=done.returncode, out=done.stdout, err=done.stderr)  # fmt: skip
    arguments = _substituted(rest)
    return _watched(arguments) if rest[0] == "watch" else slotproof(*arguments)


@pytest.fixture(scope="module")
def pasted(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, Said]]:
    """What each command said, by its words in the README."""
    folder = tmp_path_factory.mktemp("readme")
    for name in SHIPPED:
        (folder / name).symlink_to(ROOT / name)
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)
        patch.delenv("SLOTPROOF_LEDGER", raising=False)
        yield {shlex.join(command): _run(command) for command in _pasted()}


def test_the_readme_is_read_whole() -> None:
    """No line that looks like a command is missed, and nothing is left out unsaid."""
    text = (ROOT / "README.md").read_text("utf-8")
    count = text.count("    .venv/bin/") + text.count("&& .venv/bin/")
    assert len(commands()) == count
    assert all(list(words) in commands() for words in LEFT_OUT)
    assert all(["slotproof", *words] in commands() for words in ELSEWHERE)


@pytest.mark.parametrize("words", [shlex.join(c) for c in _pasted()])
def test_a_pasted_command_does_what_is_promised(
    pasted: dict[str, Said], words: str
) -> None:
    """It ends with the exit code that the README tells of, and without a traceback."""
    said = pasted[words]
    expected = EXIT_CODES.get(words.split()[1], 0)
    assert said.code == expected, f"{said.out[-2000:]}\n{said.err[-2000:]}"
    assert said.out.strip()
    assert "Traceback" not in said.out + said.err


def test_the_demo_passes_whole(pasted: dict[str, Said]) -> None:
    """The first command: every check of the eight invented thermometers passes."""
    said = next(said for words, said in pasted.items() if "incoming" in words)
    lines = said.out.splitlines()
    assert lines[0].startswith("PASSED, SIMULATED: incoming thermometers")
    assert lines[1].startswith(
        "8 devices x 12 checks and 4 checks of the bus: 100 passed;"
    )
    assert len(lines) <= 25


def test_the_failed_run_that_the_readme_shows(tmp_path: Path) -> None:
    """What stands printed in README, and in its picture, is what the command prints now."""
    plan, fixture = "test_plans/incoming_thermometers.yaml", "fixtures/demo_bench.yaml"
    said = _run(
        ["slotproof", "run", str(ROOT / plan), "--fixture", str(ROOT / fixture),
         "--set", "high_degc=5", "--into", str(tmp_path / "results")]
    )  # fmt: skip
    text = (ROOT / "README.md").read_text("utf-8")
    sample = text.split("With `--set high_degc=5`")[1].split("```")[1].strip()
    drawn = re.sub(r"<[^>]+>", "", (ROOT / "docs/run.svg").read_text("utf-8"))
    picture = " ".join(html.unescape(drawn).split())
    printed = [line for line in said.out.splitlines() if "results: " not in line]
    for line in sample.splitlines():
        if "results: " not in line and line.strip() != "...":
            begin = line.removesuffix(" ...")
            assert any(each.startswith(begin) for each in printed), line
    for line in printed:
        assert " ".join(line.split()) in picture, line


def test_every_kind_of_device_passes_the_plan_that_ships(
    pasted: dict[str, Said],
) -> None:
    """One bench with each kind: all is read and checked, nothing is passed over."""
    (said,) = (s for words, s in pasted.items() if "run test_plans/all_fam" in words)
    assert said.code == 0
    lines = said.out.splitlines()
    assert lines[0].startswith("PASSED, SIMULATED")
    assert re.search(r": \d+ passed; ", lines[1])
    assert len(lines) <= 60


def test_one_step_in_pytest(pasted: dict[str, Said]) -> None:
    """The line for pytest: sound devices pass, though their convert is left out."""
    (said,) = (s for words, s in pasted.items() if words.startswith("pytest "))
    assert "1 passed" in said.out
    assert "are selected; what they need of the others" in said.out


def test_the_night_and_its_resumption(pasted: dict[str, Said]) -> None:
    """The soak is watched, cut near its end and taken up: no reading is lost."""
    del pasted
    lines = list(read_events(_soak_folder() / "journal.jsonl"))
    assert sum(line["event"] == "run_resumed" for line in lines) == 1
    assert lines[-1]["event"] == "run_done"
    assert lines[-1]["outcome"] == "passed"
