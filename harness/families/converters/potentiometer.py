"""Digital potentiometer 2Ch: one volatile wiper of 256 steps, 100 kohm.

    F0h             control, position, then zeros
    0Fh position    position echoed; 96h puts it into force
    55h control     control echoed; 96h puts it into force: 0Ch pump off, 4Ch pump on
    AAh             features F3h, control
    C3h, 99h        one step up, down; the new position

From memory: the release code 96h, the way a control is written, the order of AAh, the
answers to C3h and 99h, and that the wiper wakes at 00h and answers a conditional search
there. There is no check value: every read is made twice, every write is echoed before
it acts and read back after. The terminals stand 0 to 11 V whatever the supply.

Source: data sheet DS2890 (family 2Ch) p. 1, 5-6 and 12.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager

from harness.errors import AnswerImpossible, CheckValueWrong, DeviceAbsent
from harness.families.common.answers import read_twice, shown
from harness.families.common.conditional import answered, search_check
from harness.families.common.register_map import HEX, Access, Field, RegisterMap
from harness.families.common.restore import restored
from harness.families.converters import commands, restarts
from harness.families.family import (
    Answer,
    Check,
    Family,
    Findings,
    Hazard,
    Option,
    Options,
    Session,
    by_name,
)
from harness.records import Measurement, Scalar

READ_POSITION, WRITE_POSITION = 0xF0, 0x0F
WRITE_CONTROL, READ_FEATURES = 0x55, 0xAA
UP, DOWN, RELEASE = 0xC3, 0x99, 0x96

_PUMP: dict[int, Scalar] = {0x0C: "off", 0x4C: "on"}
_LAST = 255
_HAZARDS = frozenset({Hazard.OUTPUT_SWITCHING})


def read(session: Session) -> tuple[int, int]:
    """Control and position, read twice, with the zero that follows them.

    Raises:
        DeviceAbsent: ones.
        CheckValueWrong: two readings differ.
        AnswerImpossible: a control byte that there is not, or no zero behind.
    """
    block = read_twice(
        session,
        lambda: session.transact(bytes([READ_POSITION]), 3),
        what="control and position",
    )
    control, position, zero = block
    if control not in _PUMP or zero:
        raise AnswerImpossible(
            f"control and position {shown(block)}: control is 0C or 4C, then zeros follow",
            hint="repeat; if it stays the device does not behave as the data sheet says",
        )
    return control, position


def _write(session: Session, command: int, value: int) -> None:
    """Write a byte, compare its echo, and only then release it."""
    echo = session.transact(bytes([command, value]), 1)[0]
    if echo != value:
        if echo == 0xFF:
            session.verify()
        raise CheckValueWrong(
            f"the device echoes {echo:02X}h, sent was {value:02X}h; nothing is changed"
        )
    session.more(bytes([RELEASE]))


def write_position(session: Session, position: int) -> None:
    """Move the wiper and prove it.

    Raises:
        CheckValueWrong: the echo is wrong; nothing is changed.
        AnswerImpossible: another position is read back.
    """
    _write(session, WRITE_POSITION, position)
    got = read(session)[1]
    if got != position:
        raise AnswerImpossible(
            f"the wiper stands at {got} after writing {position}",
            hint="the release did not arrive: repeat; if it stays, look at the supply",
        )


def _write_both(session: Session, _block: int, before: bytes, after: bytes) -> None:
    session.note("potentiometer before writing", control=before[0], position=before[1])
    if after[0] != before[0]:
        _write(session, WRITE_CONTROL, after[0])
        if read(session)[0] != after[0]:
            raise AnswerImpossible(f"the charge pump did not go {_PUMP[after[0]]}")
    if after[1] != before[1]:
        write_position(session, after[1])


def _features(session: Session) -> bytes:
    block = read_twice(
        session, lambda: session.transact(bytes([READ_FEATURES]), 2), what="features"
    )
    if block == b"\xff\xff":
        raise DeviceAbsent("no device drives the line: two bytes of FFh were read")
    return block


REGISTERS = RegisterMap(
    read=lambda session, row: bytes(read(session)),
    write=_write_both,
    fields=(
        Field(
            name="position", about="of the wiper", unit="steps", offset=1, reset=0,
            access=Access.READ_WRITE, hazards=_HAZARDS, safe=True,
        ),
        Field(
            name="charge_pump", codes=_PUMP, reset="off", access=Access.READ_WRITE, hazards=_HAZARDS,
            safe=True,
        ),
        Field(
            name="features", about="F3: one linear volatile element of 100 kohm, 256 steps",
            codes=HEX, read=_features, evidence=lambda _, block: {"control": f"{block[1]:02X}"},
            safe=True,
        ),
    ),
)  # fmt: skip


def configure(session: Session, settings: Mapping[str, Scalar], store: bool) -> Answer:
    """Move the wiper, switch the pump; both volatile, so ``store`` changes nothing.

    Raises:
        UsageError: a value out of range.
        CheckValueWrong, AnswerImpossible: see ``write_position``.
    """
    del store
    REGISTERS.configure(session, settings)
    control, position = read(session)
    return Answer(value=position, evidence={"charge_pump": _PUMP[control]})


# -- checks --------------------------------------------------------------------------


@contextmanager
def _wiper_kept(session: Session, work: str) -> Iterator[int]:
    """The position as it is before, and again afterwards."""
    before = read(session)[1]
    session.note(f"wiper before the {work}", position=before)
    with restored(
        session,
        lambda: write_position(session, before),
        what=f"the wiper (at {before} before)",
    ):
        yield before


def _ramp(session: Session, options: Options) -> Findings:
    places = [*range(0, _LAST, options.whole("step")), _LAST]
    wrong = []
    with _wiper_kept(session, "ramp"):
        for place in places:
            _write(session, WRITE_POSITION, place)
            if read(session)[1] != place:
                wrong.append(place)
    return Findings(
        measurements=(
            Measurement(name="positions_tried", value=len(places), unit="positions"),
            Measurement(
                name="positions_wrong", value=len(wrong), unit="positions", high=0
            ),
        ),
        evidence={"wrong": wrong},
    )


def _steps(session: Session, options: Options) -> Findings:
    count, wrong = options.whole("count"), 0
    with _wiper_kept(session, "steps") as before:
        expected = min(before, _LAST - count)
        write_position(session, expected)
        for command, by in ((UP, 1),) * count + ((DOWN, -1),) * count:
            expected += by
            answered = session.transact(bytes([command]), 1)[0]
            wrong += answered != expected or read(session)[1] != expected
    return Findings(
        measurements=(
            Measurement(name="steps", value=2 * count, unit="steps"),
            Measurement(name="steps_wrong", value=wrong, unit="steps", high=0),
        )
    )


def _conditional_search(session: Session, options: Options) -> Findings:
    del options
    with _wiper_kept(session, "search"):
        write_position(session, 0)
        met = session.meets_condition()
        write_position(session, 1)
        unmet = session.meets_condition()
    return answered(met=met, unmet=unmet)


# -- rows ----------------------------------------------------------------------------


def _count_option(name: str, about: str, default: int) -> Option:
    return Option.whole(name, about, default=default, low=1, high=_LAST)


_CHECKS = (
    Check(
        name="wiper_ramp",
        about="writes positions from end to end and reads each back; puts the wiper back",
        run=_ramp,
        options=by_name(_count_option("step", "from one position to the next", 5)),
        hazards=_HAZARDS,
        expected_s=4,
    ),
    Check(
        name="wiper_steps",
        about="so many single steps up, then down; puts the wiper back",
        run=_steps,
        options=by_name(_count_option("count", "steps each way", 8)),
        hazards=_HAZARDS,
        expected_s=2,
    ),
    search_check(
        _conditional_search,
        condition="at position 0 (puts the wiper back)",
        hazards=_HAZARDS,
    ),
)

FAMILIES = (
    Family(
        code=0x2C,
        name="digital potentiometer",
        device_class="converter",
        typical_parts="DS2890",
        commands=commands.POTENTIOMETER,
        restarts=restarts.POTENTIOMETER,
        quantities=by_name(*REGISTERS.quantities),
        settings=by_name(*REGISTERS.settings),
        configure=configure,
        checks=by_name(*_CHECKS),
        destructive="moves what the wiper drives; terminals up to 11 V",
        looks=REGISTERS.looks,
        facts="no check value: read twice, writes echoed before they act",
    ),
)
