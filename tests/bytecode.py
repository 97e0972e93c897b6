"""Bytecode that the suite and all commands it starts share.

Where Python is told to write none (``PYTHONDONTWRITEBYTECODE``), each command that a test
starts compiles some 900 modules anew, two CPU seconds each time. The suite keeps theirs
in its own cache folder then, and nothing appears beside the sources.

Source: Python documentation, "command line and environment", both variables.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path

FOLDER = Path(__file__).parents[1] / ".pytest_cache" / "bytecode"
IS_LOST = sys.dont_write_bytecode


def share() -> None:
    """Have it so from here on, in this process and those that it starts."""
    sys.dont_write_bytecode = False
    os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
    if sys.pycache_prefix is None:
        sys.pycache_prefix = os.environ["PYTHONPYCACHEPREFIX"] = str(FOLDER)
