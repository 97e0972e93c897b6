"""Switch 05h: being matched by its ROM code toggles its only output.

There is no function command. Read slots after a selection give the level of the pin; a
search that ends on the device selects it without toggling, and a conditional search
finds parts whose transistor conducts (all three from memory). So the state is sensed
by search, every match is meant, counted, and written into the journal, and whatever is
repeated after an error begins with a look at the state (common practice, no source).

Source: data sheet family 05h (part DS2405, 050304) p. 1-2.
"""

from __future__ import annotations

from harness.errors import CheckValueWrong
from harness.families.common.port_checks import kept, port_checks
from harness.families.common.port_signs import output_signs
from harness.families.common.ports import (
    Ports,
    PortState,
    port_quantities,
    port_settings,
)
from harness.families.family import (
    Answer,
    Check,
    Family,
    Findings,
    Hazard,
    Option,
    Options,
    Quantity,
    SafeQuantity,
    Session,
    by_name,
    looks,
)
from harness.families.switches import commands
from harness.records import Measurement

_SLOTS = 8
_COUNT = "toggles"


def _read(session: Session) -> PortState:
    """Level and transistor, by searches alone."""
    # first, since a device that is gone looks like one whose transistor is off
    latches = int(not session.meets_condition())
    session.verify()
    slots = session.read_bits(_SLOTS)
    if len(set(slots)) > 1:
        raise CheckValueWrong(
            f"the pin reads {''.join(map(str, slots))} within {_SLOTS} slots",
            hint="noise, or a pin that moves: this device has no check value; repeat",
        )
    return PortState(levels=slots[0], latches=latches)


def _drive(session: Session, latches: int) -> None:
    if _read(session).latches != latches:
        _toggle(session)


def _toggle(session: Session) -> None:
    """One match, which is all it takes."""
    session.memory[_COUNT] = session.memory.get(_COUNT, 0) + 1
    session.note("output toggled by a match", count=session.memory[_COUNT])
    session.transact(b"")


PORTS = Ports(
    channels=("a",),
    read=_read,
    drive=_drive,
    hazards=frozenset({Hazard.OUTPUT_SWITCHING}),
)


def _toggling(session: Session, options: Options) -> Findings:
    times = options.whole("times")
    wrong = 0
    with kept(session, PORTS):
        state = _read(session).latches
        for _ in range(times):
            _toggle(session)
            now = _read(session).latches
            wrong += now == state
            state = now
    return Findings(
        measurements=(
            Measurement(name="matches", value=times, unit="matches"),
            Measurement(
                name="matches_without_toggle", value=wrong, unit="matches", high=0
            ),
        ),
        evidence={"toggles_in_run": session.memory[_COUNT]},
    )


FAMILIES = (
    Family(
        code=0x05,
        name="single switch, toggled by a match",
        device_class="I/O port",
        typical_parts="DS2405",
        quantities=by_name(
            *port_quantities(PORTS),
            Quantity(
                name="toggles",
                unit="",
                read=lambda session: Answer(value=session.memory.get(_COUNT, 0)),
                about="how often this run toggled the output so far",
            ),
        ),
        settings=by_name(*port_settings(PORTS)),
        configure=PORTS.configure,
        checks=by_name(
            *port_checks(PORTS),
            Check(
                name="toggle",
                about="each match toggles the output once; puts it back",
                run=_toggling,
                options=by_name(
                    Option.whole(
                        "times", "number of matches", default=4, low=1, high=1000
                    )
                ),
                hazards=PORTS.hazards,
                expected_s=0.5,
            ),
        ),
        looks=(
            *looks("ports"),
            SafeQuantity(quantity="channel_a_output_off", watched=True),
        ),
        commands=commands.TOGGLING,
        restarts=output_signs(PORTS, 1, "from memory"),
        changed_by_match="channel_a_output_off",
        destructive="any match by its ROM code toggles the load",
        facts="no check value: sensed by search, never by match",
    ),
)
