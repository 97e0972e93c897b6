"""`slotproof adapter` and `enrol` at a real tty: the bench in one process, the command in another.

Both have a keyboard, which is a pty of its own: what an operator does at the bench is typed
there, what they answer is typed to the command.
"""

from __future__ import annotations

import json
import os
import select
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, Self

import pytest
import yaml
from click.testing import CliRunner

import harness
from harness.cli import app
from harness.driver import examination
from harness.plans.loading.files import load_fixture
from harness.wire.romcode import RomCode

Make = Callable[..., Any]
"""A fixture that makes something; conftest has the signatures."""

pytestmark = [pytest.mark.unix, pytest.mark.slow]

WAIT_S = 60.0
"""Longest wait for a line, which comes at once unless something is broken."""

YES_NO = "no ends [yes/no] "

ROMS = {f"S{n}": str(RomCode.build(0x28, 977 * n)) for n in (1, 2, 3)}


class Typed:
    """A command with a terminal of its own."""

    def __init__(self, *words: str) -> None:
        self._terminal, theirs = os.openpty()
        root = str(Path(harness.__file__).parents[1])
        self.process = subprocess.Popen(
            [sys.executable, "-c", "from harness.cli import main; main()", *words],
            stdin=theirs, stdout=theirs, stderr=theirs,
            env={**os.environ, "PYTHONPATH": root, "COLUMNS": "200"},
        )  # fmt: skip
        os.close(theirs)
        self._unread = ""

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.process.send_signal(signal.SIGINT)
        self.process.wait(WAIT_S)
        os.close(self._terminal)

    def until(self, text: str) -> str:
        """What it says up to a text."""
        while text not in self._unread:
            ready, _, _ = select.select([self._terminal], [], [], WAIT_S)
            assert ready, f"no {text!r} in {self._unread!r}"
            self._unread += os.read(self._terminal, 4096).decode()
        said, _, self._unread = self._unread.partition(text)
        return said

    def type(self, line: str) -> None:
        """A line, and Enter."""
        os.write(self._terminal, f"{line}\n".encode())


@pytest.fixture
def bench(
    bench_data: Make, new_device: Make, tmp_path: Path
) -> Iterator[tuple[Typed, str]]:
    """A served bench of three thermometers, and the tty that it announces."""
    data = bench_data(
        [new_device(0x28, 977 * n, temperature_degc=20) for n in (1, 2, 3)]
    )
    path = tmp_path / "bench.yaml"
    path.write_text(yaml.safe_dump(data), encoding="utf-8")
    with Typed("bench", str(path), "--tty") as served:
        served.until("port: ")
        yield served, served.until("\n").strip()


def enrolled(path: Path) -> dict[str, str]:
    """Socket -> ROM code of a fixture that was made."""
    return {s.name: s.expect.rom_code or "" for s in load_fixture(path).sockets}


def test_plugged_one_by_one(bench: tuple[Typed, str], tmp_path: Path) -> None:
    """Out, then in one after the other in an order that no search has."""
    hands, port = bench
    for socket in ROMS:
        hands.type(f"out {socket}")
        hands.until(f"{socket}: taken out")
    new = tmp_path / "new.yaml"
    order = ("S2", "S1", "S3")
    with Typed("enrol", "--port", port, "--into", str(new), "--how", "plug") as enrol:
        enrol.until(f"socket A1 in; {YES_NO}")
        for number, socket in enumerate(order, 1):
            hands.type(f"in {socket}")
            hands.until(f"{socket}: put in")
            enrol.type("yes")
            # its announcement may still be on its way: then the same is asked again
            while f"socket A{number} in" in enrol.until(YES_NO):
                enrol.type("yes")
        enrol.type("no")
        enrol.until("is written")
        assert enrol.process.wait(WAIT_S) == 0
    assert enrolled(new) == {f"A{n}": ROMS[socket] for n, socket in enumerate(order, 1)}


def test_warmed_one_by_one(bench: tuple[Typed, str], tmp_path: Path) -> None:
    """The one that is warm is the socket's; the last one is left over."""
    hands, port = bench
    new = tmp_path / "new.yaml"
    with Typed("enrol", "--port", port, "--into", str(new), "--how", "warm") as enrol:
        for number, socket in ((1, "S3"), (2, "S1")):
            enrol.until(
                f"warm the device in socket A{number} for ten seconds; {YES_NO}"
            )
            hands.type(f"warm {socket}")
            hands.until(f"{socket}: warmed")
            enrol.type("yes")
        enrol.until("is written")
        assert enrol.process.wait(WAIT_S) == 0
    assert enrolled(new) == {"A1": ROMS["S3"], "A2": ROMS["S1"], "A3": ROMS["S2"]}


def test_an_adapter_at_a_tty_is_examined(
    bench: tuple[Typed, str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """With a device on it: only read slots are sent, and its lines come out."""
    _, port = bench
    monkeypatch.setattr(examination, "REQUESTS_BAUD", (9600, 115_200))
    said = CliRunner().invoke(app, ["adapter", "--port", port, "--json"])
    assert said.exit_code == 0, said.output
    answer = json.loads(said.stdout)
    lines = yaml.safe_load("\n".join(answer["fixture"]))["adapter"]
    assert lines["port"] == port


def test_hands_say_what_they_take(bench: tuple[Typed, str]) -> None:
    """A socket that is not there, and a word that is none."""
    hands, _ = bench
    hands.type("in S9")
    hands.until("S9: nothing to in there; sockets: S1, S2, S3")
    hands.type("shake S1")
    hands.until("type in SOCKET, out SOCKET or warm SOCKET, and Enter")
