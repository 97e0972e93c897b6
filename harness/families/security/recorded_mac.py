"""MACs of an authenticator in a recording, held against a secret that the user names.

Source: data sheets family 33h (parts DS2432 p. 13-20, DS1961S p. 16-24); values of MP:
from memory. A page's MAC takes the scratchpad as the challenge: it is known once the
recording shows it written, read, or filled by the command that computes a secret.
"""

from __future__ import annotations

from collections.abc import Iterator

from harness.families.secret import Secret
from harness.families.security.challenge import PAGE_LAYOUT
from harness.families.security.mac import MAC_BYTES, mac_of
from harness.families.transactions import SeenCommand

SECRET_BYTES = 8
_PAGE, _ROW = 32, 8


class RecordedAuthenticator:
    """One authenticator of family 33h, transaction by transaction.

    Args:
        wire: its ROM code in the order of the wire.
        secret: what it should hold.
    """

    def __init__(self, wire: bytes, secret: Secret) -> None:
        self._wire, self._secret = wire, secret
        self._pad: bytes | None = None
        self._right = self._open = 0
        self.wrong: list[str] = []

    def feed(self, seen: SeenCommand) -> None:
        """Takes one command."""
        name = seen.command.name if seen.command else ""
        row = seen.data("row")
        if name == "write scratchpad":
            self._pad = row if len(row) == _ROW and seen.crcs_right else None
        elif name == "read scratchpad" and len(row) == _ROW and seen.crcs_right:
            self._pad = row
        elif name == "compute next secret":
            self._pad = b"\xaa" * _ROW
        elif name == "read authenticated page":
            self._page(seen)

    def _page(self, seen: SeenCommand) -> None:
        data, mac, address = seen.data("data"), seen.data("mac"), seen.data("address")
        if len(mac) != MAC_BYTES or len(data) != _PAGE or self._pad is None:
            self._open += bool(mac)
            return
        page = int.from_bytes(address, "little") // _PAGE
        block = PAGE_LAYOUT.fill(
            {
                "SS": self._secret.reveal(),
                "PP": data,
                "SP": self._pad,
                "MP": bytes([0x40 | page]),
                "FC": self._wire[:1],
                "S": self._wire[1:7],
            }
        )
        if mac_of(block) == mac:
            self._right += 1
        else:
            self.wrong.append(
                f"the MAC of page {page} is not that of the secret given "
                f"({self._secret.source})"
            )

    def notes(self) -> Iterator[str]:
        """How many MACs are those of the secret."""
        if self._right:
            yield f"MACs that are right for the secret given: {self._right}"
        if self._open:
            yield (
                f"MACs not checked, for the challenge or the whole page is not in the "
                f"recording: {self._open}"
            )
