"""What stands behind a check's options: files, and secrets kept out of plans.

A secret is fetched when its step begins, and nothing here ever repeats it.
"""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import Any

from harness.errors import UsageError
from harness.families.check import Check, Option, OptionKind, Options, RecordToWrite
from harness.families.secret import MASK, Secret
from harness.records import Scalar

LARGEST_FILE_BYTES = 1_000_000

_HEX = re.compile(r"[0-9A-Fa-f]{2}(?:[\s:]*[0-9A-Fa-f]{2})*")
_CHUNK_BYTES = 8
"""Devices take secrets in such pieces, so a piece alone must not show either."""


def options_for(
    check: Check,
    given: Mapping[str, Scalar],
    *,
    plan_path: str,
    record: Callable[[str], RecordToWrite] | None = None,
) -> Options:
    """A check's options with everything that the plan only points to.

    Args:
        check: declares the options.
        given: values of the plan.
        plan_path: the plan's file; relative paths start from its folder.
        record: gives a record of the plan by its name.

    Raises:
        UsageError: a value is wrong, or what it points to cannot be had.
    """
    values: dict[str, Scalar | bytes | Secret | RecordToWrite] = {}
    folder = Path(plan_path).parent if plan_path else Path()
    for name, option in check.options.items():
        if name in given:
            value = option.parse(given[name])
            if option.kind is OptionKind.RECORD and record is not None:
                values[name] = record(str(value))
            else:
                values[name] = _fetched(option, value, folder)
        elif option.default is not None:
            values[name] = option.default
        elif option.required:
            raise UsageError(f"{check.name} needs option {name}", hint=option.about)
    return Options(values)


def secrets_in(check: Check, options: Options) -> list[Secret]:
    """The secrets that a run of the check will use."""
    return [
        options.secret(name)
        for name, option in check.options.items()
        if option.kind is OptionKind.SECRET and options.given(name)
    ]


def _fetched(
    option: Option, value: Scalar | bytes, folder: Path
) -> Scalar | bytes | Secret:
    if option.kind is OptionKind.FILE:
        return _read(folder / str(value), option.name)
    if option.kind is OptionKind.SECRET:
        return fetch_secret(str(value), folder)
    return value


def _read(path: Path, name: str) -> bytes:
    try:
        if path.stat().st_size > LARGEST_FILE_BYTES:
            raise UsageError(
                f"option {name}: {path} is larger than {LARGEST_FILE_BYTES} bytes"
            )
        return path.read_bytes()
    except OSError as cause:
        reason = cause.strerror or type(cause).__name__
        raise UsageError(f"option {name}: cannot read {path}: {reason}") from cause


def fetch_secret(source: str, folder: Path) -> Secret:
    """The secret behind ``env:NAME`` or ``file:PATH``: bytes in hex.

    Raises:
        UsageError: nothing there, or no bytes in hex. The text is never repeated.
    """
    kind, _, where = source.partition(":")
    if kind == "env":
        text = os.environ.get(where)
        if text is None:
            raise UsageError(
                f"the environment variable {where} is not set",
                hint="set it to the secret's bytes in hex before the run",
            )
    else:
        text = _read(folder / where, "secret").decode("latin-1")
    if not _HEX.fullmatch(text.strip()):
        raise UsageError(
            f"what stands behind {source} is no row of bytes in hex",
            hint="write each byte with two hex digits, nothing else",
        )
    return Secret(bytes.fromhex(re.sub(r"[\s:]", "", text)), source=source)


class Masker:
    """Takes secrets out of texts, whole or in the pieces that devices take."""

    def __init__(self, secrets: Iterable[Secret]) -> None:
        self._patterns = [
            re.compile(r"[\s:,]*".join(f"{byte:02x}" for byte in piece), re.IGNORECASE)
            for secret in secrets
            for piece in _pieces(secret.reveal())
        ]

    def text(self, text: str) -> str:
        """The text with a mask where a secret stood."""
        for pattern in self._patterns:
            text = pattern.sub(MASK, text)
        return text

    def plain(self, value: Any) -> Any:  # noqa: ANN401 - any JSON value
        """The same for plain JSON data."""
        if isinstance(value, str):
            return self.text(value)
        if isinstance(value, Mapping):
            return {key: self.plain(inner) for key, inner in value.items()}
        if isinstance(value, list | tuple):
            return [self.plain(inner) for inner in value]
        return value


def _pieces(value: bytes) -> list[bytes]:
    """The whole first, then its aligned pieces; too short ones would mask anything."""
    pieces = [value] + [
        value[start : start + _CHUNK_BYTES]
        for start in range(0, len(value), _CHUNK_BYTES)
    ]
    return [piece for piece in dict.fromkeys(pieces) if len(piece) >= 4]
