"""The fixture's simulation section: bounds, nearest words, what is merged."""

from __future__ import annotations

import json
from typing import Any

import pytest
from pydantic import ValidationError

from harness.simulation.settings.bench import (
    ClockKind,
    SimulatedCondition,
    SimulationSettings,
    bench_settings,
)


def complaints(section: dict[str, Any]) -> list[tuple[tuple[Any, ...], str]]:
    """Where and what is wrong with a section."""
    with pytest.raises(ValidationError) as refused:
        SimulationSettings.model_validate(section)
    return [(error["loc"], error["msg"]) for error in refused.value.errors()]


def test_unknown_key_names_the_nearest() -> None:
    """In every depth, with the place of the key."""
    found = complaints(
        {
            "sed": 4,
            "devices": [
                {
                    "family": 0x28,
                    "temprature_degc": 3,
                    "time_base": {"smple_us": 30},
                }
            ],
            "faults": [{"kind": "noise-burst", "rate": 5}],
        }
    )
    texts = dict(found)
    assert "'seed'" in texts["sed",]
    assert "'temperature_degc'" in texts["devices", 0, "28h", "temprature_degc"]
    assert "'sample_us'" in texts["devices", 0, "28h", "time_base", "smple_us"]
    assert "'rate_per_s'" in texts["faults", 0, "noise-burst", "rate"]


def test_all_mistakes_are_reported_at_once() -> None:
    """Not the first alone."""
    found = complaints(
        {"seed": -1, "adapter": {"oversampling": 9, "latency_ms": 0}, "line": 3}
    )
    assert len(found) == 4


def test_keys_belong_to_families() -> None:
    """A serial number has no temperature, a 10h thermometer no resolution."""
    assert complaints({"devices": [{"family": 0x01, "temperature_degc": 4}]})
    assert complaints({"devices": [{"family": 0x10, "resolution_bits": 9}]})


def test_unknown_family_lists_the_known() -> None:
    """Family codes that can be simulated are named."""
    ((place, text),) = complaints({"devices": [{"family": 0x99}]})
    assert place == ("devices", 0)
    assert "0x28" in text


@pytest.mark.parametrize("family", [0x28, "28h", "0x28"])
def test_family_code_may_be_text(family: object) -> None:
    """Trade spelling is understood."""
    settings = SimulationSettings.model_validate({"devices": [{"family": family}]})
    assert settings.devices[0].family == 0x28


@pytest.mark.parametrize(
    ("section", "words"),
    [
        ({"devices": [{"family": 1, "socket": "A"}] * 2}, "two devices in socket 'A'"),
        ({"faults": [{"kind": "zero-rom", "device": "A9"}]}, "no device 'A9'"),
        ({"faults": [{"kind": "zero-rom", "every_s": 1}]}, "for_s"),
        ({"devices": [{"family": 1, "threshold_low_v": 3}]}, "below threshold_high_v"),
        ({"devices": [{"family": 1, "rom_code": "12"}]}, "16 hex digits"),
    ],
)
def test_contradictions_are_refused(section: dict[str, Any], words: str) -> None:
    """What each key allows may still not fit together."""
    assert words in complaints(section)[0][1]


def test_truth_overrides_what_is_declared() -> None:
    """Line values merge key by key, the adapter's kind comes from either."""
    fixture = {
        "line": {"pull_up_ohm": 2200, "cable_m": 6},
        "adapter": {"kind": "integer-divider", "port": "sim://"},
        "power": {"supply_on": "rts"},
        "sockets": [{"name": "A1"}],
        "simulation": {"line": {"pull_up_ohm": 4700}},
    }
    settings = bench_settings(fixture)
    assert (settings.line.pull_up_ohm, settings.line.cable_m) == (4700, 6)
    assert settings.clock_kind is ClockKind.INTEGER_DIVIDER
    assert settings.power.supply_on is SimulatedCondition.RTS
    fixture["simulation"] = {"adapter": {"kind": "exact"}}
    assert bench_settings(fixture).clock_kind is ClockKind.EXACT


@pytest.mark.parametrize("kind", ["auto", "unknown"])
def test_undeclared_kind_has_a_coarse_grid(kind: str) -> None:
    """Where nothing is known the bench does not make exact rates."""
    settings = bench_settings({"adapter": {"kind": kind}})
    assert settings.clock_kind is ClockKind.FRACTIONAL_DIVIDER


@pytest.mark.parametrize(
    ("condition", "states"),
    [
        (SimulatedCondition.RTS, [False, False, True, True]),
        (SimulatedCondition.DTR, [False, True, False, True]),
        (SimulatedCondition.RTS_WITHOUT_DTR, [False, False, True, False]),
        (SimulatedCondition.DTR_WITHOUT_RTS, [False, True, False, False]),
    ],
)
def test_conditions_of_the_modem_lines(
    condition: SimulatedCondition, states: list[bool]
) -> None:
    """Truth table over RTS and DTR."""
    got = [condition.holds(rts=r, dtr=d) for r in (False, True) for d in (False, True)]
    assert got == states


def test_json_schema_describes_every_key() -> None:
    """An editor can complete and explain all of them."""
    schema = SimulationSettings.model_json_schema()
    for name, model in schema["$defs"].items():
        for key, field in model.get("properties", {}).items():
            described = "description" in field or "const" in field
            assert described, f"{name}.{key} has no description"
    assert "temperature_degc" in json.dumps(schema)
