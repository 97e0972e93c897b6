"""Checks of outputs on a port that is two numbers and a wiring."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, cast

import pytest

from harness.errors import AnswerImpossible, DeviceAbsent, UsageError
from harness.families.common.port_checks import port_checks, wired_pairs
from harness.families.common.port_signs import output_signs
from harness.families.common.ports import (
    Ports,
    PortState,
    configure_outputs,
    drive,
    port_quantities,
    port_settings,
    wanted_latches,
    write_confirmed,
)
from harness.families.common.status_port import nibbles, status_commands, status_port
from harness.families.common.values import is_on_off, one_of
from harness.families.family import Findings, Hazard, Session

Make = Callable[..., Any]
"""A fixture that makes something; conftest has the signatures."""

NAMES = ("a", "b", "c")
HAZARDS = frozenset({Hazard.OUTPUT_SWITCHING})


@dataclass
class Pins:
    """Three open-drain outputs, what joins them, and what is wrong with them.

    Attributes:
        latches: 1 is off.
        joined: pairs of places whose pins are one wire.
        held_low, held_high: bits of pins that something else holds.
        deaf: bits of latches that do not take a write.
        blind: bits of activity latches that see nothing.
        noisy: bits of activity latches that see everything.
    """

    latches: int = 0b101
    joined: tuple[tuple[int, int], ...] = ()
    held_low: int = 0
    held_high: int = 0
    deaf: int = 0
    blind: int = 0
    noisy: int = 0
    activity: int = 0
    written: list[int] = field(default_factory=list)

    def levels(self) -> int:
        """Of the pins."""
        low = ~self.latches & 0b111 & ~self.held_high | self.held_low
        for one, other in self.joined:
            if low >> one & 1 or low >> other & 1:
                low |= 1 << one | 1 << other
        return ~low & 0b111

    def read(self, _: Session) -> PortState:
        """Levels, latches and activity."""
        return PortState(
            levels=self.levels(),
            latches=self.latches,
            activity=self.activity & ~self.blind | self.noisy,
        )

    def drive(self, _: Session, latches: int) -> None:
        """All at once."""
        before = self.levels()
        self.written.append(latches)
        self.latches = self.latches & self.deaf | latches & ~self.deaf & 0b111
        self.activity |= before ^ self.levels()

    def clear(self, _: Session) -> None:
        """Forget the edges."""
        self.activity = 0

    def port(self, *, keeps_activity: bool = True) -> Ports:
        """As the checks use it."""
        return Ports(
            channels=NAMES, read=self.read, drive=self.drive, hazards=HAZARDS,
            clear_activity=self.clear if keeps_activity else None,
        )  # fmt: skip


def run(
    pins: Pins,
    name: str,
    script: Make,
    given: Make,
    loops: dict[str, str] | None = None,
    **options: Any,  # noqa: ANN401
) -> tuple[dict[str, Any], Findings]:
    """A check, by name; values by measurement."""
    session = script(0x3A, [])
    session.loop_backs = loops or {}
    check = {row.name: row for row in port_checks(pins.port())}[name]
    before = pins.latches
    found = check.run(session, given(check, **options))
    assert pins.latches == before, "outputs are put back"
    assert session.notes[0] == ("outputs before the check", {"latches": before})
    return {row.name: row.value for row in found.measurements}, found


@pytest.mark.parametrize(
    ("pins", "loops", "options", "low", "high", "coupled"),
    [
        (Pins(), {}, {}, "none", "none", "none"),
        (Pins(held_low=0b010), {}, {}, "b", "none", "none"),
        (Pins(held_high=0b100), {}, {}, "none", "c", "none"),
        (Pins(joined=((0, 2),)), {}, {}, "none", "none", "a, c"),
        (Pins(joined=((0, 2),)), {"a": "c"}, {}, "none", "none", "none"),
        (Pins(joined=((0, 2),)), {"c": "a"}, {}, "none", "none", "none"),
        (Pins(joined=((0, 2),)), {"a": "b", "c": "relay"}, {}, "none", "none", "a, c"),
        (Pins(joined=((0, 2),), held_low=0b010), {}, {"pulled_up": False}, "none", "none", "none"),
    ],
)  # fmt: skip
def test_a_walk_over_all(  # noqa: PLR0917 - a case and two makers
    script: Make, given: Make, pins: Pins, loops: dict[str, str],
    options: dict[str, Any], low: str, high: str, coupled: str,
) -> None:  # fmt: skip
    """What is low while all are off, high while on, and moves with another's pin."""
    values, found = run(pins, "output_walk", script, given, loops, **options)
    assert values == {
        "pins_low_while_off": low, "pins_high_while_on": high, "pins_coupled": coupled,
    }  # fmt: skip
    assert pins.written[:4] == [0b111, 0b110, 0b101, 0b011]
    assert len(found.evidence["levels_one_on"]) == 3
    if pins == Pins(written=pins.written, activity=pins.activity):
        assert found.evidence["levels_all_off"] == "111"
        assert found.evidence["levels_one_on"] == ["110", "101", "011"]


def test_a_loop_is_driven_off_and_on(script: Make, given: Make) -> None:
    """Own pin and wired pin at both levels; only they count."""
    pins = Pins(joined=((0, 2),))
    values, found = run(pins, "loop_back", script, given, {"a": "c"})
    assert values == {
        "level_a_with_a_off": 1, "level_c_with_a_off": 1,
        "level_a_with_a_on": 0, "level_c_with_a_on": 0,
    }  # fmt: skip
    assert [(row.low, row.high) for row in found.measurements] == [(1, 1)] * 2 + [
        (0, 0)
    ] * 2
    assert found.evidence == {"wired": {"a": "c"}}
    broken, _ = run(Pins(), "loop_back", script, given, output="b", input="c")
    assert broken["level_c_with_b_on"] == 1


@pytest.mark.parametrize(
    ("pins", "loops", "wrong"),
    [
        (Pins(), {}, ("none", "none")),
        (Pins(blind=0b010), {}, ("b", "none")),
        (Pins(noisy=0b001), {}, ("none", "a")),
        (Pins(joined=((1, 2),)), {}, ("none", "b, c")),
        (Pins(joined=((1, 2),)), {"b": "c"}, ("none", "none")),
    ],
)
def test_edges_and_their_latches(
    script: Make,
    given: Make,
    pins: Pins,
    loops: dict[str, str],
    wrong: tuple[str, str],
) -> None:
    """Each output moves its own latch, and none that is not wired to it."""
    values, _ = run(pins, "activity", script, given, loops)
    assert values == {"edges_not_seen": wrong[0], "edges_without_cause": wrong[1]}


def test_which_checks_there_are() -> None:
    """Times by the number of channels; no activity where nothing keeps it."""
    checks = {row.name: row for row in port_checks(Pins().port())}
    assert checks["output_walk"].expected_s == pytest.approx(0.15)
    assert checks["activity"].expected_s == pytest.approx(0.15)
    assert checks["loop_back"].expected_s == 0.1
    assert set(checks) == {"output_walk", "loop_back", "activity"}
    without = port_checks(Pins().port(keeps_activity=False))
    assert {row.name for row in without} == {"output_walk", "loop_back"}


@pytest.mark.parametrize(
    ("loops", "options", "doubt", "pairs"),
    [
        ({"a": "b"}, {}, "", {"a": "b"}),
        ({"a": "b", "b": "c"}, {"output": "b"}, "", {"b": "c"}),
        ({"a": "b"}, {"output": "c", "input": "a"}, "", {"c": "a"}),
        ({"a": "b"}, {"output": "c"}, "", "does not say which output"),
        ({"a": "b"}, {"input": "c"}, "", "input is given without the output"),
        ({}, {}, "", "does not say which output"),
        ({}, {}, "two sockets", "no loop_backs of the fixture apply here: two sockets"),
        ({"a": "b"}, {"output": "c"}, "two sockets", "apply here: two sockets"),
        # a doubt about the seat does not matter where the pairs are known
        ({"a": "b"}, {}, "two sockets", {"a": "b"}),
        ({"a": "x"}, {}, "", "no channel 'x'"),
        ({"x": "a"}, {}, "", "no channel 'x'"),
    ],
)
def test_who_says_what_is_wired(  # noqa: PLR0917 - a case and two makers
    script: Make, given: Make, loops: dict[str, str], options: dict[str, str],
    doubt: str, pairs: dict[str, str] | str,
) -> None:  # fmt: skip
    """The step, else the fixture; what nobody says is asked for, with the reason."""
    check = port_checks(Pins().port())[1]
    session = script(0x3A, [])
    session.loop_backs, session.seat_doubt = loops, doubt
    if isinstance(pairs, dict):
        assert wired_pairs(session, NAMES, given(check, **options)) == pairs
        return
    with pytest.raises(UsageError, match=pairs):
        wired_pairs(session, NAMES, given(check, **options))


def test_a_latch_that_reads_back_wrong() -> None:
    """Named, with what was written and read."""
    pins = Pins(deaf=0b010)
    session = cast("Session", None)
    assert drive(session, pins.port(), 0b101).latches == 0b101
    with pytest.raises(AnswerImpossible, match=r"channel b .* written 111, read 101"):
        drive(session, pins.port(), 0b111)
    assert pins.port().all_off == 0b111
    assert [pins.port().names(bits) for bits in (0, 0b100, 0b111)] == ["none", "c", "a, b, c"]  # fmt: skip


def test_outputs_by_name(script: Make) -> None:
    """On pulls low: latch 0; what is not asked for stays."""
    port = Pins().port()
    for settings, before, wanted in (
        ({}, 0b101, None),
        ({"channel_b_output": "off"}, 0b101, 0b111),
        ({"channel_a_output": "on"}, 0b101, 0b100),
        ({"channel_a_output": True, "channel_b_output": False}, 0b101, 0b110),
        ({"other": 3}, 0b101, None),
    ):  # fmt: skip
        assert wanted_latches(port, settings, before) == wanted
    pins, session = Pins(), script(0x3A, [])
    answer = configure_outputs(session, pins.port(), {"channel_c_output": "on"})
    assert (answer.value, answer.evidence) == ("001", {"levels": "001"})
    assert session.notes == [("outputs before switching", {"latches": 0b101})]
    assert configure_outputs(session, pins.port(), {}).value == ""
    assert pins.written == [0b001]


def test_rows_of_a_port() -> None:
    """All channels in words, then level and latch of each, then the edges."""
    pins = Pins(activity=0b010)
    rows = {row.name: row for row in port_quantities(pins.port())}
    session = cast("Session", None)
    assert list(rows) == [
        "ports", "channel_a_level", "channel_a_output_off", "channel_b_level",
        "channel_b_output_off", "channel_c_level", "channel_c_output_off",
        "channel_a_activity", "channel_b_activity", "channel_c_activity",
    ]  # fmt: skip
    values = {name: rows[name].read(session).value for name in list(rows)[1:]}
    assert list(values.values()) == [1, 1, 0, 0, 1, 1, 0, 1, 0]
    assert rows["ports"].read(session).value == (
        "a: latch 1, pin 1; b: latch 0, pin 0; c: latch 1, pin 1"
    )
    assert rows["channel_b_level"].read(session).evidence == {
        "levels": "101", "latches": "101",
    }  # fmt: skip
    settings = port_settings(pins.port())
    assert [row.name for row in settings] == [f"channel_{n}_output" for n in NAMES]
    assert settings[0].governs == set(rows)
    for place, sign in enumerate(output_signs(pins.port(), 1, "invented")):
        name = NAMES[place]
        assert sign.shown_by == f"channel_{name}_output_off"
        assert sign.governs == {
            "ports",
            f"channel_{name}_level",
            f"channel_{name}_output_off",
        }
        assert "off, whatever" in sign.about
    assert "by chance" in output_signs(pins.port(), 0, "invented")[0].about


def test_writes_that_are_confirmed(script: Make) -> None:
    """Value and complement; AAh, then the status; FFh is a refusal if it is still there."""
    session = script(0x3A, [("5A FD 02", "AA 2D")])
    assert write_confirmed(session, 0x5A, 0xFD) == 0x2D
    with pytest.raises(AnswerImpossible, match="confirmed by 55 instead of AA"):
        write_confirmed(script(0x3A, [("5A FD 02", "55 2D")]), 0x5A, 0xFD)
    refused = script(0x3A, [("5A FD 02", "FF FF")] * 2)
    with pytest.raises(AnswerImpossible, match="refused and changed nothing"):
        write_confirmed(refused, 0x5A, 0xFD)
    refused.present = False
    with pytest.raises(DeviceAbsent):
        write_confirmed(refused, 0x5A, 0xFD)


def test_a_status_port(script: Make) -> None:
    """Read twice; the unused bits are written as ones (DS2413 p. 16-17)."""
    port = status_port(0x5A, Hazard.OUTPUT_SWITCHING)
    assert port.hazards == HAZARDS
    state = port.read(script(0x3A, [("F5", "2D 2D")]))
    assert (state.levels, state.latches) == (0b11, 0b10)
    with pytest.raises(Exception, match="status 2Dh, then 0Fh"):
        port.read(script(0x3A, [("F5", "2D 0F")]))
    with pytest.raises(AnswerImpossible, match="high half"):
        port.read(script(0x3A, [("F5", "2D 2F")]))
    session = script(0x3A, [("5A FE 01", "AA 2D")])
    port.drive(session, 0b10)
    assert session.lines == []
    for levels in range(4):
        for latches in range(4):
            low = (
                levels & 1
                | (latches & 1) << 1
                | (levels >> 1) << 2
                | (latches >> 1) << 3
            )
            if (low ^ 0xF) << 4 | low == 0xFF:
                continue
            found = nibbles((low ^ 0xF) << 4 | low)
            assert (found.levels, found.latches) == (levels, latches)
    read, write = status_commands(0x5A, "data sheet")
    assert (read.code, write.code) == (b"\xf5", b"\x5a")


def test_choices_and_truth_values() -> None:
    """On and off may be truth values either way; numbers and words are themselves."""
    assert one_of("x", True, ("off", "on"), "on or off") == "on"
    assert one_of("x", "off", ("off", "on"), "on or off") == "off"
    assert one_of("x", "on", (False, True), "on or off") is True
    assert one_of("x", 2, (1, 2), "1 or 2") == 2
    for value, choices in ((True, (1, 2)), (3, (1, 2)), ("c", ("a", "b"))):
        with pytest.raises(UsageError, match="x takes these"):
            one_of("x", value, choices, "these")
    assert is_on_off((True, False))
    assert is_on_off(("on", "off"))
    assert is_on_off(("on",))
    assert not is_on_off((0, 1))
    assert not is_on_off(("on", "off", "auto"))
    assert not is_on_off((True, "on", 1))
