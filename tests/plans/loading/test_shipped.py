"""The plans and fixtures that ship are sound, fit together and are documented."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
import yaml

from harness.families.registry import family_of, known_families
from harness.plans.loading.files import (
    check_together,
    load_fixture,
    load_plan,
    parse,
    parse_fixture,
    which,
)
from harness.simulation.settings.bench import bench_settings
from harness.wire.romcode import RomCode

ROOT = Path(__file__).parents[3]
FIXTURES = sorted((ROOT / "fixtures").glob("*.yaml"))
PLANS = sorted((ROOT / "test_plans").glob("*.yaml"))


def _name(path: Path) -> str:
    return path.stem


def test_what_ships() -> None:
    """The plans and fixtures that the README and the topics name are there."""
    texts = [ROOT / "README.md", *(ROOT / "harness/commands/topics").glob("*.txt")]
    text = "".join(path.read_text("utf-8") for path in texts)
    named = set(re.findall(r"(?:fixtures|test_plans)/\w+\.yaml", text))
    ships = {path.relative_to(ROOT).as_posix() for path in FIXTURES + PLANS}
    assert named <= ships
    assert len(named) > 8


ALL_KINDS = "all_families"
"""The plan that names kinds only its own bench has."""

OWN_BENCH = {ALL_KINDS: "all_families", "corners": "corner_bench"}
"""Plans that only their own bench can run: it has the kinds, or the instruments."""


@pytest.mark.parametrize("fixture", FIXTURES, ids=_name)
@pytest.mark.parametrize(
    "plan", [p for p in PLANS if p.stem not in OWN_BENCH], ids=_name
)
def test_every_plan_runs_on_every_fixture(plan: Path, fixture: Path) -> None:
    """No shipped plan asks for what a shipped fixture lacks."""
    assert (which(plan), which(fixture)) == ("plan", "fixture")
    assert check_together(load_plan(plan), load_fixture(fixture)) == []


@pytest.mark.parametrize("fixture", FIXTURES, ids=_name)
@pytest.mark.parametrize("name", OWN_BENCH)
def test_some_plans_want_their_own_bench(name: str, fixture: Path) -> None:
    """On its own bench nothing is missing, on any other it says what is."""
    plan = load_plan(ROOT / "test_plans" / f"{name}.yaml")
    missing = check_together(plan, load_fixture(fixture))
    assert bool(missing) == (fixture.stem != OWN_BENCH[name])


def test_the_plan_of_all_kinds_has_every_kind_with_a_driver() -> None:
    """A kind that gets a driver gets its steps there too; `test_readme` runs them."""
    plan = ROOT / "test_plans" / f"{ALL_KINDS}.yaml"
    steps = yaml.safe_load(plan.read_text("utf-8"))["steps"]
    there = {step["for_each"]["family"] for step in steps if "for_each" in step}
    customised = {0x81, 0x89, 0x8B, 0x8F}  # as 01, 09, 0B, 0F but for the code
    battery_backed = {0x04, 0x0A}  # 0C covers their memory
    readable = {c for c in known_families() if not family_of(c).recognised_only}
    assert readable - customised - battery_backed <= there


@pytest.mark.parametrize("path", FIXTURES + PLANS, ids=_name)
def test_shipped_files_say_that_their_data_are_invented(path: Path) -> None:
    """The comment at the top marks what is made up."""
    comment = path.read_text(encoding="utf-8").split("\n\n")[:2]
    assert "INVENTED" in "".join(comment)


@pytest.mark.parametrize("path", FIXTURES + PLANS, ids=_name)
def test_shipped_files_read_the_same_by_the_plain_reader(path: Path) -> None:
    """No value depends on our reading of YAML: a safe loader comes to the same."""
    text = path.read_text(encoding="utf-8")
    assert parse(text, path.name).data == yaml.safe_load(text)


@pytest.mark.parametrize("path", FIXTURES, ids=_name)
def test_simulated_devices_are_those_of_the_sockets(path: Path) -> None:
    """Each simulated device has the ROM code that its socket expects."""
    fixture = load_fixture(path)
    if fixture.simulation is None:
        assert not fixture.adapter.port.startswith("sim://")
        return
    if (
        fed := fixture.simulation.insertions
    ):  # a place of a station: many, one at a time
        devices = fixture.simulation.everybody
        assert {n for entry in fed for n in entry.devices} == set(
            range(1, len(devices) + 1)
        )
        (socket,) = fixture.sockets
        assert {d.family for d in devices} == {socket.expect.family_code}
        return
    built = {
        device.socket: str(RomCode.build(device.family, device.serial or 0))
        for device in fixture.simulation.devices
    }
    assert built == {s.name: s.expect.rom_code for s in fixture.sockets}


@pytest.mark.parametrize("path", FIXTURES, ids=_name)
def test_the_bench_takes_the_declared_part_too(path: Path) -> None:
    """Line, power and adapter of a fixture are within what a bench can be."""
    bench = bench_settings(yaml.safe_load(path.read_text(encoding="utf-8")))
    assert bench.line.supply_v == load_fixture(path).line.supply_v


def test_changing_the_port_is_all_it_takes() -> None:
    """The demo bench with a real port is a sound fixture."""
    text = (ROOT / "fixtures" / "demo_bench.yaml").read_text(encoding="utf-8")
    assert text.count("port: sim://") == 1
    fixture = parse_fixture(text.replace("sim://  ", "/dev/ttyUSB0  "), "f")
    assert fixture.adapter.port == "/dev/ttyUSB0"
