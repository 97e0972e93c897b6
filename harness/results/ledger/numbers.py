"""Numbers of a range that are given out once, in blocks that stations hold.

A block stands in the ledger before anybody has it, with the station and the folder that
took it: what is lost with a station is known by that line. Numbers that a shift hands
back are free again, and are given out before new ones.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from sqlalchemy import Connection, delete, func, insert, select, update
from sqlalchemy.exc import IntegrityError

from harness.results.ledger.ledger import Ledger, LedgerAway
from harness.results.ledger.tables import number_block, number_free, number_of_unit

_TRIES = 50
"""Attempts to take a block: of stations that take one at the same moment each wins one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BlockWanted:
    """What a station asks for.

    Attributes:
        name: of the range.
        first, last: its ends, included.
        size: how many numbers.
        station: name of the station.
        folder: its shift's folder, where each number's use is noted.
        at: when, UTC.
    """

    name: str
    first: int
    last: int
    size: int
    station: str
    folder: str
    at: str


def take_block(ledger: Ledger, wanted: BlockWanted) -> list[int]:
    """Numbers that no station has; fewer or none where the range comes to its end.

    Raises:
        LedgerAway: the database does not take it; nothing is taken then.
    """
    for _ in range(_TRIES):
        try:
            with ledger.transaction() as connection:
                return _free(connection, wanted) or _fresh(connection, wanted)
        except IntegrityError:  # another station took the same numbers first
            continue
    return []


def hand_back(ledger: Ledger, name: str, numbers: list[int]) -> None:
    """Free the numbers of which no bit was ever sent.

    Raises:
        LedgerAway: the database does not take it; they are not free then.
    """
    with ledger.transaction() as connection:
        for number in numbers:
            same = (number_free.c.name == name) & (number_free.c.number == number)
            row = {"taken_by": "", "folder": "", "at": ""}
            changed = connection.execute(update(number_free).where(same).values(**row))
            if not changed.rowcount:
                row_of = {"name": name, "number": number, **row}
                connection.execute(insert(number_free).values(**row_of))


def number_held(ledger: Ledger, name: str, unit: str) -> int | None:
    """The number that a unit has of a range, from whatever shift; None if it has none.

    Raises:
        LedgerAway: the database does not answer.
    """
    with ledger.transaction() as connection:
        return _held(connection, name, unit)


@dataclass(frozen=True, slots=True, kw_only=True)
class NumberHolder:
    """A unit that was given a number.

    Attributes:
        name: of the range.
        unit: serial number of the unit.
        number: what it was given.
        station: name of the station.
        at: when, UTC.
    """

    name: str
    unit: str
    number: int
    station: str
    at: str


def note_holder(ledger: Ledger, holder: NumberHolder) -> int:
    """Note whose a number is; the number that the unit has, which is an earlier one's first.

    Raises:
        LedgerAway: the database does not take it.
    """
    for _ in range(_TRIES):
        try:
            with ledger.transaction() as connection:
                held = _held(connection, holder.name, holder.unit)
                if held is not None:
                    return held
                row = {
                    "name": holder.name,
                    "unit_serial": holder.unit,
                    "number": holder.number,
                    "station": holder.station,
                    "at": holder.at,
                }
                connection.execute(insert(number_of_unit).values(**row))
                return holder.number
        except IntegrityError:  # another station noted the same unit first
            continue
    raise LedgerAway("the ledger does not take the number of a unit")


def numbers_of(ledger: Ledger, units: Iterable[str]) -> list[NumberHolder]:
    """What some units were given, of every range.

    Raises:
        LedgerAway: the database does not answer.
    """
    mine = number_of_unit.c.unit_serial.in_(sorted(set(units)))
    query = select(number_of_unit).where(mine).order_by("unit_serial", "name")
    with ledger.transaction() as connection:
        rows = connection.execute(query).mappings().all()
    return [
        NumberHolder(
            name=row["name"],
            unit=row["unit_serial"],
            number=int(row["number"]),
            station=row["station"],
            at=row["at"],
        )
        for row in rows
    ]


def move_holder(ledger: Ledger, holder: NumberHolder) -> None:
    """The unit's device carries this number, and no other one that was given to it.

    Raises:
        LedgerAway: the database does not take it; the earlier number is the unit's still.
    """
    same = (number_of_unit.c.name == holder.name) & (
        number_of_unit.c.unit_serial == holder.unit
    )
    row = {"number": holder.number, "station": holder.station, "at": holder.at}
    with ledger.transaction() as connection:
        connection.execute(update(number_of_unit).where(same).values(**row))


def forget_holder(ledger: Ledger, name: str, unit: str, number: int) -> None:
    """A unit gave its number back.

    Raises:
        LedgerAway: the database does not take it; the number is the unit's still.
    """
    with ledger.transaction() as connection:
        connection.execute(
            delete(number_of_unit).where(
                (number_of_unit.c.name == name)
                & (number_of_unit.c.unit_serial == unit)
                & (number_of_unit.c.number == number)
            )
        )


def _held(connection: Connection, name: str, unit: str) -> int | None:
    found = connection.execute(
        select(number_of_unit.c.number)
        .where(number_of_unit.c.name == name)
        .where(number_of_unit.c.unit_serial == unit)
    ).scalar()
    return None if found is None else int(found)


def _free(connection: Connection, wanted: BlockWanted) -> list[int]:
    is_free = (number_free.c.name == wanted.name) & (number_free.c.taken_by == "")
    inside = number_free.c.number.between(wanted.first, wanted.last)
    found = select(number_free.c.number).where(is_free & inside)
    numbers = connection.execute(found.order_by("number").limit(wanted.size))
    taken = []
    for number in numbers.scalars().all():
        changed = connection.execute(
            update(number_free)
            .where(is_free & (number_free.c.number == number))
            .values(taken_by=wanted.station, folder=wanted.folder, at=wanted.at)
        )
        if changed.rowcount:
            taken.append(int(number))
    return taken


def _fresh(connection: Connection, wanted: BlockWanted) -> list[int]:
    highest = connection.execute(
        select(func.max(number_block.c.last)).where(number_block.c.name == wanted.name)
    ).scalar()
    first = wanted.first if highest is None else max(wanted.first, int(highest) + 1)
    last = min(first + wanted.size - 1, wanted.last)
    if last < first:
        return []
    connection.execute(
        insert(number_block).values(
            name=wanted.name,
            first=first,
            last=last,
            station=wanted.station,
            folder=wanted.folder,
            at=wanted.at,
        )
    )
    return list(range(first, last + 1))
