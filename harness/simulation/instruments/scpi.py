"""An instrument's text interface: headers, queries, an error queue.

Source: SCPI-99, volume 2, SYSTem:ERRor (-113 undefined header, -222 data out of range,
-104 data type error, -350 queue overflow).
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable

_QUEUE = 20


class ScpiError(ValueError):
    """A command that is refused, with its entry for the queue."""


class ScpiInterface:
    """Commands and queries by header.

    Args:
        identity: answer to ``*IDN?``.
        commands: header -> what a value does.
        queries: header with its question mark -> the answer.
    """

    def __init__(
        self,
        identity: str,
        commands: dict[str, Callable[[float], None]],
        queries: dict[str, Callable[[], float]],
    ) -> None:
        self._identity = identity
        self._commands = commands
        self._queries = queries
        self._errors: deque[str] = deque()

    def write(self, text: str) -> None:
        """Take a command."""
        header, _, value = text.partition(" ")
        action = self._commands.get(header)
        if action is None:
            self._refuse('-113,"Undefined header"')
            return
        try:
            action(float(value))
        except ScpiError as fault:
            self._refuse(str(fault))
        except ValueError:
            self._refuse('-104,"Data type error"')

    def query(self, text: str) -> str:
        """The answer to a query; an unknown one times out on a real instrument."""
        if text == "*IDN?":
            return self._identity
        if text == "SYST:ERR?":
            return self._errors.popleft() if self._errors else '0,"No error"'
        if text not in self._queries:
            self._refuse('-113,"Undefined header"')
            return ""
        return f"{self._queries[text]():.7G}"

    def drain(self) -> None:
        """Nothing comes late."""

    def close(self) -> None:
        """Nothing has to be closed."""

    def _refuse(self, entry: str) -> None:
        if len(self._errors) < _QUEUE:
            self._errors.append(entry)
        else:
            self._errors[-1] = '-350,"Queue overflow"'
