"""Open-drain outputs that read their own pins: levels, latches, activity, loop-backs.

A channel has two bits that people mix up: the latch (1 = transistor off) and the level
of the pin. Latch 1 with a low pin is a load or a wire at fault, not the switch; latch
0 with a high pin is a transistor that does not pull (field failures, F24). A channel
is an input only while its latch is 1.

Bit n of every number here stands for the n-th channel.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass

from harness.errors import AnswerImpossible, DeviceAbsent, UsageError
from harness.families.family import (
    Answer,
    Check,
    Findings,
    Hazard,
    Option,
    OptionKind,
    Options,
    Quantity,
    Session,
    Setting,
    by_name,
)
from harness.families.shapes.answers import shown
from harness.families.shapes.restoring import restored
from harness.records import Measurement, Scalar

CONFIRMED = 0xAA
_ON_OFF = {"on": 0, "off": 1}


@dataclass(frozen=True, slots=True, kw_only=True)
class PortState:
    """All channels at one moment.

    Attributes:
        levels: of the pins.
        latches: 1 = transistor off.
        activity: 1 = an edge was seen; 0 where the part has no such latches.
    """

    levels: int
    latches: int
    activity: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Ports:
    """How the channels of a part are read and driven.

    Attributes:
        channels: their names, bit 0 first.
        read: levels and latches, proved.
        drive: writes all latches; need not read back.
        hazards: what switching an output carries.
        clear_activity: forgets the edges seen so far; None if nothing keeps them.
    """

    channels: tuple[str, ...]
    read: Callable[[Session], PortState]
    drive: Callable[[Session, int], None]
    hazards: frozenset[Hazard]
    clear_activity: Callable[[Session], object] | None = None

    @property
    def all_off(self) -> int:
        """Latches with every transistor off."""
        return (1 << len(self.channels)) - 1

    def names(self, bits: int) -> str:
        """The channels of set bits, for messages."""
        listed = [name for n, name in enumerate(self.channels) if bits >> n & 1]
        return ", ".join(listed) or "none"


# -- bytes on the wire ---------------------------------------------------------------


def nibbles(status: int) -> PortState:
    """Two channels in a status byte whose high half is the complement of the low half.

    Raises:
        DeviceAbsent: all ones.
        AnswerImpossible: the halves are no complements.
    """
    if status == 0xFF:
        raise DeviceAbsent("nobody drives the line: status FFh")
    if status >> 4 ^ 0x0F != status & 0x0F:
        raise AnswerImpossible(
            f"status {status:02X}h: its high half must be the inverse of its low half",
            hint="noise on the way: repeat; if it stays look at edges",
        )
    return PortState(
        levels=status & 1 | status >> 1 & 2, latches=status >> 1 & 1 | status >> 2 & 2
    )


def write_confirmed(session: Session, command: int, value: int) -> int:
    """Write latches with their complement; the byte that follows the confirmation.

    Raises:
        DeviceAbsent: ones, and the device does not answer a search.
        AnswerImpossible: the device refused, or answered something else than AAh.
    """
    message = bytes([command, value, value ^ 0xFF])
    confirmation, status = session.transact(message, 2)
    if confirmation == CONFIRMED:
        return status
    if confirmation == 0xFF:
        session.verify()
        raise AnswerImpossible(
            f"outputs {value:02X}h: the device refused and changed nothing",
            hint="its copy of the complement was wrong: noise on the way, repeat",
        )
    raise AnswerImpossible(
        f"outputs {value:02X}h: confirmed by {shown(bytes([confirmation]))} instead of AA"
    )


# -- driving -------------------------------------------------------------------------


def drive(session: Session, ports: Ports, latches: int) -> PortState:
    """Write all latches and prove them by reading.

    Raises:
        AnswerImpossible: a latch reads back otherwise.
        DeviceError: as reading and writing say.
    """
    ports.drive(session, latches)
    state = ports.read(session)
    if state.latches != latches:
        wrong = state.latches ^ latches
        raise AnswerImpossible(
            f"latch of channel {ports.names(wrong)} reads back wrong: written "
            f"{latches:0{len(ports.channels)}b}, read "
            f"{state.latches:0{len(ports.channels)}b}",
            hint="the device lost its supply in between, or does not take writes (a test "
            "mode after a slow power-up)",
        )
    return state


# -- rows ----------------------------------------------------------------------------


def port_quantities(ports: Ports) -> tuple[Quantity, ...]:
    """Level and latch of each channel, and its activity where the part keeps it."""
    rows = [
        row
        for place, name in enumerate(ports.channels)
        for row in (
            Quantity(
                name=f"level_{name}",
                unit="",
                read=_bit_reader(ports, "levels", place),
                about=f"level of pin {name}: 1 is high",
            ),
            Quantity(
                name=f"latch_{name}",
                unit="",
                read=_bit_reader(ports, "latches", place),
                about=f"output latch {name}: 1 is transistor off",
            ),
        )
    ]
    if ports.clear_activity is not None:
        rows += [
            Quantity(
                name=f"activity_{name}",
                unit="",
                read=_bit_reader(ports, "activity", place),
                about=f"1 if pin {name} moved since the latches were cleared",
            )
            for place, name in enumerate(ports.channels)
        ]
    return tuple(rows)


def _bit_reader(ports: Ports, which: str, place: int) -> Callable[[Session], Answer]:
    width = len(ports.channels)

    def read(session: Session) -> Answer:
        state = ports.read(session)
        evidence = {
            "levels": f"{state.levels:0{width}b}",
            "latches": f"{state.latches:0{width}b}",
        }
        return Answer(value=getattr(state, which) >> place & 1, evidence=evidence)

    return read


def port_settings(ports: Ports) -> tuple[Setting, ...]:
    """``output_x`` of each channel: on or off."""
    return tuple(
        Setting(
            name=f"output_{name}",
            unit="",
            about="on (transistor pulls low) or off",
            hazards=ports.hazards,
        )
        for name in ports.channels
    )


def wanted_latches(
    ports: Ports, settings: Mapping[str, Scalar], latches: int
) -> int | None:
    """The latches that settings ask for; None if no output is among them.

    Raises:
        UsageError: a value is neither on nor off.
    """
    asked = None
    for place, name in enumerate(ports.channels):
        if f"output_{name}" in settings:
            bit = _on_off(f"output_{name}", settings[f"output_{name}"])
            latches = latches & ~(1 << place) | bit << place
            asked = latches
    return asked


def _on_off(name: str, value: Scalar) -> int:
    if isinstance(value, bool):  # YAML reads a bare on and off so
        value = "on" if value else "off"
    if value not in _ON_OFF:
        raise UsageError(f"{name} takes on or off, got {value!r}")
    return _ON_OFF[str(value)]


def configure_outputs(
    session: Session, ports: Ports, settings: Mapping[str, Scalar]
) -> Answer:
    """Switch outputs, read them back, and say what the pins did.

    Raises:
        UsageError: a value is neither on nor off.
        AnswerImpossible: a latch reads back otherwise.
    """
    before = ports.read(session)
    latches = wanted_latches(ports, settings, before.latches)
    if latches is None:
        return Answer(value="")
    session.note("outputs before switching", latches=before.latches)
    state = drive(session, ports, latches)
    width = len(ports.channels)
    return Answer(
        value=f"{latches:0{width}b}",
        evidence={"levels": f"{state.levels:0{width}b}"},
    )


# -- checks --------------------------------------------------------------------------


def port_checks(ports: Ports) -> tuple[Check, ...]:
    """``output_walk`` and ``loop_back``, and ``activity`` where the part keeps it."""
    rows = (
        Check(
            name="output_walk",
            about="each output on by itself: its pin follows, no pin but those wired to "
            "it does; puts the outputs back",
            run=lambda session, options: _walk(session, ports, options),
            options=by_name(
                Option(
                    name="pulled_up",
                    kind=OptionKind.TRUTH,
                    about="false if nothing pulls open pins high: then only the low "
                    "levels count",
                    default=True,
                )
            ),
            hazards=ports.hazards,
            expected_s=0.05 * len(ports.channels),
        ),
        Check(
            name="loop_back",
            about="each output on and off: the input that the fixture wires to it "
            "follows; puts the outputs back",
            run=lambda session, options: _loop_back(session, ports, options),
            options=loop_back_options(ports.channels),
            hazards=ports.hazards,
            expected_s=0.1,
        ),
    )
    if ports.clear_activity is None:
        return rows
    activity = Check(
        name="activity",
        about="an edge of an output is seen by its own latch and none that is not wired "
        "to it; puts the outputs back",
        run=lambda session, _: _activity(session, ports),
        hazards=ports.hazards,
        expected_s=0.05 * len(ports.channels),
    )
    return (*rows, activity)


def loop_back_options(channels: Sequence[str]) -> dict[str, Option]:
    """``output`` and ``input``; by default every pair that the fixture declares."""
    return by_name(
        Option(
            name="output",
            kind=OptionKind.TEXT,
            about="only this output; default is every one that the fixture wires",
            choices=tuple(channels),
        ),
        Option(
            name="input",
            kind=OptionKind.TEXT,
            about="the input wired to `output`; default is what the fixture says",
            choices=tuple(channels),
        ),
    )


def wired_pairs(
    session: Session, channels: Sequence[str], options: Options
) -> dict[str, str]:
    """Output to input, by the options or by the fixture.

    Raises:
        UsageError: nobody says what is wired to what, or to a channel not there.
    """
    pairs = dict(session.loop_backs)
    if options.given("output"):
        output = options.text("output")
        if options.given("input"):
            pairs = {output: options.text("input")}
        else:
            pairs = {output: pairs[output]} if output in pairs else {}
    elif options.given("input"):
        raise UsageError("input is given without the output", hint="give both")
    if not pairs:
        raise UsageError(
            "the fixture does not say which output is wired to which input",
            hint="write `loop_backs: {a: b}` at the socket, or give output and input",
        )
    for name in {*pairs, *pairs.values()} - set(channels):
        raise UsageError(
            f"this device has no channel {name!r}", hint=f"one of {', '.join(channels)}"
        )
    return pairs


def _wired_to(session: Session, ports: Ports, place: int) -> int:
    """Bits of the channels that the fixture wires to a channel, itself included."""
    bits = 1 << place
    name = ports.channels[place]
    for output, into in session.loop_backs.items():
        if name in {output, into}:
            for other in (output, into):
                if other in ports.channels:
                    bits |= 1 << ports.channels.index(other)
    return bits


@contextmanager
def kept(session: Session, ports: Ports) -> Iterator[None]:
    """Whatever is done to the outputs inside, they are put back afterwards."""
    before = ports.read(session).latches
    session.note("outputs before the check", latches=before)
    on = ports.names(~before & ports.all_off)
    with restored(
        session,
        lambda: drive(session, ports, before),
        what=f"the outputs (on before: {on})",
        hint="switch the load off by hand before touching it",
    ):
        yield


def _walk(session: Session, ports: Ports, options: Options) -> Findings:
    pulled_up = options.truth("pulled_up")
    width = len(ports.channels)
    not_low = coupled = 0
    seen = []
    with kept(session, ports):
        idle = drive(session, ports, ports.all_off)
        stuck = ~idle.levels & ports.all_off if pulled_up else 0
        for place in range(width):
            state = drive(session, ports, ports.all_off & ~(1 << place))
            followed = ~state.levels & ports.all_off
            seen.append(f"{state.levels:0{width}b}")
            not_low |= (1 << place) & ~followed
            if pulled_up:
                coupled |= followed & ~_wired_to(session, ports, place) & ~stuck
    return Findings(
        measurements=(
            Measurement(name="pins_low_while_off", value=ports.names(stuck), wanted="none"),
            Measurement(name="pins_high_while_on", value=ports.names(not_low), wanted="none"),
            Measurement(name="pins_coupled", value=ports.names(coupled), wanted="none"),
        ),
        evidence={"levels_all_off": f"{idle.levels:0{width}b}", "levels_one_on": seen},
    )  # fmt: skip


def _loop_back(session: Session, ports: Ports, options: Options) -> Findings:
    pairs = wired_pairs(session, ports.channels, options)
    found: list[Measurement] = []
    with kept(session, ports):
        for output, into in pairs.items():
            place, there = ports.channels.index(output), ports.channels.index(into)
            on = ports.all_off & ~(1 << place)
            for word, latches, level in (("off", ports.all_off, 1), ("on", on, 0)):
                state = drive(session, ports, latches)
                found += [
                    Measurement(
                        name=f"level_{pin}_with_{output}_{word}",
                        value=state.levels >> at & 1,
                        low=level,
                        high=level,
                    )
                    for pin, at in ((output, place), (into, there))
                ]
    return Findings(measurements=tuple(found), evidence={"wired": pairs})


def _activity(session: Session, ports: Ports) -> Findings:
    assert ports.clear_activity is not None  # else there is no such check
    missed = strange = 0
    with kept(session, ports):
        for place in range(len(ports.channels)):
            drive(session, ports, ports.all_off)
            ports.clear_activity(session)
            quiet = ports.read(session).activity
            moved = drive(session, ports, ports.all_off & ~(1 << place)).activity
            missed |= (1 << place) & ~moved
            strange |= quiet | moved & ~_wired_to(session, ports, place)
    return Findings(
        measurements=(
            Measurement(name="edges_not_seen", value=ports.names(missed), wanted="none"),
            Measurement(name="edges_without_cause", value=ports.names(strange), wanted="none"),
        )
    )  # fmt: skip
