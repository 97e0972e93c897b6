"""What the checks of an authenticator take: the secret, a page, a block layout."""

from __future__ import annotations

from harness.errors import UsageError
from harness.families.family import Option, Options
from harness.families.security.mac import Layout

SECRET_BYTES = 8

SECRET = Option.secret(
    "secret", "the eight bytes that the device shall hold, or holds", required=True
)
PAGE_NUMBER = Option.whole("page", "which page", default=0, low=0, high=3)
BLOCK_LAYOUT = Option.file(
    "block_layout", "file with the layout of the block behind the MAC"
)


def secret_of(options: Options, name: str = "secret") -> bytes:
    """The eight bytes behind an option.

    Raises:
        UsageError: they are not eight.
    """
    value = options.secret(name)
    if len(value) != SECRET_BYTES:
        raise UsageError(
            f"what stands behind option {name} has {len(value)} bytes",
            hint=f"expected {SECRET_BYTES} bytes",
        )
    return value.reveal()


def layout_of(own: Layout | None, options: Options) -> Layout | None:
    """The layout of the block behind the MAC of a page; None if it is not known.

    Args:
        own: what is known of the kind of device, or None.
        options: where a file may be named.

    Raises:
        UsageError: the file holds none.
    """
    if own is not None or not options.given("block_layout"):
        return own
    return Layout.parse(options.data("block_layout").decode("latin-1"))


def layout_options(own: Layout | None) -> tuple[Option, ...]:
    """A file is asked for where the kind's own layout is not known."""
    return (BLOCK_LAYOUT,) if own is None else ()
