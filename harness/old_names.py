"""Former names of quantities, settings and checks, and the names they have now.

Plans, journals, ledgers and lists of earlier versions go on loading: the code that reads such
a file passes each name through ``current_name``, which warns with ``RenamedName``. The
command line prints each such warning once (``printed_notes``).

What a channel has is named ``channel_<channel>_<what>``; what belongs to an input or a
page, ``input_<input>_<what>`` and ``page_<page>_<what>``.
"""

from __future__ import annotations

import re
import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

_CHANNELS = (*"abcd", *"01234567")

OLD_NAMES: dict[str, str] = {
    **{f"level_{c}": f"channel_{c}_level" for c in _CHANNELS},
    **{f"latch_{c}": f"channel_{c}_output_off" for c in _CHANNELS},
    **{f"activity_{c}": f"channel_{c}_activity" for c in _CHANNELS},
    **{f"output_{c}": f"channel_{c}_output" for c in _CHANNELS},
    "counter_a": "input_a_count",
    "counter_b": "input_b_count",
    "write_count_12": "page_12_write_count",
    "write_count_13": "page_13_write_count",
    "channels": "channel_count",
    "marked_temperature": "temperature_restart_checked",
    "sheet_behaviour": "data_sheet_conformance",
    "wrong_check_value": "wrong_crc",
    "charge_account": "charge_accumulation",
    "void_readings": "invalid_readings",
}
"""Former name -> name now, of every family and of the soak."""

_SOAK_SUFFIXES = ("_lowest", "_highest", "_mean")
"""What a soak appends to the quantity that it reads."""

_MADE_TITLE = re.compile(r"((?:[\d.]+ )?(?:read|soak|configure|check)) (\w+(?:, \w+)*)")
"""Title of a step that has no name in its plan: its kind, and what it names.

Its number may stand before it, as the ledger writes it.
"""


OWN_TITLES = {
    "unit stays and owns its ROM codes": "unit still present, ROM codes unique",
    "unit still present; ROM codes unique": "unit still present, ROM codes unique",
}
"""Titles of steps that slotproof itself adds: former title -> title now."""


class RenamedName(FutureWarning):
    """A name of an earlier version was used; the message has the current name."""


def renamed(name: str) -> str:
    """The current name, without a warning; any other name stays as it is."""
    if name in OLD_NAMES:
        return OLD_NAMES[name]
    for suffix in _SOAK_SUFFIXES:
        old = name.removesuffix(suffix)
        if old != name and old in OLD_NAMES:
            return OLD_NAMES[old] + suffix
    return name


def current_name(name: str) -> str:
    """As ``renamed``, with a warning where the name is an old one."""
    now = renamed(name)
    if now != name:
        warnings.warn(
            f"{name} is an old name and still loads; it is now {now}",
            RenamedName,
            stacklevel=3,
        )
    return now


def current_title(title: str) -> str:
    """Title of a step, with the current names where it was made from names.

    A title that the plan gives stays as it is.
    """
    if title in OWN_TITLES:
        return OWN_TITLES[title]
    made = _MADE_TITLE.fullmatch(title)
    if not made:
        return title
    names = (current_name(name) for name in made[2].split(", "))
    return f"{made[1]} {', '.join(names)}"


def current_keys(values: dict[str, Any]) -> dict[str, Any]:
    """A mapping with the current names as keys, in the order given.

    Raises:
        ValueError: two keys are names of the same thing.
    """
    found: dict[str, Any] = {}
    for name, value in values.items():
        now = current_name(name)
        if now in found:
            raise ValueError(f"{now} is named twice, once by an old name of it")
        found[now] = value
    return found


@contextmanager
def printed_notes(show: Callable[[str], object]) -> Iterator[None]:
    """While this lasts, show the warning of each old name once.

    Args:
        show: takes the sentence; other warnings take their usual way.
    """
    with warnings.catch_warnings():
        warnings.simplefilter("always", RenamedName)
        usual = warnings.showwarning
        shown: set[str] = set()

        def take(
            message: Warning | str,
            category: type[Warning],
            *rest: Any,  # noqa: ANN401 - handed on
            **more: Any,  # noqa: ANN401
        ) -> None:
            if not issubclass(category, RenamedName):
                usual(message, category, *rest, **more)
            elif str(message) not in shown:
                shown.add(str(message))
                show(str(message))

        warnings.showwarning = take
        yield
