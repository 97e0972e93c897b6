"""How a process is asked to end: Ctrl-C, SIGTERM, SIGHUP.

While nothing is at stake (imports, loading of files) a request ends the process at
once and without a traceback. While a run goes on it raises ``EndRequested``, so that
the fixture is left safe and the end stands in the journal. While reports are written
it waits until they are. Exit codes are those of a shell: 128 and the signal's number.
"""

from __future__ import annotations

import os
import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from enum import Enum, auto
from types import FrameType
from typing import Any, NoReturn

from harness.clock import SystemClock

EXIT_CODES = {"SIGINT": 130, "SIGTERM": 143, "SIGHUP": 129, "SIGBREAK": 149}
"""Exit code by the signal that ended a run; a journal may come from another system."""

CTRL_C = "SIGINT"

UNWINDING_S = 10.0
"""After a request was raised, further ones are ignored for so long (own choice).

Settings of devices are put back meanwhile, which a second Ctrl-C must not spoil. Should
the first one get lost on its way (an exception in a finaliser is dropped), a later one
is raised again.
"""


class EndRequested(KeyboardInterrupt):
    """A signal ends this process.

    Attributes:
        signal_name: ``SIGINT`` for Ctrl-C.
    """

    def __init__(self, signal_name: str) -> None:
        super().__init__(signal_name)
        self.signal_name = signal_name


class _Mode(Enum):
    QUIT = auto()
    RAISE = auto()
    HOLD = auto()


class _State:
    """Of this process; signals are handled in its main thread alone."""

    mode = _Mode.QUIT
    waiting: str = ""
    """The signal that came and was not raised yet."""
    raised: str = ""
    """The signal that was raised and not yet acknowledged."""
    raised_s = 0.0
    final: int | None = None
    """Exit code once nothing but leaving is left to do."""


_state = _State()


def name_of(request: BaseException) -> str:
    """The signal behind an exception; a plain ``KeyboardInterrupt`` is Ctrl-C."""
    return request.signal_name if isinstance(request, EndRequested) else CTRL_C


def in_words(signal_name: str) -> str:
    """Who ended it."""
    return "Ctrl-C" if signal_name == CTRL_C else signal_name


def exit_code_of(signal_name: str) -> int:
    """Exit code of a process that a signal ended; 130 for one not known."""
    return EXIT_CODES.get(signal_name, EXIT_CODES[CTRL_C])


@contextmanager
def watched() -> Iterator[None]:
    """Handle the signals while this lasts; does nothing outside of the main thread.

    A signal that is ignored stays so: ``nohup`` and scripts rely on it.
    """
    before = watch()
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def watch() -> dict[int, Any]:
    """Handle the signals from here on; the handlers that were there before."""
    before = {}
    if _is_main_thread():
        for name in EXIT_CODES:
            number = getattr(signal, name, None)
            if number is not None and signal.getsignal(number) != signal.SIG_IGN:
                before[number] = signal.signal(number, _handle)
    _state.mode, _state.waiting, _state.raised = _Mode.QUIT, "", ""
    _state.final = None
    return before


def ignore() -> None:
    """Ignore them: the interpreter shuts down, and would take its own handlers back."""
    for name in EXIT_CODES:
        number = getattr(signal, name, None)
        if number is not None:
            signal.signal(number, signal.SIG_IGN)


@contextmanager
def interruptible() -> Iterator[None]:
    """A request is raised as ``EndRequested`` while this lasts."""
    with _in(_Mode.RAISE):
        yield


@contextmanager
def held() -> Iterator[None]:
    """Requests wait until the end of this, unless they are acknowledged inside."""
    with _in(_Mode.HOLD):
        yield


def acknowledge() -> str:
    """Take a request as dealt with; its signal, or empty if there was none."""
    name = _state.raised or _state.waiting
    _state.raised = _state.waiting = ""
    return name


def leave_with(code: int) -> None:
    """All that was asked for is done: a signal that comes now changes nothing."""
    if not _is_main_thread():
        return
    acknowledge()
    _state.final = code


def _is_main_thread() -> bool:
    return threading.current_thread() is threading.main_thread()


@contextmanager
def _in(mode: _Mode) -> Iterator[None]:
    # signals reach the main thread alone, so that what another one does now, such as a
    # position of a station that begins a test, changes nothing about them
    if not _is_main_thread():
        yield
        return
    before = _state.mode
    _state.mode = mode
    try:
        if mode is _Mode.RAISE:
            _serve_waiting()
        yield
    finally:
        _state.mode = before
    _serve_waiting()


def _serve_waiting() -> None:
    if _state.waiting and _state.mode is not _Mode.HOLD:
        name, _state.waiting = _state.waiting, ""
        _serve(name)


def _handle(number: int, _frame: FrameType | None) -> None:
    _serve(signal.Signals(number).name)


def _serve(name: str) -> None:
    if _state.final is not None:
        os._exit(_state.final)
    if _state.mode is _Mode.QUIT:
        _quit(name)
    if _state.mode is _Mode.HOLD:
        _state.waiting = _state.waiting or name
        return
    now_s = SystemClock().now_s()
    if _state.raised and now_s - _state.raised_s < UNWINDING_S:
        return
    _state.raised, _state.raised_s = name, now_s
    raise EndRequested(name)


def _quit(name: str) -> NoReturn:
    """Leave at once: an exception could be dropped in the middle of an import."""
    try:
        os.write(2, f"slotproof: ended by {in_words(name)}\n".encode("ascii"))
    finally:
        os._exit(exit_code_of(name))
