"""Bursts that were given up although their echoes came: later than the host waits.

A burst is given up once it took twice the time that it needs and 0.1 s. What a busy host
or hub delivers after that was right on the line; what an adapter drops never comes.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass
class LateEchoes:
    """Counts of such bursts.

    Attributes:
        short: bursts that came back short.
        late: those of which every missing echo came later.
    """

    short: int = 0
    late: int = 0
    _due: bytes = b""

    def note(self, sent: bytes, echoes: bytes) -> None:
        """One burst as it was when it was given up, or whole."""
        self._due = sent[len(echoes) :]
        self.short += bool(self._due)

    def came(self, characters: bytes) -> bool:
        """What came since then; True once nothing is missing any more.

        An echo is the character sent with some of its ones pulled low; what has ones of
        its own is somebody else's.
        """
        if not self._due or not characters:
            return False
        pairs = zip(characters, self._due, strict=False)
        ours = all(not came & ~sent for came, sent in pairs)
        self._due = self._due[len(characters) :] if ours else b""
        if ours and not self._due:
            self.late += 1
            return True
        return False
