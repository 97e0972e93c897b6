r"""Text that can be shown anywhere: control characters are written visibly.

A character that XML 1.0 does not know (production 2 of its fifth edition) or that would
act on a terminal is written visibly: ``\x1b`` for U+001B, ``\ud800`` for U+D800, always
with two or four lower-case hex digits. A backslash that itself begins such a form is
written ``\x5c``; every other backslash stands for itself. So the original can be read
back. Escaped are U+0000 to U+001F (line feed and tab stay where a text
may have several lines), U+007F to U+009F, the line and paragraph separators U+2028 and
U+2029, the marks that turn the direction of writing, surrogates, U+FFFE and U+FFFF.
"""

from __future__ import annotations

import re

_FORM = r"x[0-9a-f]{2}|u[0-9a-f]{4}"
_TURNING = "\u061c\u200e\u200f\u2028-\u202e\u2066-\u2069"
_NEVER = rf"\x7f-\x9f{_TURNING}\ud800-\udfff\ufffe\uffff"
_ESCAPED = re.compile(rf"[\x00-\x1f{_NEVER}]|\\(?={_FORM})")
_ESCAPED_IN_LINES = re.compile(rf"[\x00-\x08\x0b-\x1f{_NEVER}]|\\(?={_FORM})")
_IN_OUTPUT = re.compile(rf"[\x00-\x08\x0b-\x1f{_NEVER}]")
# a screen moves its cursor and sets colours by ESC [ ... letter, and by nothing else
_ON_SCREENS = re.compile(
    rf"[\x00-\x06\x0b\x0c\x0e-\x1a\x1c-\x1f{_NEVER}]|\x1b(?!\[[0-9;?]*[A-Za-z])"
)


def _visible(match: re.Match[str]) -> str:
    code = ord(match.group()[0])
    return f"\\x{code:02x}" if code < 0x100 else f"\\u{code:04x}"


def one_line(text: object) -> str:
    """Safe text on one line: line feeds and tabs are made visible too."""
    return _ESCAPED.sub(_visible, str(text))


def safe_text(text: object) -> str:
    """Safe text that may have several lines."""
    return _ESCAPED_IN_LINES.sub(_visible, str(text))


def safe_output(text: object) -> str:
    """Text with several lines that is shown and not read back: backslashes stay."""
    return _IN_OUTPUT.sub(_visible, str(text))


def safe_screen(text: str) -> str:
    """Output for a screen: its own colours and cursor moves stay, no other control does."""
    return _ON_SCREENS.sub(_visible, text)
