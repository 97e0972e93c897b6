"""What each kind bears and what it is made for: absolute maximum, supply, temperature.

The figures are those of the data sheets named in each row; "from memory" says that the
page was not at hand. Where several parts share a code, a row holds for all of them: the
lowest maximum, the narrowest range. What is None is not known here: a device then bears
what its bus is built for and no more, and a value outside of an unknown range is judged
with a note that says so.
"""

from __future__ import annotations

from dataclasses import dataclass

Range = tuple[float, float]

_ROOM = (-40.0, 85.0)
_HOT = (-55.0, 125.0)
_BUS = (2.8, 5.25)
"""Pull-up supply of most memories and switches."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Ratings:
    """Ratings of a kind.

    Attributes:
        bears_v: absolute maximum of its pins on the bus, in volts.
        supply_v: lowest and highest supply for which values are promised, in volts.
        temperature_degc: the same of the temperature.
        source: part and page, or what is from memory.
    """

    bears_v: float | None = None
    supply_v: Range | None = None
    temperature_degc: Range | None = None
    source: str


_NV = Ratings(
    supply_v=(2.8, 6.0),
    source="DS1992, DS1993, DS1994, DS1995, DS1996: pull-up voltage, from memory",
)
_ONCE = Ratings(
    supply_v=(2.8, 6.0),
    temperature_degc=_ROOM,
    source="DS2502, DS2505, DS2506: from memory; programming is narrower",
)
_ID = Ratings(
    bears_v=6.0,
    supply_v=_BUS,
    temperature_degc=_ROOM,
    source="DS2411 p. 1 (highest supply); the rest from memory",
)
_SHA_256 = Ratings(
    bears_v=4.0,
    supply_v=(2.97, 3.63),
    temperature_degc=_ROOM,
    source="DS28E15, DS28E22, DS28E25: 3.3 V parts, which 5 V destroy; from memory",
)

RATINGS = {
    0x01: _ID,
    0x81: _ID,
    0x04: _NV,
    0x06: _NV,
    0x08: _NV,
    0x0A: _NV,
    0x0C: _NV,
    0x09: _ONCE,
    0x0B: _ONCE,
    0x0F: _ONCE,
    0x89: _ONCE,
    0x8B: _ONCE,
    0x8F: _ONCE,
    0x10: Ratings(
        bears_v=6.0, supply_v=(3.0, 5.5), temperature_degc=_HOT,
        source="DS18S20, electrical characteristics; page from memory",
    ),
    0x12: Ratings(
        supply_v=(2.8, 6.0), temperature_degc=_ROOM,
        source="DS2406 p. 1 (supply); temperature from memory",
    ),
    0x14: Ratings(
        bears_v=6.0, supply_v=_BUS, temperature_degc=_ROOM,
        source="DS2430A, 19-5236 (supply); the rest from memory",
    ),
    0x17: _SHA_256,
    0x47: _SHA_256,
    0x48: _SHA_256,
    0x1D: Ratings(
        supply_v=(2.8, 5.5), temperature_degc=_ROOM,
        source="DS2423 p. 25 (supply); temperature from memory",
    ),
    0x22: Ratings(
        bears_v=6.0, supply_v=(3.0, 5.5), temperature_degc=_HOT,
        source="DS1822 p. 19; page from memory",
    ),
    0x23: Ratings(
        bears_v=6.0, supply_v=_BUS, temperature_degc=_ROOM,
        source="DS2433, DS24B33: from memory",
    ),
    0x26: Ratings(
        supply_v=(2.4, 10.0), temperature_degc=_ROOM, source="DS2438 p. 21",
    ),
    0x28: Ratings(
        bears_v=6.0, supply_v=(3.0, 5.5), temperature_degc=_HOT,
        source="DS18B20, rev 042208, p. 19",
    ),
    0x29: Ratings(
        bears_v=6.0, supply_v=_BUS, temperature_degc=_ROOM,
        source="DS2408, rev 12/10; absolute maximum from memory",
    ),
    0x2C: Ratings(supply_v=(2.8, 6.0), source="DS2890 p. 12"),
    0x2D: Ratings(
        bears_v=6.0, supply_v=_BUS, temperature_degc=_ROOM,
        source="DS2431, rev 13, p. 2-3; temperature from memory",
    ),
    0x2F: Ratings(
        bears_v=6.0, supply_v=_BUS, temperature_degc=_ROOM,
        source="DS28E01-100: from memory",
    ),
    0x30: Ratings(
        bears_v=6.0, supply_v=(2.5, 5.5),
        source="DS2760 p. 2: pins other than PLS, CC and PIO; page from memory",
    ),
    0x33: Ratings(
        bears_v=6.0, supply_v=_BUS, temperature_degc=_ROOM,
        source="DS2432, DS1961S: from memory",
    ),
    0x3A: Ratings(
        bears_v=28.0, supply_v=_BUS, temperature_degc=(0.0, 70.0),
        source="DS2413, rev 3/15, p. 2-3: 28 V without traffic, absolute maximum 30 V",
    ),
    0x3B: Ratings(
        bears_v=6.0, supply_v=(3.0, 3.6), temperature_degc=(-40.0, 125.0),
        source="DS1825, MAX31826, MAX31850 and MAX31825, whose highest supply is 3.6 V; "
        "absolute maximum and temperatures from memory",
    ),
    0x42: Ratings(
        bears_v=6.0, supply_v=(3.0, 5.5), temperature_degc=_ROOM,
        source="DS28EA00 p. 2; absolute maximum from memory",
    ),
    0x43: Ratings(
        bears_v=6.0, supply_v=_BUS, temperature_degc=_ROOM,
        source="DS28EC20, rev 7, p. 2; temperature from memory",
    ),
}  # fmt: skip
"""Ratings by family code."""

NOT_KNOWN = frozenset(
    {
        0x02, 0x05, 0x16, 0x18, 0x19, 0x1A, 0x1B, 0x1C, 0x1E, 0x1F, 0x20, 0x21, 0x24,
        0x27, 0x2E, 0x31, 0x32, 0x34, 0x35, 0x36, 0x37, 0x3D, 0x41, 0x44, 0x51, 0x70,
        0x7E, 0xA6, 0xEE, 0xEF, 0xFC, 0xFF,
    }
)  # fmt: skip
"""Kinds of which no data sheet page on ratings was at hand, nor is one remembered surely."""

_NOTHING = Ratings(source="not known here")


def ratings_of(family: int) -> Ratings:
    """The ratings of a kind; all None where nothing is known."""
    return RATINGS.get(family, _NOTHING)


def bears_v(family: int, *, built_for_v: float) -> float:
    """Highest voltage that a device may ever see.

    Args:
        family: its family code.
        built_for_v: supply that its bus was built for, where its maximum is not known.
    """
    known_v = ratings_of(family).bears_v
    return built_for_v if known_v is None else known_v


@dataclass(frozen=True, slots=True)
class _RatedValue:
    value: float
    known: Range | None
    unit: str
    what: str


def _asked(
    family: int, supply_v: float | None, temperature_degc: float | None
) -> list[_RatedValue]:
    known = ratings_of(family)
    asked = []
    if supply_v is not None:
        asked.append(_RatedValue(supply_v, known.supply_v, "V", "supply"))
    if temperature_degc is not None:
        asked.append(
            _RatedValue(temperature_degc, known.temperature_degc, "degC", "temperature")
        )
    return asked


def outside_range(
    family: int, *, supply_v: float | None = None, temperature_degc: float | None = None
) -> str:
    """Which of these a kind is not made for, in words; empty if none, or not known.

    Args:
        family: its family code.
        supply_v: supply in force, or None where nothing sets it.
        temperature_degc: temperature in force, or None where nothing sets it.
    """
    return "; ".join(
        f"{each.value:g} {each.unit} lies outside {each.known[0]:g} to "
        f"{each.known[1]:g} {each.unit}, for which family {family:02X}h is made"
        for each in _asked(family, supply_v, temperature_degc)
        if each.known and not each.known[0] <= each.value <= each.known[1]
    )


def range_not_known(
    family: int, *, supply_v: float | None = None, temperature_degc: float | None = None
) -> str:
    """For which of these it is not known whether a kind is made for it; empty if none."""
    return "; ".join(
        f"the operating {each.what} range of family {family:02X}h is not known here: "
        f"judged at {each.value:g} {each.unit} all the same"
        for each in _asked(family, supply_v, temperature_degc)
        if each.known is None
    )


def in_words(family: int) -> str:
    """The ratings of a kind on one line, with their source."""
    known = ratings_of(family)
    ranges = ((known.supply_v, "V"), (known.temperature_degc, "degC"))
    parts = [
        f"{low_high[0]:g} to {low_high[1]:g} {unit}"
        for low_high, unit in ranges
        if low_high
    ]
    if known.bears_v is not None:
        parts.append(f"absolute maximum {known.bears_v:g} V")
    return f"{', '.join(parts)} ({known.source})" if parts else known.source
