"""Judged quantities as sentences: what is outside, doubtful, or good for some devices."""

from __future__ import annotations

from harness.digits import limits_text, number_text
from harness.recordings.record.quantity import JudgedQuantity, QuantityRow, ValueOwner
from harness.recordings.record.shown import AnalogFacts

_SHADES = " .:-=+*#%@"
"""From no value to the most frequent one; ASCII, since a terminal may know no more."""

_COLUMNS = 24


def counted(number: int, what: str) -> str:
    """A number of things, of which the first word is one: "2 lows too short"."""
    if number == 1:
        return f"1 {what}"
    head, _, rest = what.partition(" ")
    plural = f"{head}s" if not head.endswith("s") else head
    return f"{number} {plural} {rest}".rstrip()


def quantity_name(row: QuantityRow) -> str:
    """Name of a quantity with its speed where that is overdrive."""
    return f"{row.name}, overdrive" if row.overdrive else row.name


def span_text(judged: JudgedQuantity) -> str:
    """Smallest to largest value, or the only one."""
    low, high = number_text(judged.minimum), number_text(judged.maximum)
    return low if low == high else f"{low} to {high}"


def outside_sentence(judged: JudgedQuantity) -> str:
    """Such as: the host's write-0 low is 52 to 53 us (+-1 us), below 60 us."""
    return f"{owned_name(judged.row)} is {outside_text(judged)}"


def outside_text(judged: JudgedQuantity) -> str:
    """The same without whose and what, for where these stand already."""
    row = judged.row
    return (
        f"{span_text(judged)} {row.unit} (+-{number_text(judged.doubt)} {row.unit}), "
        f"{beyond_text(judged)}: {judged.outside} of {judged.count} outside"
    )


def beyond_text(judged: JudgedQuantity) -> str:
    """Beyond which limits the values lie, such as: below 60 us."""
    row, beyond = judged.row, []
    if row.loosest_low is not None and judged.minimum < row.loosest_low:
        beyond.append(f"below {number_text(row.loosest_low)} {row.unit}")
    if row.loosest_high is not None and judged.maximum > row.loosest_high:
        beyond.append(f"above {number_text(row.loosest_high)} {row.unit}")
    return " and ".join(beyond)


def doubtful_sentence(judged: JudgedQuantity) -> str:
    """Which values lie too near to their limit for the recording's resolution."""
    return f"{owned_name(judged.row)} is {doubtful_text(judged)}"


def doubtful_text(judged: JudgedQuantity) -> str:
    """The same without whose and what."""
    row = judged.row
    if judged.open_because:
        return (
            f"{span_text(judged)} {row.unit}: {judged.doubtful} of {judged.count} "
            f"{judged.open_because}"
        )
    return (
        f"{span_text(judged)} {row.unit}: "
        f"{judged.doubtful} of {judged.count} within +-{number_text(judged.doubt)} "
        f"{row.unit} of the limit ({limits_text(row.loosest_low, row.loosest_high)} "
        f"{row.unit}); sample faster to tell"
    )


def some_devices_sentence(judged: JudgedQuantity) -> str:
    """Which values suit some devices and not others."""
    row = judged.row
    return (
        f"{owned_name(row)} suits some devices only: it is {span_text(judged)} {row.unit}, "
        f"{judged.some_only} of {judged.count} outside the limits that suit every device "
        f"({limits_text(row.low, row.high)} {row.unit})"
    )


def owned_name(row: QuantityRow) -> str:
    """Such as: the host's write-0 low."""
    whose = {
        ValueOwner.HOST: "the host's",
        ValueOwner.DEVICE: "the devices'",
        ValueOwner.EITHER: "the host's or devices'",
        ValueOwner.LINE: "the line's",
    }[row.side]
    return f"{whose} {quantity_name(row)}"


def shades(judged: JudgedQuantity) -> str:
    """The histogram in one row of characters, darker where more values lie.

    Empty where all values are one: there is nothing to see.
    """
    low, high = judged.bins[0][0], judged.bins[-1][0]
    if high <= low:
        return ""
    columns = [0] * _COLUMNS
    for value, count in judged.bins:
        columns[min(_COLUMNS - 1, int((value - low) / (high - low) * _COLUMNS))] += (
            count
        )
    most = max(columns)
    # one value among thousands is what a reader looks for, so it is never a blank
    return "".join(
        _SHADES[-(-count * (len(_SHADES) - 1) // most) if count else 0]
        for count in columns
    )


def thresholds_source(analog: AnalogFacts) -> str:
    """Where the thresholds of a recording in volts come from."""
    if analog.from_fixture:
        return "the fixture"
    if analog.from_receiver:
        return "a receiver with TTL levels"
    return "30 % and 70 % of the swing"
