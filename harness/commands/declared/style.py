"""How a command answers: in full, in two lines, or as one JSON object."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class OutputStyle:
    """What the command line asked for.

    Attributes:
        json: one JSON object on standard output, all else on standard error.
        quiet: the verdict and the results folder alone.
        table: every value as a table too.
    """

    json: bool = False
    quiet: bool = False
    table: bool = False
