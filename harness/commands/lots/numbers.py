"""Numbers of the command line, read by the same rule as those in files.

Python's ``float`` also takes ``2_0``, ``nan`` and digits of other scripts; as a limit or a
margin each of them is a slip.
"""

from __future__ import annotations

import typer


def number(value: str | float) -> float:
    """A finite number as instruments write it, exponents included; the parser of options.

    Raises:
        typer.BadParameter: it is none.
    """
    from harness.lots.csv_rows import plain_number  # noqa: PLC0415

    if isinstance(value, float | int):  # a default of ours
        return float(value)
    found = plain_number(value)
    if found is None:
        raise typer.BadParameter(
            f"{value!r} is not a plain number, such as 20 or 1.5E-3"
        )
    return found
