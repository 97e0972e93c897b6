"""A shift from the first unit to the summary: what operators do, each told in words."""

from __future__ import annotations

import os
import signal
from pathlib import Path
from threading import Event, Thread
from typing import Any

import pytest

from harness.errors import UsageError
from harness.plans.loading.files import load_fixture, load_plan
from harness.records import Outcome
from harness.results.journal.writer import read_events
from harness.results.ledger.entry import UNIT
from harness.results.reports.rebuild import read_record
from harness.station.setup import position_names
from harness.station.shift.shift import SUMMARY_FILE, held

Line = Any
"""A production line to rehearse on; conftest has its class."""

ROOT = Path(__file__).parents[3]


def feed(*serials: str, **how: Any) -> list[dict[str, Any]]:  # noqa: ANN401
    """One insertion a serial number, of the devices in order."""
    return [
        {"serial": serial, "devices": [n], **how} for n, serial in enumerate(serials, 1)
    ]


def test_good_units_pass(line: Line) -> None:
    """Two good units pass, each with a journal, a row in the ledger and its place in the counts."""
    place = line.place("left", [line.probe(1), line.probe(2)], feed("CS-1", "CS-2"))
    ordered = line.orders(place)
    ended = line.run(ordered)
    assert ended.verdicts() == ["PASS CS-1", "PASS CS-2"]
    assert "green tray" in ended.line("CS-1")
    assert ended.end.counts.yield_text == "100.0 % (2 of 2)"
    assert line.in_ledger(ordered) == ended.tests
    assert [UNIT.written(t.unit) for t in ended.tests] == [
        {"serial": s, "lot": "lot 7", "station": "hall 2", "place": "left"}
        for s in ("CS-1", "CS-2")
    ]


def test_the_verdict_is_in_the_journal(line: Line) -> None:
    """The station's own question is a step of the run: reports show it like any other."""
    ended = line.run(line.orders(line.place("left", [line.probe(1)], feed("CS-1"))))
    (journal,) = ended.folder.glob("*/journal.jsonl")
    record = read_record(journal)
    assert [(s.step, s.outcome) for s in record.steps][-1] == ("unit", Outcome.PASSED)
    assert record.disagreements == ()
    assert next(read_events(journal))["unit"]["serial"] == "CS-1"


def test_a_failed_unit_has_one_retest(line: Line) -> None:
    """Failed, it may come once more; failed again, it goes to the bin; a third time it is refused."""
    again = [{"serial": "CS-1", "devices": [1]}] * 3
    ended = line.run(line.orders(line.place("left", [line.probe(1, 25.0)], again)))
    assert ended.verdicts() == ["FAIL CS-1", "FAIL CS-1", "STOP CS-1"]
    first, second, third = (line for line in ended.lines if "CS-1" in line)
    assert "1 retest is left" in first
    assert "red bin" not in first
    assert "red bin" in second
    assert "No retest is left" in second
    assert "no retest is left" in third
    assert len(ended.tests) == 2
    assert ended.end.counts.top_failures == (
        ("read temperature: outside its limits", 2),
    )


def test_a_lot_puts_in_again_what_did_not_pass(line: Line) -> None:
    """A failed unit comes once more, a pulled one too; one that passed does not."""
    lot = {
        "units": 4,
        "labels_from": "CS-1",
        "serials_from": 1,
        "typical": {"family": 0x28, "temperature_degc": 21.0},
        "odd": [
            {"unit": 2, "differs": {"temperature_degc": 25.0}},
            {"unit": 3, "how": "pulled-early"},
        ],
    }
    ended = line.run(line.orders(line.place("left", [], [], lot=lot)))
    assert ended.verdicts() == [
        "PASS CS-1", "FAIL CS-2", "FAIL CS-2", "ERROR CS-3", "PASS CS-3", "PASS CS-4",
    ]  # fmt: skip


def test_retests_count_over_shifts(line: Line, tmp_path: Path) -> None:
    """What the unit spent on another station's shift is known here by the ledger."""
    place = line.place("left", [line.probe(1, 25.0)], feed("CS-1") * 2)
    line.run(line.orders(place))
    ended = line.run(line.orders(place, folder=tmp_path / "results" / "next"))
    assert ended.verdicts() == ["STOP CS-1", "STOP CS-1"]


def test_the_same_unit_twice(line: Line) -> None:
    """A unit that passed is not tested again, and goes where passed units go."""
    ended = line.run(line.orders(line.place("left", [line.probe(1)], feed("CS-1") * 2)))
    assert ended.verdicts() == ["PASS CS-1", "STOP CS-1"]
    assert "green tray" in ended.line("STOP")
    assert "passed before" in ended.line("STOP")


def test_one_label_on_two_units(line: Line) -> None:
    """Another unit with the number of one that passed is held, not put with the good ones."""
    place = line.place("left", [line.probe(1), line.probe(2)], feed("CS-1", "CS-1"))
    ended = line.run(line.orders(place))
    assert ended.verdicts() == ["PASS CS-1", "STOP CS-1"]
    assert "hold shelf" in ended.line("STOP")
    assert "two units must not carry one number" in ended.line("STOP")


def test_a_copied_rom_code(line: Line) -> None:
    """A ROM code seen in another unit fails at once, names that unit, and bars a retest."""
    place = line.place("left", [line.probe(1), line.probe(1)], feed("CS-1", "CS-2"))
    ended = line.run(line.orders(place))
    assert ended.verdicts() == ["PASS CS-1", "FAIL CS-2"]
    assert "seen before in unit CS-1 (lot lot 7, station hall 2" in ended.line("FAIL")
    assert "No retest" in ended.line("FAIL")
    assert ended.tests[1].reason.kind == "rom-code-known"


def test_a_unit_pulled_early(line: Line) -> None:
    """The test is void and says so; it does not count, and the unit passes in full later."""
    units = [
        {
            "serial": "CS-1",
            "devices": [1],
            "how": "pulled-early",
            "pulled_after_s": 0.2,
        },
        {"serial": "CS-1", "devices": [1]},
    ]
    ended = line.run(line.orders(line.place("left", [line.probe(1)], units)))
    assert ended.verdicts() == ["ERROR CS-1", "PASS CS-1"]
    assert "went away during its test" in ended.line("ERROR")
    assert "That test does not count" in ended.line("ERROR")
    assert ended.end.counts.yield_text == "100.0 % (1 of 1)"


def test_a_unit_that_always_goes_away_fails(line: Line) -> None:
    """From the second time on it counts like a failure, or a dying unit would come for ever."""
    pulled = {"serial": "CS-1", "devices": [1], "how": "pulled-early", "pulled_after_s": 0.2}  # fmt: skip
    ended = line.run(line.orders(line.place("left", [line.probe(1)], [pulled] * 4)))
    assert ended.verdicts() == ["ERROR CS-1"] * 3 + ["STOP CS-1"]


def test_wrong_way_round_and_then_right(line: Line) -> None:
    """A unit that shorts the line is told before any test; turned round, it passes."""
    place = line.place("left", [line.probe(1)], feed("CS-1", how="wrong-way-round"))
    ended = line.run(line.orders(place))
    assert ended.lines[0].startswith("SHORT")
    assert "wrong way round" in ended.lines[0]
    assert ended.verdicts() == ["PASS CS-1"]


@pytest.mark.parametrize("how", ["bouncing", "too-slowly-out"])
def test_rough_hands(line: Line, how: str) -> None:
    """Bouncing contacts and a unit left in for long change no verdict and make no second test."""
    place = line.place("left", [line.probe(1)], feed("CS-1", how=how))
    ended = line.run(line.orders(place))
    assert ended.verdicts() == ["PASS CS-1"]
    assert len(ended.tests) == 1


def test_units_without_serial_numbers(line: Line) -> None:
    """ROM codes tell units apart: the retest of a failed one is known as such."""
    place = line.place("left", [line.probe(1), line.probe(2, 25.0)], [*feed("", ""), {"devices": [2]}])  # fmt: skip
    ended = line.run(line.orders(place, serials="none"))
    assert [line.split()[0] for line in ended.lines] == ["PASS", "FAIL", "FAIL"]
    assert "red bin" in ended.lines[-1]
    assert ended.end.counts.units == 2


def test_serial_numbers_from_a_file(line: Line, tmp_path: Path) -> None:
    """Numbers are taken in the order of the file."""
    (tmp_path / "numbers.txt").write_text("CS-8\n\nCS-9\n")
    place = line.place("left", [line.probe(1), line.probe(2)], feed("", ""))
    ended = line.run(line.orders(place, serials=str(tmp_path / "numbers.txt")))
    assert ended.verdicts() == ["PASS CS-8", "PASS CS-9"]


def test_an_adapter_that_comes_back(line: Line) -> None:
    """Pulled out while the place is empty, it is told; back in, the shift goes on."""
    place = line.place(
        "left",
        [line.probe(1), line.probe(2)],
        feed("CS-1", "CS-2"),
        faults=[{"kind": "adapter-unplugged", "at_s": 1.0, "for_s": 4.0}],
    )
    ended = line.run(line.orders(place))
    assert ended.lines[0].startswith("CABLE")
    assert ended.verdicts() == ["PASS CS-1", "PASS CS-2"]


def test_a_weak_place_never_blames_the_unit(line: Line) -> None:
    """An adapter that goes deaf during a test is an error with the hold shelf, and a retest."""
    place = line.place(
        "left",
        [line.probe(1)],
        feed("CS-1") * 2,
        faults=[{"kind": "adapter-no-echo", "at_s": 2.9, "for_s": 3.0}],
    )
    ended = line.run(line.orders(place))
    assert "ERROR CS-1" in ended.verdicts()
    assert "hold shelf" in ended.line("ERROR")
    assert ended.verdicts()[-1] == "PASS CS-1"
    assert ended.end.counts.failed == 0


# -- several places --------------------------------------------------------------------


@pytest.mark.slow
def test_the_shipped_shift(line: Line) -> None:
    """The README's rehearsal: planted faults are found on both places, and nothing else."""
    fixtures = [load_fixture(ROOT / f"fixtures/station_{n}.yaml") for n in ("left", "right")]  # fmt: skip
    ordered = line.orders(*fixtures)
    plan = load_plan(ROOT / "test_plans/unit_thermometer.yaml")
    ended = line.run(type(ordered)(**{**_fields(ordered), "plan": plan}))
    assert ended.verdicts("left") == [
        "PASS CS-000101", "PASS CS-000102", "FAIL CS-000103", "PASS CS-000104",
        "FAIL CS-000103", "ERROR CS-000105", "PASS CS-000105", "STOP CS-000103",
        "PASS CS-000106",
    ]  # fmt: skip
    assert ended.verdicts("right") == [
        "PASS CS-000201", "PASS CS-000202", "STOP CS-000202", "FAIL CS-000203",
        "PASS CS-000204", "PASS CS-000205",
    ]  # fmt: skip
    summary = (ended.folder / SUMMARY_FILE).read_text()
    assert "first-pass yield 81.8 % (9 of 11)" in summary
    assert ended.end.unbooked == 0


def _fields(ordered: object) -> dict[str, Any]:
    return {name: getattr(ordered, name) for name in ordered.__dataclass_fields__}  # type: ignore[attr-defined]


def test_a_missing_adapter_stops_nobody_else(line: Line) -> None:
    """One place waits for its adapter, the other tests its units; Ctrl-C ends both."""
    good = line.place("left", [line.probe(1)], feed("CS-1"))
    absent = line.place("right", [], [], port="/dev/no-such-adapter")
    with line.begun(line.orders(good, absent)) as (made, said):
        words = ("PASS   left", "CABLE  right")
        Thread(target=_interrupt_when, args=(said, *words), daemon=True).start()
        end = made.shift.run()
    assert end.interrupted
    assert end.stuck == ()
    assert end.counts.passed == 1


def _broken_by_us(_bus: object) -> None:
    raise KeyError("nothing")


def _interrupt_when(said: Any, *words: str) -> None:  # noqa: ANN401
    while not all(each in said.getvalue() for each in words):
        Event().wait(0.01)
    os.kill(os.getpid(), signal.SIGINT)


@pytest.mark.slow
def test_a_stuck_place_stops_nobody_else(
    line: Line, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A place whose port never returns is named at the end; the others did their work."""
    stuck, free = Event(), Event()
    left = line.place("left", [line.probe(1)], feed("CS-1"))
    right = line.place("right", [line.probe(2)], feed("CS-2"))
    with line.begun(line.orders(left, right), patience_s=0.4) as (made, said):
        place = next(p for p in made.shift._positions if p.name == "right")

        def hang(_bus: object) -> None:
            stuck.set()
            free.wait()

        monkeypatch.setattr(place, "_serve", hang)
        Thread(target=_interrupt_when, args=(said, "PASS   left"), daemon=True).start()
        end = made.shift.run()
    free.set()
    assert stuck.is_set()
    assert end.stuck == ("right",)
    assert end.counts.passed == 1


def test_a_broken_place_is_told(line: Line, monkeypatch: pytest.MonkeyPatch) -> None:
    """Even a mistake of ours ends one place only, and is told on the board and at the end."""
    left = line.place("left", [line.probe(1)], feed("CS-1"))
    right = line.place("right", [line.probe(2)], feed("CS-2"))
    with line.begun(line.orders(left, right)) as (made, said):
        place = next(p for p in made.shift._positions if p.name == "right")
        monkeypatch.setattr(place, "_serve", _broken_by_us)
        end = made.shift.run()
    assert end.broken == (("right", "KeyError: 'nothing'"),)
    assert "this position has stopped" in said.getvalue()
    assert end.counts.passed == 1


def test_ctrl_c_in_the_middle_of_a_test(line: Line) -> None:
    """The test in hand ends as an interrupted run and is no verdict about the unit."""
    plan = "plan: long\nsteps:\n  - repeat: {times: 100000, steps: [{reset: {times: 5}}]}\n"  # fmt: skip
    ordered = line.orders(line.place("left", [line.probe(1)], feed("CS-1")), plan=plan)
    with line.begun(ordered) as (made, _said):
        Thread(
            target=_interrupt_once_begun, args=(ordered.folder,), daemon=True
        ).start()
        end = made.shift.run()
    (journal,) = ordered.folder.glob("*/journal.jsonl")
    assert end.interrupted
    assert end.stuck == ()
    assert end.counts.tests == 0
    assert str(read_record(journal).ending) == "interrupted"


def _interrupt_once_begun(folder: Path) -> None:
    while not any(p.stat().st_size > 20_000 for p in folder.glob("*/journal.jsonl")):
        Event().wait(0.01)
    os.kill(os.getpid(), signal.SIGINT)


# -- files --------------------------------------------------------------------------------


def test_one_station_a_folder(tmp_path: Path) -> None:
    """A folder in use is refused to a second station, and free again afterwards."""
    with held(tmp_path), pytest.raises(UsageError, match="another station"), held(tmp_path):  # fmt: skip
        pass
    with held(tmp_path):
        pass


def test_a_shift_goes_on_in_its_folder(line: Line) -> None:
    """Started again with its folder, a station counts on from the journals there."""
    line.run(line.orders(line.place("left", [line.probe(1)], feed("CS-1"))))
    ended = line.run(line.orders(line.place("left", [line.probe(1), line.probe(2)], feed("CS-1", "CS-2"))))  # fmt: skip
    assert ended.verdicts() == ["STOP CS-1", "PASS CS-2"]
    assert ended.end.counts.yield_text == "100.0 % (2 of 2)"


def test_places_need_names_of_their_own(line: Line) -> None:
    """Two fixtures with one socket name cannot stand side by side."""
    place = line.place("left", [line.probe(1)], [])
    with pytest.raises(UsageError, match="two positions are named 'left'"):
        position_names((place, place))


def test_a_plan_that_asks_is_refused(line: Line) -> None:
    """A prompt step would stop the line: it is told before the port is opened."""
    place = line.place("left", [line.probe(1)], feed("CS-1"))
    plan = "plan: asks\nsteps:\n  - prompt: {text: ready}\n"
    with pytest.raises(UsageError, match="a station does not"):
        line.run(line.orders(place, plan=plan))


def test_a_simulated_place_needs_a_feed(line: Line) -> None:
    """Nobody would ever put a unit in: it is told at once."""
    with pytest.raises(UsageError, match="nobody puts units"):
        line.run(line.orders(line.place("left", [line.probe(1)], [])))
