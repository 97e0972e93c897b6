"""Reads a page of ours as a browser would: tags, addresses, the text that is shown."""

from __future__ import annotations

from html.parser import HTMLParser
from urllib.parse import urlsplit

VOID = {"meta", "br", "link", "path", "circle", "rect", "use"}


class Reader(HTMLParser):
    """Collects tags, addresses and text; notes tags that do not close."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.tags: list[str] = []
        self.addresses: list[str] = []
        self.text: list[str] = []
        self._open: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.addresses += [v or "" for k, v in attrs if k in {"src", "href", "action"}]
        if tag not in VOID:
            self._open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        if tag in self._open:
            while self._open.pop() != tag:
                pass

    def handle_data(self, data: str) -> None:
        self.text.append(data)

    @property
    def shown(self) -> str:
        return " ".join(" ".join(self.text).split())


def read(page: str) -> Reader:
    reader = Reader()
    reader.feed(page)
    return reader


def is_near(address: str) -> bool:
    """Within the page, or a file in its folder: nothing that has to be fetched."""
    parts = urlsplit(address)
    return not (parts.scheme or parts.netloc or address.startswith(("/", "..")))


def assert_complete(page: str) -> Reader:
    """The page needs nothing from outside and runs nothing; returns what it shows."""
    reader = read(page)
    assert not {"script", "link", "img", "iframe", "form", "object"} & set(reader.tags)
    assert all(is_near(address) for address in reader.addresses)
    return reader
