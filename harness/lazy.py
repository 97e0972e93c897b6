"""Libraries that are loaded when something of them is first used.

Most commands need neither statistics nor pictures, and NumPy, SciPy, matplotlib, the
page templates and the YAML editor take up to half a second to load; some other modules
exist on some systems only. A module that needs one of them takes it from here, at its
top like every other import:

    from harness.lazy import special

For a type checker that is ``from scipy import special``. When it runs, the name stands
for the library until an attribute of it is asked for. A library that this system lacks
raises ``ImportError`` then, at its first use and not when the module is imported.

Some of them are optional parts of an installation: a production station needs neither
pictures nor statistics, and these are most of its size. Whoever asks for what a missing
part does is told its name.

This is the only way to import late, apart from the modules of ``commands``, which the
command line imports by name when one of them runs.
"""

from __future__ import annotations

import importlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from importlib.util import find_spec
from typing import TYPE_CHECKING

from harness.errors import UsageError

__all__ = [
    "PICTURES",
    "RECORDINGS",
    "STATISTICS",
    "OptionalPart",
    "arrow",
    "arrow_csv",
    "cbook",
    "fcntl",
    "is_installed",
    "jinja2",
    "legendre",
    "markupsafe",
    "matplotlib",
    "matplotlib_figure",
    "missing",
    "missing_parts_named",
    "msvcrt",
    "np",
    "optimize",
    "pyvisa",
    "require",
    "ruamel_scalars",
    "ruamel_yaml",
    "signal",
    "special",
    "stats",
    "termios",
    "ticker",
]

if TYPE_CHECKING:
    import fcntl
    import termios
    from typing import Any

    import jinja2
    import markupsafe
    import matplotlib
    import numpy as np
    import pyarrow as arrow
    import pyvisa
    from matplotlib import cbook, ticker
    from matplotlib import figure as matplotlib_figure
    from numpy.polynomial import legendre
    from pyarrow import csv as arrow_csv
    from ruamel import yaml as ruamel_yaml
    from ruamel.yaml import scalarstring as ruamel_scalars
    from scipy import optimize, signal, special, stats

    msvcrt: Any  # of Windows, whose names a checker on another system does not know
else:

    class _Library:
        """Stands for a module; imports it when an attribute is asked for."""

        def __init__(self, name: str) -> None:
            self._name = name

        def __getattr__(self, attribute: str) -> object:
            found = getattr(importlib.import_module(self._name), attribute)
            # kept, so that the next use is an ordinary attribute and costs nothing
            setattr(self, attribute, found)
            return found

    arrow = _Library("pyarrow")
    arrow_csv = _Library("pyarrow.csv")
    cbook = _Library("matplotlib.cbook")
    fcntl = _Library("fcntl")
    jinja2 = _Library("jinja2")
    legendre = _Library("numpy.polynomial.legendre")
    markupsafe = _Library("markupsafe")
    matplotlib = _Library("matplotlib")
    matplotlib_figure = _Library("matplotlib.figure")
    msvcrt = _Library("msvcrt")
    np = _Library("numpy")
    optimize = _Library("scipy.optimize")
    pyvisa = _Library("pyvisa")
    ruamel_scalars = _Library("ruamel.yaml.scalarstring")
    ruamel_yaml = _Library("ruamel.yaml")
    signal = _Library("scipy.signal")
    special = _Library("scipy.special")
    stats = _Library("scipy.stats")
    termios = _Library("termios")
    ticker = _Library("matplotlib.ticker")


@dataclass(frozen=True, slots=True)
class OptionalPart:
    """One part: its name in ``slotproof[name]``, its library, and what needs it."""

    name: str
    library: str
    use: str


PICTURES = OptionalPart("pictures", "matplotlib", "drawing pictures")
STATISTICS = OptionalPart(
    "statistics", "scipy", "statistics (lots, samples, gauges, a soak, a diagnosis)"
)
RECORDINGS = OptionalPart("recordings", "pyarrow", "reading CSV recordings")
_PARTS = (PICTURES, STATISTICS, RECORDINGS)


def is_installed(part: OptionalPart) -> bool:
    """True if the part's library is there."""
    try:
        return find_spec(part.library) is not None
    except (ImportError, ValueError):
        return False


def missing(part: OptionalPart, *, instead: str = "", where: str = "") -> UsageError:
    """The error of a part that is asked for and not installed.

    Args:
        part: the part.
        instead: what can be done without it; empty if nothing.
        where: place of what asks for it.
    """
    return UsageError(
        f"{part.use} needs the library {part.library}, which is not installed",
        where=where,
        hint=f"pip install 'slotproof[{part.name}]'{f', or {instead}' if instead else ''}",
    )


def require(part: OptionalPart, *, where: str = "") -> None:
    """Raise the error of a missing part, where it is.

    Raises:
        UsageError: the part is not installed.
    """
    if not is_installed(part):
        raise missing(part, where=where)


@contextmanager
def missing_parts_named() -> Iterator[None]:
    """Within, the import of a part's library that is not there is the error of its part.

    Raises:
        UsageError: a part is not installed.
    """
    try:
        yield
    except ImportError as fault:
        library = (fault.name or "").partition(".")[0]
        for part in _PARTS:
            if part.library == library and not is_installed(part):
                raise missing(part) from fault
        raise
