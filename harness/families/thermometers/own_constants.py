"""Constants of a device's own block: learned from its readings, held against later ones.

The data sheet's constants only open a suspicion of what a part is: clones hold other
bytes there, always the same, and read right. What a block cannot do is change its own
constants from one reading to the next: then a slot was slipped, or a bit flipped in a way
that the CRC does not show (half of all slips by one slot pass a CRC-8 that starts at 0).

Source: public survey texts on clone 28h thermometers, for other constants; arithmetic of
the CRC for the rest.
"""

from __future__ import annotations

from collections.abc import Callable

from harness.errors import AnswerImpossible
from harness.families.common.answers import shown
from harness.families.family import Session

KEY = "own_constants"
"""Of ``Session.memory``: the bytes at the places, once they are known. The evidence of a
reading has them under the same name, for the runs that follow."""


_PLACES = {
    0x10: {4: 0xFF, 5: 0xFF},
    0x3B: {5: 0xFF},
    0x42: {5: 0xFF, 6: 0x0C, 7: 0x10},
}
"""Data sheets family 10h, 3Bh (part DS1825) and 42h (part DS28EA00), scratchpad."""


def places_of(family: int) -> dict[int, int]:
    """Places of the block that never change in a device, and what the data sheet says."""
    return _PLACES.get(family, {5: 0xFF, 7: 0x10})


def constants_in(data: bytes, family: int) -> bytes:
    """The constants that a block holds."""
    return bytes(data[place] for place in places_of(family))


def behave_as_sheet(constants: bytes, family: int) -> bool:
    """True if they are those of the data sheet."""
    return constants == bytes(places_of(family).values())


def take_kept(session: Session, kept: str) -> None:
    """Hold a device to constants that readings of earlier runs had.

    Args:
        session: the device, at the beginning of a run.
        kept: hex, as the evidence of a reading has them; of a number of bytes that this
            version does not know of the family nothing is taken.
    """
    constants = bytes.fromhex(kept)
    if len(constants) == len(places_of(session.rom.family)):
        session.memory[KEY] = constants


def as_evidence(session: Session) -> dict[str, str]:
    """The constants that a device was held to, for the journal; empty without any."""
    known = session.memory.get(KEY)
    return {} if known is None else {KEY: shown(known)}


def read_held(session: Session, read: Callable[[], bytes]) -> bytes:
    """A block that is read, proved by ``read`` and held to its device's own constants."""
    data = read()
    hold_to_own(session, data, read_again=read)
    return data


def hold_to_own(
    session: Session, data: bytes, *, read_again: Callable[[], bytes]
) -> None:
    """Hold a block to the constants of its device.

    Those of the data sheet are taken at once. Others are taken when a second reading
    has them too, and noted in the journal.

    Args:
        session: the device; its memory keeps the constants for the run.
        data: a block whose CRC and structure are right.
        read_again: reads and proves another one.

    Raises:
        AnswerImpossible: the block has other constants than the device.
    """
    family = session.rom.family
    seen = constants_in(data, family)
    known = session.memory.get(KEY)
    if known is None:
        if not behave_as_sheet(seen, family):
            again = constants_in(read_again(), family)
            if again != seen:
                raise _moved(data, again)
            session.note(
                "constants of this device are not those of the data sheet; held as its own",
                constants=shown(seen),
            )
        session.memory[KEY] = seen
    elif seen != known:
        raise _moved(data, bytes(known))


def _moved(data: bytes, known: bytes) -> AnswerImpossible:
    return AnswerImpossible(
        f"block {shown(data)}: its constants are not those of this device, {shown(known)}, "
        "though the CRC is right",
        hint="a slot was slipped or a bit flipped: repeat, look at edges and noise; if all "
        "readings of this device show them now, it was damaged or copied since",
    )
