"""The commands that the README prints, found in it and run as a reader pastes them."""

from __future__ import annotations

import io
import re
import shlex
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import dataclass
from pathlib import Path

import pytest

from harness import cli

ROOT = Path(__file__).parents[1]

_PROGRAMS = ".venv/bin/"


@dataclass(frozen=True, kw_only=True)
class Said:
    """A command that was pasted, its exit code and what it printed."""

    command: str
    code: int
    out: str
    err: str = ""


def slotproof(*arguments: str) -> Said:
    """Run a command in this process."""
    out, err = io.StringIO(), io.StringIO()
    with (
        pytest.MonkeyPatch.context() as patch,
        redirect_stdout(out),
        redirect_stderr(err),
    ):
        patch.setattr("sys.argv", ["slotproof", *arguments])
        with pytest.raises(SystemExit) as ended:
            cli.main()
    assert isinstance(ended.value.code, int)
    return Said(
        command=" ".join(arguments),
        code=ended.value.code,
        out=out.getvalue(),
        err=err.getvalue(),
    )


def commands(section: str = "") -> list[list[str]]:
    """Every command of the README, or of one section, in order: program and arguments.

    A command is an indented line, and what a backslash adds to it; of several joined by
    ``&&`` those of the environment count.
    """
    text = (ROOT / "README.md").read_text("utf-8")
    if section:
        text = text.split(f"\n## {section}\n")[1].split("\n## ")[0]
    lines = re.findall(r"^    (\S(?:.*\\\n)*.*)$", text, re.MULTILINE)
    parts = (part for line in lines for part in line.split("&&"))
    words = (shlex.split(p.replace("\\\n", " ")) for p in parts if _PROGRAMS in p)
    return [
        [w[0].removeprefix(_PROGRAMS), *w[1:]]
        for w in words
        if w[0].startswith(_PROGRAMS)
    ]


def of_slotproof(section: str) -> list[list[str]]:
    """Arguments of the commands of slotproof itself in a section."""
    return [rest for program, *rest in commands(section) if program == "slotproof"]
