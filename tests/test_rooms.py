"""The house plan, held by test: who may import whom."""

import ast
import re
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import pytest

HARNESS = Path(__file__).parents[1] / "harness"

# Room -> rooms it may import (its own always). A room is a package below harness, or
# a module beside them. The order is that of the house, ground floor first.
MAY_IMPORT: dict[str, set[str]] = {
    "errors": set(),
    "records": set(),
    "clock": set(),
    "digits": {"records"},
    "journal_form": {"records"},
    "safe_text": set(),
    "lazy": {"errors"},
    "old_names": set(),
    "ending": {"clock"},
    "output": {"safe_text"},
    "wire": set(),
    "driver": {"lazy", "errors", "clock", "wire"},
    "instruments": {"lazy", "errors", "clock", "ending"},
    "families": {"digits", "errors", "records", "clock", "wire"},
    "recordings": {"lazy", "digits", "errors", "records", "wire", "families"},
    "timing": {"digits", "errors", "records", "clock", "wire", "driver"},
    "diagnosis": {
        "digits", "errors", "records", "journal_form", "clock", "wire", "driver", "families",
        "timing", "quality", "recordings",
    },
    "simulation": {"wire"},
    "quality": {"lazy", "errors", "records", "wire"},
    "results": {
        "lazy", "digits", "errors", "records", "journal_form", "clock", "safe_text", "ending", "old_names",
        "wire", "quality", "diagnosis", "recordings",
    },
    "lots": {"digits", "errors", "records", "old_names", "wire", "quality", "results"},
    "plans": {
        "lazy", "digits", "errors", "records", "journal_form", "clock", "ending", "old_names", "wire",
        "driver", "instruments", "families", "timing", "results", "quality", "simulation", "diagnosis",
        "recordings",
    },
    "station": {
        "lazy", "digits", "errors", "records", "journal_form", "clock", "ending", "wire", "driver",
        "families", "plans", "quality", "results", "simulation",
    },
    "api": {
        "errors", "records", "wire", "driver", "families", "plans", "results",
    },
    "terminal": {"digits", "errors", "records", "clock", "results"},
    "pytest_entry": set(),
    "pytest_plugin": {"digits", "errors", "records", "driver", "plans", "results"},
    "commands": {
        "digits", "errors", "clock", "driver", "ending", "families", "instruments", "lots", "old_names", "output",
        "plans", "quality", "recordings", "results", "simulation", "station", "terminal", "wire", "safe_text",
    },
    "cli": {"lazy", "errors", "ending", "old_names", "output", "commands"},
    "entry": {"ending", "cli"},
    "__main__": {"entry"},
}  # fmt: skip

# Finer than rooms: the simulator is a second opinion and shares these two only, and
# plans know nothing of it but what a fixture file may say.
FROM_WIRE_FOR_SIMULATION = {"harness.wire.crc", "harness.wire.romcode"}
FROM_SIMULATION_FOR_PLANS = {"harness.simulation.settings"}

# A report reads back the records that were measured, and knows nothing of measuring.
RECORDS_FOR_RESULTS = {
    "diagnosis": {
        "harness.diagnosis.diagnosis",
        "harness.diagnosis.evidence",
        "harness.diagnosis.finding",
        "harness.diagnosis.titles",
    },
    "recordings": {"harness.recordings.record"},
}

# Prefixes that name what the files are about, not a folder that is missing.
PREFIXES_KEPT: set[str] = set()

# wire/ is arithmetic: no I/O, no clock, no logging, no chance.
PURE_ROOM = "wire"
IMPURE = {"os", "io", "time", "random", "logging", "serial", "pathlib"}


def _modules() -> list[Path]:
    return sorted(HARNESS.rglob("*.py"))


def _room(path: Path) -> str:
    parts = path.relative_to(HARNESS).with_suffix("").parts
    return parts[0]


def _imports(path: Path) -> Iterator[str]:
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module:
            yield node.module
            yield from (f"{node.module}.{alias.name}" for alias in node.names)


def _own_imports(path: Path) -> set[str]:
    return {name for name in _imports(path) if name.startswith("harness.")}


@pytest.mark.parametrize("path", _modules(), ids=lambda p: str(p.relative_to(HARNESS)))
def test_imports_go_down(path: Path) -> None:
    """Each module imports only rooms that the plan of the house allows."""
    room = _room(path)
    if room == "__init__":  # what it exports is imported for type checkers, else late
        body = ast.parse(path.read_text("utf-8")).body
        assert not [
            n
            for n in body
            if isinstance(n, ast.ImportFrom)
            and n.module
            and n.module.startswith("harness")
        ]
        return
    used = {name.split(".")[1] for name in _own_imports(path)}
    assert used - {room} <= MAY_IMPORT[room]


def test_the_map_of_the_house_begins_at_the_ground_floor() -> None:
    """DEVELOPERS.md lists every room once, each below those that it imports."""
    text = (HARNESS.parent / "DEVELOPERS.md").read_text("utf-8")
    table = text.partition("| room |")[2].partition("\n\n")[0]
    rows = [row.split("|")[1] for row in table.splitlines()[2:]]
    order = [name.strip("/") for row in rows for name in re.findall(r"`(\w+/?)`", row)]
    entrances = {"entry", "__main__", "pytest_entry"}
    assert sorted(order) == sorted(MAY_IMPORT.keys() - entrances)
    for path in _modules():
        if (room := _room(path)) in order:
            used = {name.split(".")[1] for name in _own_imports(path)} - {room}
            assert used <= {*order[: order.index(room)]}, path
    for folder in (path for path in HARNESS.glob("*/*/") if "__" not in path.name):
        (row,) = (row for row in rows if f"`{folder.parent.name}/`" in row)
        assert f"{folder.name}/" in table.split(row)[1].partition("\n")[0], folder


def test_every_room_is_in_the_plan() -> None:
    """No module stands outside the plan of the house."""
    assert {_room(path) for path in _modules()} - {"__init__"} == set(MAY_IMPORT)


def _stray(room: str, other: str, allowed: set[str]) -> dict[str, set[str]]:
    found = {}
    for path in _modules():
        if _room(path) == room:
            modules = {".".join(n.split(".")[:3]) for n in _own_imports(path)}
            names = {n for n in modules if n.startswith(f"harness.{other}.")}
            if names - allowed:
                found[str(path.relative_to(HARNESS))] = names - allowed
    return found


def test_simulator_shares_two_modules_only() -> None:
    """If driver and simulator shared a mistake, no test could see it."""
    assert not _stray("simulation", "wire", FROM_WIRE_FOR_SIMULATION)


def test_plans_know_only_the_settings_of_the_simulator() -> None:
    """Plans validate a fixture's simulation section and touch nothing else of it."""
    assert not _stray("plans", "simulation", FROM_SIMULATION_FOR_PLANS)


SPELL_NO_KEYS = (
    "results/diagnosis",
    "results/record/evidence.py",
    "results/soak",
    "results/plots/run.py",
    "results/plots/soak.py",
    "results/timing.py",
    "results/reports/bus_verdict.py",
)
"""Where evidence is read; each has its records."""

OF_THE_RUN = {"event", "at", "t_s", "step", "kind", "again", "gap_s"}
"""Keys that every event has, and those of the run's own events."""


@pytest.mark.parametrize("room", RECORDS_FOR_RESULTS)
def test_results_know_only_the_records_of_rooms_that_measure(room: str) -> None:
    """A report is a projection of the journal; it cannot reach what talks to a bus."""
    assert not _stray("results", room, RECORDS_FOR_RESULTS[room])


@pytest.mark.parametrize("name", sorted(set().union(*RECORDS_FOR_RESULTS.values())))
def test_records_that_results_read_are_pure(name: str) -> None:
    """They import records and their form alone, so reading a journal loads no driver."""
    place = HARNESS.joinpath(*name.split(".")[1:])
    known = {
        "harness.records", "harness.journal_form", "harness.digits", "harness.families.kind_facts",
    }  # fmt: skip
    known |= set().union(*RECORDS_FOR_RESULTS.values())
    for path in [*place.rglob("*.py"), *place.parent.glob(f"{place.name}.py")]:
        used = {".".join(n.split(".")[:3]) for n in _own_imports(path)}
        stray = {n for n in used if not any(_is_in(n, m) for m in known)}
        assert not stray, path.name


@pytest.mark.parametrize("place", SPELL_NO_KEYS)
def test_reports_spell_no_key_of_the_journal(place: str) -> None:
    """What has a record is read through it, so that a misspelt field is a type error."""
    folder = HARNESS / place
    spelt = [
        f"{path.name}:{node.lineno}"
        for path in (folder.rglob("*.py") if folder.is_dir() else [folder])
        for node in ast.walk(ast.parse(path.read_text("utf-8")))
        if isinstance(node, ast.expr) and _spells_a_key(node)
    ]
    assert not spelt


def _spells_a_key(node: ast.expr) -> bool:
    """True of ``facts["sent"]`` and ``facts.get("sent", 0)``."""
    key: ast.expr | None = None
    if isinstance(node, ast.Subscript) and isinstance(node.ctx, ast.Load):
        key = node.slice
    elif isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute):
        key = node.args[0] if node.func.attr == "get" and node.args else None
    if not isinstance(key, ast.Constant) or not isinstance(key.value, str):
        return False
    return key.value not in OF_THE_RUN


def _is_in(name: str, module: str) -> bool:
    return name == module or name.startswith(f"{module}.")


def test_wire_is_pure() -> None:
    """The arithmetic has no I/O, no clock, no logging and no chance in it."""
    for path in _modules():
        if _room(path) == PURE_ROOM:
            used = {name.split(".")[0] for name in _imports(path)}
            assert not used & IMPURE, path.name


def _family_folders() -> list[Path]:
    families = HARNESS / "families"
    return sorted(p for p in families.iterdir() if p.is_dir() and p.name[0] != "_")


@pytest.mark.parametrize("folder", _family_folders(), ids=lambda p: p.name)
def test_a_class_of_device_knows_no_other_class(folder: Path) -> None:
    """A folder of families imports the shape of a family, what is common, and itself.

    What two classes need stands in ``common``; ``common`` depends on no class.
    """
    shape = {
        "family", "check", "hazard", "secret", "session", "command", "restart", "common",
        "transactions", "kind_facts",
    }  # fmt: skip
    for path in folder.rglob("*.py"):
        used = {
            n.split(".")[2]
            for n in _own_imports(path)
            if n.count(".") >= 2 and n.split(".")[1] == "families"
        }
        assert used <= shape | {folder.name}, path.name


def _family_tests() -> list[Path]:
    return sorted((HARNESS.parent / "tests" / "families").rglob("*.py"))


@pytest.mark.parametrize("path", _family_tests(), ids=lambda p: p.name)
def test_families_are_tested_without_plans(path: Path) -> None:
    """A family is held against bytes and models; nothing above it is needed for that."""
    above = {"plans", "station", "commands", "cli", "pytest_plugin"}
    assert not {name.split(".")[1] for name in _own_imports(path)} & above


def _folders() -> list[Path]:
    return sorted({path.parent for path in _modules()})


@pytest.mark.parametrize("folder", _folders(), ids=lambda p: p.name)
def test_a_folder_shows_at_a_glance(folder: Path) -> None:
    """A folder holds at most 16 modules, and a prefix of three files is a folder."""
    stems = [p.stem for p in folder.glob("*.py") if p.stem != "__init__"]
    assert len(stems) <= 16
    heads = Counter(stem.split("_")[0] for stem in stems)
    assert {head for head, times in heads.items() if times >= 3} <= PREFIXES_KEPT


def test_a_class_name_means_one_thing() -> None:
    """No two modules of the house define a class of the same name."""
    owners: dict[str, list[str]] = {}
    for path in _modules():
        for node in ast.parse(path.read_text("utf-8")).body:
            if isinstance(node, ast.ClassDef):
                owners.setdefault(node.name, []).append(path.stem)
    assert {name: where for name, where in owners.items() if len(where) > 1} == {}


def test_files_stay_readable() -> None:
    """No file grows beyond what a reader takes in (house rule: 450 lines)."""
    long = {
        str(path.relative_to(HARNESS)): lines
        for path in _modules()
        if (lines := len(path.read_text("utf-8").splitlines())) > 450
    }
    assert not long
