"""`slotproof watch`: a live page of a run, for the night."""

from __future__ import annotations

from pathlib import Path

from harness.output import say
from harness.results.reports.watch import serve


def watch(*, journal: Path, host: str, port: int) -> None:
    """Serve a live page of a run from its journal, until Ctrl-C."""
    say(f"live page of {journal}; Ctrl-C ends it, not the run", err=True)
    serve(journal, host=host, port=port, announce=say)
