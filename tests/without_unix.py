"""A system without the modules that only Unix has, as far as imports of ``harness`` go.

``SLOTPROOF_WITHOUT_UNIX=1 pytest`` runs the suite so; tests of what needs those modules
are marked ``unix`` and left out then. pyserial keeps its own system module, but its class
loses what Windows has not (``set_low_latency_mode``).
"""

from __future__ import annotations

import builtins
import os
from collections.abc import Mapping, Sequence
from types import ModuleType
from typing import Any

import serial

MASKED = frozenset({"termios", "fcntl", "tty", "pty", "resource", "pwd", "grp"})
WANTED = bool(os.environ.get("SLOTPROOF_WITHOUT_UNIX"))

_plain_import = builtins.__import__


def _import(
    name: str,
    globals: Mapping[str, Any] | None = None,  # noqa: A002 - as the function is called
    locals: Mapping[str, Any] | None = None,  # noqa: A002
    fromlist: Sequence[str] | None = (),
    level: int = 0,
) -> ModuleType:
    importer = str((globals or {}).get("__name__", ""))
    if importer.partition(".")[0] == "harness" and name in MASKED:
        raise ImportError(f"no module named {name!r} on this system", name=name)
    return _plain_import(name, globals, locals, fromlist or (), level)


def mask() -> None:
    """Have it so from here on; before anything of ``harness`` is imported."""
    builtins.__import__ = _import
    for owner in serial.Serial.__mro__:
        if "set_low_latency_mode" in vars(owner):
            delattr(owner, "set_low_latency_mode")
