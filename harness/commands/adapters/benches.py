"""`slotproof bench`: a simulated bench behind a port."""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from contextlib import suppress
from pathlib import Path
from queue import Empty, Queue
from threading import Thread
from urllib.parse import quote

from harness import ending
from harness.errors import PortBusy, UsageError
from harness.output import say
from harness.plans.loading.files import load_fixture
from harness.simulation.servers.bench import Bench
from harness.simulation.servers.bench_registry import benches
from harness.simulation.servers.hands import USAGE, SocketHands
from harness.simulation.servers.rfc2217 import serve_rfc2217
from harness.simulation.servers.stepped_feed import SteppedFeed
from harness.simulation.settings.feed import FeedEntry


def bench(*, fixture: Path, tty: bool, rfc2217: int | None) -> int:
    """Serve a simulated bench in real time, until Ctrl-C."""
    loaded = load_fixture(fixture)
    if tty == (rfc2217 is not None):
        raise UsageError("say how to serve: --tty or --rfc2217 PORT, one of them")
    if loaded.simulation is None:
        raise UsageError("this fixture has no simulation section", where=str(fixture))

    served = benches.at(f"sim://{quote(loaded.path)}")
    if tty:
        serve_tty = _tty_server()
        with ending.interruptible():  # the link to the tty is taken away again
            serve_tty(
                served,
                announce=_announce,
                report=_report_late,
                between=_steps_of(served, loaded.simulation.insertions),
            )
        return _leave()

    try:
        with ending.interruptible():
            serve_rfc2217(
                served, port=rfc2217 or 0, announce=_announce, report=_report_late
            )
    except OSError as cause:
        raise PortBusy(
            f"the bench cannot be served there ({cause.strerror})",
            where=f"port {rfc2217}",
            hint="take another port; 0 picks a free one",
        ) from cause
    return _leave()


def _steps_of(served: Bench, feed: Sequence[FeedEntry]) -> Callable[[], None]:
    """What happens between characters: with a keyboard, what is typed there."""
    if not sys.stdin.isatty():
        return lambda: None
    keys = Queue[str]()
    stepped = SteppedFeed(served, feed) if feed else None
    hands = SocketHands(served)
    say(stepped.next_key() if stepped else USAGE, err=True)

    def done(line: str) -> str:
        if line.strip() or stepped is None:
            return hands.do(line)
        return f"{stepped.step()}; {stepped.next_key()}"

    def read() -> None:
        for line in sys.stdin:
            keys.put(line)

    Thread(target=read, name="keys", daemon=True).start()

    def between() -> None:
        with suppress(Empty):
            say(done(keys.get_nowait()), err=True)

    return between


def _tty_server() -> Callable[..., None]:
    """Only Linux has the ttys that this needs.

    Raises:
        UsageError: this system has none.
    """
    try:
        from harness.simulation.servers.tty import serve_tty  # noqa: PLC0415 - Linux only
    except ImportError as cause:
        raise UsageError(
            "a bench cannot be served behind a tty on this system",
            hint="use --rfc2217 0 and write the port that it prints into the fixture, or "
            "sim:// with the fixture's own simulation",
        ) from cause
    return serve_tty


def _leave() -> int:
    """End with 0 after Ctrl-C, which is how a bench is ended; else as the signal says."""
    name = ending.acknowledge()
    if name not in {"", ending.CTRL_C}:
        return ending.exit_code_of(name)
    return 0


def _announce(address: str) -> None:
    say(f"port: {address}")


def _report_late(sentence: str) -> None:
    say(f"slotproof: {sentence}", err=True)
