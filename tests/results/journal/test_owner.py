"""Who writes to a journal: a live run is not taken up, a dead one blocks nobody."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import pytest

from harness.errors import UsageError
from harness.results.journal.owner import (
    FILE_NAME,
    SILENT_S,
    Owner,
    Ownership,
    owner_of,
    require_unowned,
)


@pytest.fixture
def journal(tmp_path: Path) -> Path:
    return tmp_path / "journal.jsonl"


def written(journal: Path, **changes: Any) -> Path:  # noqa: ANN401 - fields of an owner
    """An owner's file with these changes to that of this process."""
    path = journal.with_name(FILE_NAME)
    owner = replace(Owner.this(), **changes)
    path.write_text(json.dumps(asdict(owner)), encoding="ascii")
    return path


def test_a_live_run_is_refused(journal: Path) -> None:
    """While this process writes it is named; afterwards the file is gone."""
    ownership = Ownership(journal)
    with pytest.raises(UsageError, match=f"still going on: process {os.getpid()} on "):
        require_unowned(journal)
    ownership.release()
    ownership.release()
    assert not journal.with_name(FILE_NAME).exists()
    require_unowned(journal)


def test_a_killed_process_blocks_nobody(journal: Path) -> None:
    """Killed, and not even waited for: its number is still there, its run is not."""
    code = (
        "import sys; from pathlib import Path; from harness.results.journal.owner import *;"
        f"Ownership(Path({str(journal)!r})); print('up', flush=True); sys.stdin.read()"
    )
    with subprocess.Popen(
        [sys.executable, "-c", code], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as running:
        assert running.stdout is not None
        assert running.stdout.readline() == b"up\n"
        assert owner_of(journal) is not None
        running.kill()
        os.waitid(os.P_PID, running.pid, os.WEXITED | os.WNOWAIT)
        assert journal.with_name(FILE_NAME).exists()
        assert owner_of(journal) is None


def test_a_number_given_out_anew_is_another_process(journal: Path) -> None:
    """The same process number with another start is not the one that wrote."""
    written(journal, started="1")
    assert owner_of(journal) is None


@pytest.mark.parametrize("change", [{"host": "bench-2"}, {"machine": "another boot"}])
def test_another_machine_is_judged_by_its_touches(
    journal: Path, change: dict[str, str]
) -> None:
    """Touched lately: it still writes. Silent for longer than allowed: it is gone."""
    path = written(journal, **change)
    assert owner_of(journal) is not None
    old_s = path.stat().st_mtime - SILENT_S - 1
    os.utime(path, (old_s, old_s))
    assert owner_of(journal) is None


def test_no_start_known(journal: Path) -> None:
    """Where the system does not tell starts: a process that is gone is gone at once."""
    written(journal, started="")
    assert owner_of(journal) is not None
    written(journal, started="", pid=2**22 + 7)
    assert owner_of(journal) is None


@pytest.mark.parametrize("text", ["", "{", "[]", '{"host": 1}', "null"])
def test_a_torn_file_blocks_nobody(journal: Path, text: str) -> None:
    """What names no program is no owner."""
    journal.with_name(FILE_NAME).write_text(text, encoding="ascii")
    assert owner_of(journal) is None
