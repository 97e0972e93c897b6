"""`slotproof examples`: the plans and fixtures that come with slotproof, laid out."""

from __future__ import annotations

import shutil
from pathlib import Path

from harness.errors import UsageError
from harness.output import say

_PACKAGE = Path(__file__).parents[1]
_FOLDERS = ("test_plans", "test_plans/humidity", "fixtures")


def examples(*, into: Path) -> None:
    """Copy plans and fixtures into a folder; what stands there is never overwritten."""
    source = _source()
    wanted = {
        path: into / path.relative_to(source)
        for folder in _FOLDERS
        for path in sorted((source / folder).iterdir())
        if path.is_file()
    }
    standing = [there for there in wanted.values() if there.exists()]
    if standing:
        raise UsageError(
            f"{len(standing)} of these files stand there already",
            where=str(standing[0]),
            hint="name a new folder; yours may have been changed",
        )
    try:
        for path, there in wanted.items():
            there.parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(path, there)
    except OSError as cause:
        raise UsageError(
            f"the folder cannot be written ({cause.strerror})", where=str(into)
        ) from cause
    say(f"{len(wanted)} files into {into}; begin there with")
    say(
        "slotproof run test_plans/incoming_thermometers.yaml --fixture fixtures/demo_bench.yaml"
    )


def _source() -> Path:
    """Inside the installed package, or beside it in a working copy."""
    shipped = _PACKAGE / "examples"
    return shipped if shipped.is_dir() else _PACKAGE.parent
