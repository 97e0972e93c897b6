"""The counter 1Dh: bytes on the wire, counts while idle and fed, memory, noise."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from harness.driver.session import DeviceSession
from harness.errors import (
    AnswerImpossible,
    DeviceAbsent,
)
from harness.families.hazard import Hazard
from harness.families.memories.counter import read_counter, read_pages
from harness.families.registry import checks, quantities
from tests.outside_crc import crc_16

Make = Callable[..., Any]
"""A fixture that makes something; conftest has the signatures."""

WORKED = "55 2C 01 00 00 00 00 00 00 68 FE"
"""The last byte of page 14 with count 300 (computed from data sheet DS2423 p. 6)."""


def device(session: DeviceSession) -> Any:  # noqa: ANN401 - the model's own
    """The simulated part."""
    return session._bus.adapter.port.bench.stations[0].device


def ask(session: DeviceSession, quantity: str) -> Any:  # noqa: ANN401 - a scalar
    """The value of a quantity."""
    return quantities(0x1D)[quantity].read(session).value


def run(session: DeviceSession, given: Make, name: str, **options: object) -> Any:  # noqa: ANN401
    """Run a check; its measurements by name."""
    found = checks(0x1D)[name].run(session, given(checks(0x1D)[name], **options))
    return {value.name: value for value in found.measurements}


def test_worked_transaction(script: Make) -> None:
    """A5 DF 01 and the record of input A: computed from data sheet DS2423."""
    session = script(0x1D, [("A5 DF 01", WORKED)])
    assert ask(session, "input_a_count") == 300


def test_zeros_must_be_zero(script: Make) -> None:
    """A right check value over wrong zeros is an answer that cannot be; ones are nobody."""
    body = bytes.fromhex("55 2C 01 00 00 00 00 00 01")
    check = crc_16(bytes.fromhex("A5 DF 01") + body).to_bytes(2, "little")
    with pytest.raises(AnswerImpossible, match="must be zero"):
        read_counter(script(0x1D, [("A5 DF 01", (body + check).hex())]), 14)
    with pytest.raises(DeviceAbsent):
        read_counter(script(0x1D, [("A5 DF 01", "FF" * 11)]), 14)


def test_counters(live: Make, given: Make) -> None:
    """Each counter by its page; a write moves that of its page only."""
    session = live(0x1D, counts={"12": 1, "13": 2, "a": 3, "b": 0xFFFFFFFF})
    names = (
        "page_12_write_count",
        "page_13_write_count",
        "input_a_count",
        "input_b_count",
    )
    assert [ask(session, name) for name in names] == [1, 2, 3, 0xFFFFFFFF]
    run(session, given, "memory_write", start=12 * 32, data="01 02 03")
    run(session, given, "memory_write", start=14 * 32, data="01 02 03")
    assert [ask(session, name) for name in names] == [2, 2, 3, 0xFFFFFFFF]


def test_counting(live: Make, given: Make) -> None:
    """Nothing while idle; as many as are fed, over the wrap too."""
    idle = live(0x1D)
    assert run(idle, given, "counting", high=0)["counts"].value == 0
    fed = live(0x1D, counts={"b": (1 << 32) - 3}, pulses_per_s={"b": 5.0})
    found = run(fed, given, "counting", input="b", for_s=10, low=50, high=51)
    assert found["counts"].holds
    assert not run(fed, given, "counting", input="b", high=0)["counts"].holds


def test_memory(live: Make, given: Make) -> None:
    """Patterns over a page end pass, and the content comes back."""
    session = live(0x1D, content="DE AD BE EF")
    before = bytes(device(session).cells)
    found = run(session, given, "memory_pattern", start=20, length=24)
    assert found["bits_wrong"].value == 0
    assert bytes(device(session).cells) == before
    assert read_pages(session, 1, 66) == before[1:67]


def test_pulses_from_another_device(
    run_plan: Make, bench_data: Make, new_device: Make
) -> None:
    """A plan feeds two pulses from a switch's output and reads them as two counts."""
    data = bench_data([new_device(0x1D, 5, follows={"a": "S2.b"}), new_device(0x3A, 6)])
    hazards = ("output-switching", "high-voltage-output")

    def switch(value: str) -> dict[str, Any]:
        settings = {"channel_b_output": value}
        return {"configure": {"settings": settings, "hazard": [*hazards]}}

    steps = [
        {"enumerate": {"count": 2}},
        {"read": {"quantity": "input_a_count", "low": 0, "high": 0}},
        {"for_each": {"family": 0x3A,
                      "steps": [switch("on"), switch("off"), switch("on"), switch("off")]}},
        {"read": {"quantity": "input_a_count", "low": 2, "high": 2}},
    ]  # fmt: skip
    allowed = frozenset({Hazard.OUTPUT_SWITCHING, Hazard.HIGH_VOLTAGE_OUTPUT})
    assert run_plan(steps, data, allow=allowed).code == 0
