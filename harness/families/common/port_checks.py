"""Checks of open-drain outputs: a walk over all, wires to inputs, activity.

Each check notes the outputs as they were before it touches them and puts them back
afterwards, whatever happened.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager

from harness.errors import UsageError
from harness.families.common.ports import Ports, drive
from harness.families.common.restore import restored
from harness.families.family import Check, Findings, Option, Options, Session, by_name
from harness.records import Measurement


def port_checks(ports: Ports) -> tuple[Check, ...]:
    """``output_walk``, ``loop_back`` between channels, ``activity`` where it is kept."""
    rows = [
        Check(
            name="output_walk",
            about="each output on by itself: its pin follows, no pin but those wired to "
            "it does; puts the outputs back",
            run=lambda session, options: _walk(session, ports, options),
            options=by_name(
                Option.truth(
                    "pulled_up",
                    "false if nothing pulls open pins high: then only the low "
                    "levels count",
                    default=True,
                )
            ),
            hazards=ports.hazards,
            expected_s=0.05 * len(ports.channels),
        )
    ]
    if len(ports.channels) > 1:
        rows.append(
            Check(
                name="loop_back",
                about="each output on and off: the input that the fixture wires to it "
                "follows; puts the outputs back",
                run=lambda session, options: _loop_back(session, ports, options),
                options=loop_back_options(ports.channels),
                hazards=ports.hazards,
                expected_s=0.1,
            )
        )
    if ports.clear_activity is not None:
        rows.append(
            Check(
                name="activity",
                about="an edge of an output is seen by its own latch and none that is "
                "not wired to it; puts the outputs back",
                run=lambda session, _: _activity(session, ports),
                hazards=ports.hazards,
                expected_s=0.05 * len(ports.channels),
            )
        )
    return tuple(rows)


def loop_back_options(channels: Sequence[str]) -> dict[str, Option]:
    """``output`` and ``input``; by default every pair that the fixture declares."""
    return by_name(
        Option.text(
            "output",
            "only this output; default is every one that the fixture wires",
            choices=tuple(channels),
        ),
        Option.text(
            "input",
            "the input wired to `output`; default is what the fixture says",
            choices=tuple(channels),
        ),
    )


def wired_pairs(
    session: Session, channels: Sequence[str], options: Options
) -> dict[str, str]:
    """Output to input, by the options or by the fixture.

    Raises:
        UsageError: the fixture does not say what is wired to what, or to a channel not there.
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
    if not pairs and session.seat_doubt:
        raise UsageError(
            f"no loop_backs of the fixture apply here: {session.seat_doubt}",
            hint="or give output and input of this step",
        )
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
