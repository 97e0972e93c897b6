"""Open-drain outputs that read their own pins: levels, latches, activity.

A channel has two bits that people mix up: the latch (1 = transistor off) and the level
of the pin. Latch 1 with a low pin is a load or a wire at fault, not the switch; latch
0 with a high pin is a transistor that does not pull (common practice, no source). A channel
is an input only while its latch is 1.

Bit n of every number here stands for the n-th channel.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from harness.errors import AnswerImpossible
from harness.families.common.answers import shown
from harness.families.common.values import on_off
from harness.families.family import (
    Answer,
    Hazard,
    Quantity,
    Session,
    Setting,
)
from harness.families.kind_facts import ChannelFacts, KindFacts, stated
from harness.records import Scalar

CONFIRMED = 0xAA


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

    def configure(
        self, session: Session, settings: Mapping[str, Scalar], store: bool
    ) -> Answer:
        """Switch outputs, as a family row asks for it; nothing of it is ever stored.

        Raises:
            UsageError: a value is neither on nor off.
            AnswerImpossible: a latch reads back otherwise.
        """
        del store
        return configure_outputs(session, self, settings)

    def names(self, bits: int) -> str:
        """The channels of set bits, for messages."""
        listed = [name for n, name in enumerate(self.channels) if bits >> n & 1]
        return ", ".join(listed) or "none"


# -- bytes on the wire ---------------------------------------------------------------


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
        Quantity(
            name="ports",
            unit="",
            read=lambda session: _in_words(ports, ports.read(session)),
            about="latch and pin of every channel at one moment",
        )
    ]
    rows += [
        row
        for place, name in enumerate(ports.channels)
        for row in (
            Quantity(
                name=f"channel_{name}_level",
                unit="",
                read=_bit_reader(ports, "levels", place),
                about=f"level of pin {name}: 1 is high",
            ),
            Quantity(
                name=f"channel_{name}_output_off",
                unit="",
                read=_bit_reader(ports, "latches", place),
                about=f"output latch of channel {name}: 1 is transistor off",
            ),
        )
    ]
    if ports.clear_activity is not None:
        rows += [
            Quantity(
                name=f"channel_{name}_activity",
                unit="",
                read=_bit_reader(ports, "activity", place),
                about=f"1 if pin {name} moved since the latches were cleared",
            )
            for place, name in enumerate(ports.channels)
        ]
    return tuple(rows)


def _in_words(ports: Ports, state: PortState) -> Answer:
    rows = {
        name: ChannelFacts(
            latch=state.latches >> place & 1, pin=state.levels >> place & 1
        )
        for place, name in enumerate(ports.channels)
    }
    words = [f"{name}: latch {row.latch}, pin {row.pin}" for name, row in rows.items()]
    return Answer(value="; ".join(words), evidence=stated(KindFacts(channels=rows)))


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
    """``channel_x_output`` of each channel: on or off."""
    return tuple(
        Setting(
            name=f"channel_{name}_output",
            unit="",
            about="on (transistor pulls low) or off",
            hazards=ports.hazards,
            # a fixture may wire one channel to another
            governs=frozenset(
                {"ports", *(f"channel_{c}_{w}" for w in _SHOWN for c in ports.channels)}
            ),
        )
        for name in ports.channels
    )


_SHOWN = ("level", "output_off", "activity")
"""What a channel shows of outputs, its own and those that are wired to it."""


def wanted_latches(
    ports: Ports, settings: Mapping[str, Scalar], latches: int
) -> int | None:
    """The latches that settings ask for; None if no output is among them.

    Raises:
        UsageError: a value is neither on nor off.
    """
    asked = None
    for place, name in enumerate(ports.channels):
        key = f"channel_{name}_output"
        if key in settings:
            on = on_off(key, settings[key])
            bit = 0 if on else 1
            latches = latches & ~(1 << place) | bit << place
            asked = latches
    return asked


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
