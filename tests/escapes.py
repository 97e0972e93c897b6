"""Reads safe text back, written from the description of the form alone."""

from __future__ import annotations

import re

_FORM = re.compile(r"\\(x[0-9a-f]{2}|u[0-9a-f]{4})")


def unescaped(text: str) -> str:
    """The text that ``one_line`` or ``safe_text`` was given."""
    return _FORM.sub(lambda match: chr(int(match.group(1)[1:], 16)), text)
