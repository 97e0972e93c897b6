"""Which chip an adapter has, by its USB numbers: its clock grid, or that none is published.

A row's source says where the numbers come from and where the grid. Number tables were
compared with the aliases of the compiled drivers of Linux 6.1 (``modinfo ftdi_sio``,
``cp210x``, ``ch341``, ``pl2303``); rows that are not in them say so.

Where one number covers chips of several kinds, the more cautious kind stands, unless
the product text or the interface distinguishes them.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache

from harness.driver.usb.device_tree import HostPort

UNPUBLISHED = "unknown"
"""Kind of a chip whose divider is not published: as if nothing were known."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ChipRow:
    """Chips that share USB numbers and a clock grid.

    Attributes:
        vendor, product: the numbers.
        kind: clock grid, a key of ``wire.clock_grid.GRIDS``.
        source: of the numbers and of the grid.
        text: what the product text must match; empty for any.
        interface: the only interface that this row is about; None for all.
    """

    vendor: int
    product: int
    kind: str
    source: str
    text: str = ""
    interface: int | None = None

    def covers(self, port: HostPort) -> bool:
        """True if this row is about the port."""
        return (
            (port.vendor, port.product) == (self.vendor, self.product)
            and self.interface in {None, port.interface}
            and bool(re.search(self.text, port.product_text))
        )


_FT = "ftdi_sio_ids.h of the Linux kernel"
_CP = "ID table of cp210x.c of the Linux kernel"
_CH = "ID table of ch341.c of the Linux kernel"
_PL = "pl2303.h of the Linux kernel"
_CDC = "CDC-ACM class, numbers from memory; no published divider"


def _rows(
    vendor: int, kind: str, source: str, products: dict[int, str]
) -> list[ChipRow]:
    return [
        ChipRow(vendor=vendor, product=product, kind=kind, source=f"{source}: {parts}")
        for product, parts in products.items()
    ]


# The first row that covers a port counts: rows with a text or an interface stand first.
CHIPS: tuple[ChipRow, ...] = (
    *_rows(0x0403, "fractional-divider", _FT, {
        0x6001: "FT232B/R",
        0x6006: "FT232, alternative number (3 MHz generator from memory)",
        0x6015: "FT-X series (FT230X, FT231X)",
    }),
    *_rows(0x0403, "fast-fractional-divider", _FT, {
        0x6010: "FT2232H; FT2232C/D under the same number make the slower generator's rates",
        0x6011: "FT4232H",
        0x6014: "FT232H",
        0x6040: "FT2233HP", 0x6041: "FT4233HP", 0x6042: "FT2232HP", 0x6043: "FT4232HP",
        0x6044: "FT233HP", 0x6045: "FT232HP", 0x6048: "FT4232HA",
    }),
    ChipRow(
        vendor=0x10C4, product=0xEA60, kind="integer-divider", text=r"CP210(4|2N)",
        source=f"{_CP}; grid by cp210x_init_max_speed there: CP2102N and CP2104 divide by integers",
    ),
    ChipRow(
        vendor=0x10C4, product=0xEA70, kind="rate-table", interface=1,
        source=f"{_CP}: CP2105, second (standard) port, table rates to 921600 baud there",
    ),
    *_rows(0x10C4, "rate-table", _CP, {
        0xEA60: "CP2101 to CP2104, CP2102N; the rates of the old ones are made by all",
        0xEA61: "as EA60h", 0xEA63: "as EA60h",
    }),
    *_rows(0x10C4, "integer-divider", _CP, {
        0xEA70: "CP2105, first (enhanced) port", 0xEA7A: "CP2105", 0xEA71: "CP2108",
        0xEA7B: "CP2108",
    }),
    *_rows(0x1A86, "prescaled-divider", _CH, {
        0x7523: "CH340", 0x7522: "CH340K", 0x5523: "CH341",
    }),
    *_rows(0x4348, "prescaled-divider", _CH, {0x5523: "CH340, CH341 of old numbers"}),
    *_rows(0x1A86, UNPUBLISHED, _CDC, {
        0x55D2: "CH342", 0x55D3: "CH343", 0x55D4: "CH9102", 0x55D5: "CH344",
    }),
    *_rows(0x067B, "mantissa-exponent", _PL, {
        0x2303: "PL2303 H, HX, HXD; TA makes the same direct rates",
    }),
    *_rows(0x067B, "wide-mantissa-exponent", _PL, {0x2304: "PL2303 TB"}),
    *_rows(0x067B, UNPUBLISHED, f"{_PL}; HXN generation: the chip rounds by itself", {
        0x23A3: "PL2303 GC", 0x23B3: "PL2303 GB", 0x23C3: "PL2303 GT",
        0x23D3: "PL2303 GL", 0x23E3: "PL2303 GE", 0x23F3: "PL2303 GS",
    }),
    *_rows(0x04D8, UNPUBLISHED, _CDC, {0x00DD: "MCP2221"}),
)  # fmt: skip
"""Every chip that is known by its USB numbers."""


@lru_cache(maxsize=256)
def chip_of(port: HostPort) -> ChipRow | None:
    """The row about a port's chip, or None."""
    return next((row for row in CHIPS if row.covers(port)), None)


def kind_of(port: HostPort | None) -> str:
    """Clock grid of a port's chip; ``unknown`` if USB does not report it."""
    row = chip_of(port) if port is not None else None
    return row.kind if row is not None else UNPUBLISHED
