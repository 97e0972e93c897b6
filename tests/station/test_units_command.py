"""`slotproof station` and `slotproof units` as an operator types them."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from harness import cli
from harness.results.ledger.ledger import Ledger
from harness.results.ledger.numbers import NumberHolder, note_holder

Line = Any
"""A production line to rehearse on; conftest has its class."""

Slotproof = Callable[..., tuple[int, str, str]]

ROM = "2900000000000128"
"""ROM code of serial number 1, family 28h."""


@pytest.fixture
def slotproof(
    monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str], tmp_path: Path
) -> Slotproof:
    """Run the command in a folder of its own; exit code, output, errors."""
    monkeypatch.chdir(tmp_path)

    def run(*arguments: object) -> tuple[int, str, str]:
        monkeypatch.setattr("sys.argv", ["slotproof", *map(str, arguments)])
        with pytest.raises(SystemExit) as ended:
            cli.main()
        said = capfd.readouterr()
        assert isinstance(ended.value.code, int)
        return ended.value.code, said.out, said.err

    return run


PLAN = """\
plan: probe unit
steps:
  - enumerate: {count: 1}
  - read: {quantity: temperature, low: 20, high: 22}
"""


@pytest.fixture
def shift(slotproof: Slotproof, line: Line, tmp_path: Path) -> str:
    """A shift in results/one: a good unit, a copy of it, one that is too warm."""
    devices = [line.probe(1), line.probe(1), line.probe(3, 25.0)]
    feed = [{"serial": s, "devices": [n]} for n, s in enumerate(("=A", "B", "C"), 1)]
    place = line.place("left", devices, feed)
    (tmp_path / "plan.yaml").write_text(PLAN)
    code, out, _ = slotproof(
        "station", "--plan", "plan.yaml", "--fixture", place.path,
        "--into", "results/one", "--lot", "lot 7", "--name", "hall 2",
        "--ledger", "results/ledger.sqlite",
    )  # fmt: skip
    assert code == 0
    return out


def test_a_shift_ends_with_its_summary(shift: str) -> None:
    """Counts, yield, top failures and where it all is."""
    assert "1 PASSED, 2 FAILED, SIMULATED" in shift
    assert "first-pass yield 33.3 % (1 of 3)" in shift
    assert "1 x read temperature: outside its limits" in shift
    assert "results: results/one\n" in shift
    assert shift.rstrip().endswith(
        "SIMULATED bench: this is no verdict on real devices"
    )


@pytest.mark.usefixtures("shift")
def test_a_units_history(slotproof: Slotproof) -> None:
    """By serial number or ROM code: tests, values with limits, sources, the other unit."""
    code, out, _ = slotproof("units", "show", "C")
    assert code == 0
    assert "temperature 25 degC (limits 20 .. 22)" in out
    assert "plan probe unit (sha256 " in out
    assert "position left" in out
    by_rom = slotproof("units", "show", ROM)[1]
    assert "TWO UNITS, ONE ROM CODE" in by_rom
    assert by_rom.count("passed  ") == 1
    assert by_rom.count("failed  ") == 1


@pytest.mark.usefixtures("shift")
def test_a_units_number(slotproof: Slotproof) -> None:
    """What it was given of a range stands above its tests, and in the JSON answer."""
    holder = NumberHolder(
        name="boards", unit="C", number=1003, station="hall 2", at="2026-11-28"
    )
    with Ledger("results/ledger.sqlite") as ledger:
        note_holder(ledger, holder)
    words = "C has number 1003 of range boards (station hall 2, 2026-11-28)"
    assert slotproof("units", "show", "C")[1].splitlines()[0] == words
    assert words not in slotproof("units", "show", "=A")[1]
    told = json.loads(slotproof("units", "show", "C", "--json")[1])
    assert [row["number"] for row in told["numbers"]] == [1003]


@pytest.mark.usefixtures("shift")
def test_an_unknown_unit(slotproof: Slotproof) -> None:
    """It is a usage error that says how to find others."""
    code, _, err = slotproof("units", "show", "XYZ")
    assert code == 2
    assert "no unit and no ROM code 'XYZ'" in err


@pytest.mark.usefixtures("shift")
def test_lists(slotproof: Slotproof) -> None:
    """One line a test; verdict, lot and date narrow it."""
    assert len(slotproof("units", "list")[1].splitlines()) == 3
    assert len(slotproof("units", "list", "--outcome", "failed")[1].splitlines()) == 2
    assert slotproof("units", "list", "--lot", "lot 8")[1] == ""
    assert slotproof("units", "list", "--since", "2100-01-01")[1] == ""


@pytest.mark.usefixtures("shift")
def test_clones(slotproof: Slotproof) -> None:
    """Found ones make exit code 1; put right, there are none."""
    code, out, _ = slotproof("units", "clones")
    assert (code, out.split()[0]) == (1, ROM)
    code, out, _ = slotproof("units", "assign", ROM.lower(), "B")
    assert (code, out) == (0, f"{ROM}: =A -> B\n")
    assert slotproof("units", "assign", "00", "B")[0] == 2


@pytest.mark.usefixtures("shift")
def test_csv(slotproof: Slotproof) -> None:
    """One row a test or a value; no text begins a formula."""
    rows = list(csv.DictReader(io.StringIO(slotproof("units", "export")[1])))
    assert [row["unit_serial"] for row in rows] == ["'=A", "B", "C"]
    assert rows[0]["rom_codes"] == ROM
    values = list(
        csv.DictReader(io.StringIO(slotproof("units", "export", "--values")[1]))
    )
    warm = next(r for r in values if r["quantity"] == "temperature" and r["outcome"] == "failed")  # fmt: skip
    assert (warm["value"], warm["low"], warm["unit"]) == ("25.0", "20.0", "degC")


@pytest.mark.usefixtures("shift")
def test_booking_by_hand(slotproof: Slotproof) -> None:
    """Journals go into another ledger once, however often they are named."""
    book = ("units", "book", "results/one", "--ledger", "other.sqlite")
    assert slotproof(*book)[1].endswith("3 new, 0 known already\n")
    assert slotproof(*book)[1].endswith("0 new, 3 known already\n")
    listed = slotproof("units", "list", "--ledger", "other.sqlite")[1]
    assert listed == slotproof("units", "list")[1]


def test_the_ledger_by_one_setting(
    slotproof: Slotproof, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """The environment names the ledger; what is no database is told without its password."""
    monkeypatch.setenv("SLOTPROOF_LEDGER", str(tmp_path / "set.sqlite"))
    code, _, err = slotproof("units", "list")
    assert (code, "there is no ledger yet" in err) == (2, True)
    assert not (tmp_path / "set.sqlite").exists()
    (tmp_path / "results").mkdir()
    assert slotproof("units", "book", "results") == (0, "0 new, 0 known already\n", "")
    with Ledger(tmp_path / "set.sqlite") as ledger:
        assert ledger.count() == 0
    assert slotproof("units", "list") == (0, "", "")
    monkeypatch.setenv("SLOTPROOF_LEDGER", "oracle://ann:s3cret@db/x")
    code, _, err = slotproof("units", "list")
    assert code == 2
    assert "s3cret" not in err


def test_a_dead_unit_by_name(slotproof: Slotproof, line: Line, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:  # fmt: skip
    """``left=CS-1`` brings a unit that never answers to its verdict; ``end`` ends the shift."""
    place = line.place("left", [], [{"serial": "", "devices": []}])
    (tmp_path / "plan.yaml").write_text(PLAN)
    monkeypatch.setattr("harness.station.setup._source", _a_person)
    monkeypatch.setattr("sys.stdin", Typed("left=CS-1\n", tmp_path / "results/one"))
    code, out, _ = slotproof(
        "station",
        "--plan",
        "plan.yaml",
        "--fixture",
        place.path,
        "--into",
        "results/one",
    )
    assert code == 0
    assert "FAIL   left  CS-1" in out
    assert "1 FAILED" in out


def _a_person(_orders: object, _fixture: object, shared: object) -> object:
    from harness.station.setup import _Source

    return _Source(shared)  # type: ignore[arg-type]


class Typed:
    """What an operator types: a line, and ``end`` once the test is over."""

    def __init__(self, line: str, folder: Path) -> None:
        self._line = line
        self._folder = folder

    def __iter__(self) -> Any:  # noqa: ANN401
        yield self._line
        while not any(
            b"run_done" in path.read_bytes()
            for path in self._folder.glob("*/journal.jsonl")
        ):
            pass
        yield "end\n"
