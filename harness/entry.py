"""Where the command begins: ready to be ended before anything else is imported."""

from __future__ import annotations

from typing import NoReturn

from harness import ending


def main() -> NoReturn:
    """Run the command line; see ``harness.cli``."""
    ending.watch()
    try:
        from harness import cli  # noqa: PLC0415 - takes a while

        cli.main()
    finally:
        ending.ignore()
