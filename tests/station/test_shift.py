"""A shift from the first unit to the summary: what operators do, each told in words."""

from __future__ import annotations

import os
import signal
from collections.abc import Callable
from pathlib import Path
from threading import Event, Thread
from typing import Any

import pytest

from harness.errors import UsageError
from harness.plans.loading import load_fixture, load_plan
from harness.records import Outcome
from harness.results.journal import read_events
from harness.results.report import read_record
from harness.station.setting_up import place_names
from harness.station.shift import SUMMARY_FILE, held

Make = Callable[..., Any]
"""A fixture that makes or runs something; conftest has the signatures."""

ROOT = Path(__file__).parents[2]


def feed(*serials: str, **how: Any) -> list[dict[str, Any]]:  # noqa: ANN401
    """One insertion a serial number, of the devices in order."""
    return [
        {"serial": serial, "devices": [n], **how} for n, serial in enumerate(serials, 1)
    ]


def test_good_units_pass(run_shift: Make, orders: Make, place_fixture: Make, probe: Make, in_ledger: Make) -> None:  # fmt: skip
    """Two good units pass, each with a journal, a row in the ledger and its place in the counts."""
    place = place_fixture("left", [probe(1), probe(2)], feed("CS-1", "CS-2"))
    ordered = orders(place)
    ended = run_shift(ordered)
    assert ended.verdicts() == ["PASS CS-1", "PASS CS-2"]
    assert "green tray" in ended.line("CS-1")
    assert ended.end.counts.yield_text == "100.0 % (2 of 2)"
    assert in_ledger(ordered) == ended.tests
    assert [t.unit.as_dict() for t in ended.tests] == [
        {"serial": s, "lot": "lot 7", "station": "hall 2", "place": "left"}
        for s in ("CS-1", "CS-2")
    ]


def test_the_verdict_is_in_the_journal(run_shift: Make, orders: Make, place_fixture: Make, probe: Make) -> None:  # fmt: skip
    """The station's own question is a step of the run: reports show it like any other."""
    ended = run_shift(orders(place_fixture("left", [probe(1)], feed("CS-1"))))
    (journal,) = ended.folder.glob("*/journal.jsonl")
    record = read_record(journal)
    assert [(s.step, s.outcome) for s in record.steps][-1] == ("unit", Outcome.PASSED)
    assert record.disagreements == ()
    assert next(read_events(journal))["unit"]["serial"] == "CS-1"


def test_a_failed_unit_has_one_retest(run_shift: Make, orders: Make, place_fixture: Make, probe: Make) -> None:  # fmt: skip
    """Failed, it may come once more; failed again, it goes to the bin; a third time it is refused."""
    again = [{"serial": "CS-1", "devices": [1]}] * 3
    ended = run_shift(orders(place_fixture("left", [probe(1, 25.0)], again)))
    assert ended.verdicts() == ["FAIL CS-1", "FAIL CS-1", "STOP CS-1"]
    first, second, third = (line for line in ended.lines if "CS-1" in line)
    assert "1 retest is left" in first
    assert "red bin" not in first
    assert "red bin" in second
    assert "No retest is left" in second
    assert "no retest is left" in third
    assert len(ended.tests) == 2
    assert ended.end.counts.top_failures == (("read temperature: limit", 2),)


def test_retests_count_over_shifts(run_shift: Make, orders: Make, place_fixture: Make, probe: Make, tmp_path: Path) -> None:  # fmt: skip
    """What the unit spent on another station's shift is known here by the ledger."""
    place = place_fixture("left", [probe(1, 25.0)], feed("CS-1") * 2)
    run_shift(orders(place))
    ended = run_shift(orders(place, folder=tmp_path / "results" / "next"))
    assert ended.verdicts() == ["STOP CS-1", "STOP CS-1"]


def test_the_same_unit_twice(run_shift: Make, orders: Make, place_fixture: Make, probe: Make) -> None:  # fmt: skip
    """A unit that passed is not tested again, and goes where passed units go."""
    ended = run_shift(orders(place_fixture("left", [probe(1)], feed("CS-1") * 2)))
    assert ended.verdicts() == ["PASS CS-1", "STOP CS-1"]
    assert "green tray" in ended.line("STOP")
    assert "passed before" in ended.line("STOP")


def test_one_label_on_two_units(run_shift: Make, orders: Make, place_fixture: Make, probe: Make) -> None:  # fmt: skip
    """Another unit with the number of one that passed is held, not put with the good ones."""
    place = place_fixture("left", [probe(1), probe(2)], feed("CS-1", "CS-1"))
    ended = run_shift(orders(place))
    assert ended.verdicts() == ["PASS CS-1", "STOP CS-1"]
    assert "hold shelf" in ended.line("STOP")
    assert "two units must not carry one number" in ended.line("STOP")


def test_a_copied_rom_code(run_shift: Make, orders: Make, place_fixture: Make, probe: Make) -> None:  # fmt: skip
    """A ROM code seen in another unit fails at once, names that unit, and bars a retest."""
    place = place_fixture("left", [probe(1), probe(1)], feed("CS-1", "CS-2"))
    ended = run_shift(orders(place))
    assert ended.verdicts() == ["PASS CS-1", "FAIL CS-2"]
    assert "seen before in unit CS-1 (lot lot 7, station hall 2" in ended.line("FAIL")
    assert "No retest" in ended.line("FAIL")
    assert ended.tests[1].reason.kind == "rom-code-known"


def test_a_unit_pulled_early(run_shift: Make, orders: Make, place_fixture: Make, probe: Make) -> None:  # fmt: skip
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
    ended = run_shift(orders(place_fixture("left", [probe(1)], units)))
    assert ended.verdicts() == ["ERROR CS-1", "PASS CS-1"]
    assert "went away during its test" in ended.line("ERROR")
    assert "That test does not count" in ended.line("ERROR")
    assert ended.end.counts.yield_text == "100.0 % (1 of 1)"


def test_a_unit_that_always_goes_away_fails(run_shift: Make, orders: Make, place_fixture: Make, probe: Make) -> None:  # fmt: skip
    """From the second time on it counts like a failure, or a dying unit would come for ever."""
    pulled = {"serial": "CS-1", "devices": [1], "how": "pulled-early", "pulled_after_s": 0.2}  # fmt: skip
    ended = run_shift(orders(place_fixture("left", [probe(1)], [pulled] * 4)))
    assert ended.verdicts() == ["ERROR CS-1"] * 3 + ["STOP CS-1"]


def test_wrong_way_round_and_then_right(run_shift: Make, orders: Make, place_fixture: Make, probe: Make) -> None:  # fmt: skip
    """A unit that shorts the line is told before any test; turned round, it passes."""
    place = place_fixture("left", [probe(1)], feed("CS-1", how="wrong-way-round"))
    ended = run_shift(orders(place))
    assert ended.lines[0].startswith("SHORT")
    assert "wrong way round" in ended.lines[0]
    assert ended.verdicts() == ["PASS CS-1"]


@pytest.mark.parametrize("how", ["bouncing", "too-slowly-out"])
def test_rough_hands(run_shift: Make, orders: Make, place_fixture: Make, probe: Make, how: str) -> None:  # fmt: skip
    """Bouncing contacts and a unit left in for long change no verdict and make no second test."""
    place = place_fixture("left", [probe(1)], feed("CS-1", how=how))
    ended = run_shift(orders(place))
    assert ended.verdicts() == ["PASS CS-1"]
    assert len(ended.tests) == 1


def test_units_without_serial_numbers(run_shift: Make, orders: Make, place_fixture: Make, probe: Make) -> None:  # fmt: skip
    """ROM codes tell units apart: the retest of a failed one is known as such."""
    place = place_fixture("left", [probe(1), probe(2, 25.0)], [*feed("", ""), {"devices": [2]}])  # fmt: skip
    ended = run_shift(orders(place, serials="none"))
    assert [line.split()[0] for line in ended.lines] == ["PASS", "FAIL", "FAIL"]
    assert "red bin" in ended.lines[-1]
    assert ended.end.counts.units == 2


def test_serial_numbers_from_a_file(run_shift: Make, orders: Make, place_fixture: Make, probe: Make, tmp_path: Path) -> None:  # fmt: skip
    """Numbers are taken in the order of the file."""
    (tmp_path / "numbers.txt").write_text("CS-8\n\nCS-9\n")
    place = place_fixture("left", [probe(1), probe(2)], feed("", ""))
    ended = run_shift(orders(place, serials=str(tmp_path / "numbers.txt")))
    assert ended.verdicts() == ["PASS CS-8", "PASS CS-9"]


def test_an_adapter_that_comes_back(run_shift: Make, orders: Make, place_fixture: Make, probe: Make) -> None:  # fmt: skip
    """Pulled out while the place is empty, it is told; back in, the shift goes on."""
    place = place_fixture(
        "left",
        [probe(1), probe(2)],
        feed("CS-1", "CS-2"),
        faults=[{"kind": "adapter-unplugged", "at_s": 1.0, "for_s": 4.0}],
    )
    ended = run_shift(orders(place))
    assert ended.lines[0].startswith("CABLE")
    assert ended.verdicts() == ["PASS CS-1", "PASS CS-2"]


def test_a_weak_place_never_blames_the_unit(run_shift: Make, orders: Make, place_fixture: Make, probe: Make) -> None:  # fmt: skip
    """An adapter that goes deaf during a test is an error with the hold shelf, and a retest."""
    place = place_fixture(
        "left",
        [probe(1)],
        feed("CS-1") * 2,
        faults=[{"kind": "adapter-no-echo", "at_s": 2.9, "for_s": 3.0}],
    )
    ended = run_shift(orders(place))
    assert "ERROR CS-1" in ended.verdicts()
    assert "hold shelf" in ended.line("ERROR")
    assert ended.verdicts()[-1] == "PASS CS-1"
    assert ended.end.counts.failed == 0


# -- several places --------------------------------------------------------------------


def test_the_shipped_shift(run_shift: Make, orders: Make) -> None:
    """The README's rehearsal: planted faults are found on both places, and nothing else."""
    fixtures = [load_fixture(ROOT / f"fixtures/station_{n}.yaml") for n in ("left", "right")]  # fmt: skip
    ordered = orders(*fixtures)
    plan = load_plan(ROOT / "test_plans/unit_thermometer.yaml")
    ended = run_shift(type(ordered)(**{**_fields(ordered), "plan": plan}))
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


def test_a_missing_adapter_stops_nobody_else(begun: Make, orders: Make, place_fixture: Make, probe: Make) -> None:  # fmt: skip
    """One place waits for its adapter, the other tests its units; Ctrl-C ends both."""
    good = place_fixture("left", [probe(1)], feed("CS-1"))
    absent = place_fixture("right", [], [], port="/dev/no-such-adapter")
    with begun(orders(good, absent)) as (made, said):
        Thread(target=_interrupt_when, args=(said, "PASS   left"), daemon=True).start()
        end = made.shift.run()
    assert "CABLE  right" in said.getvalue()
    assert end.interrupted
    assert end.stuck == ()
    assert end.counts.passed == 1


def _broken_by_us(_bus: object) -> None:
    raise KeyError("nothing")


def _interrupt_when(said: Any, words: str) -> None:  # noqa: ANN401
    while words not in said.getvalue():
        Event().wait(0.01)
    os.kill(os.getpid(), signal.SIGINT)


def test_a_stuck_place_stops_nobody_else(begun: Make, orders: Make, place_fixture: Make, probe: Make, monkeypatch: pytest.MonkeyPatch) -> None:  # fmt: skip
    """A place whose port never returns is named at the end; the others did their work."""
    stuck, free = Event(), Event()
    left = place_fixture("left", [probe(1)], feed("CS-1"))
    right = place_fixture("right", [probe(2)], feed("CS-2"))
    with begun(orders(left, right), patience_s=0.4) as (made, said):
        place = next(p for p in made.shift._places if p.name == "right")

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


def test_a_broken_place_is_told(begun: Make, orders: Make, place_fixture: Make, probe: Make, monkeypatch: pytest.MonkeyPatch) -> None:  # fmt: skip
    """Even a mistake of ours ends one place only, and is told on the board and at the end."""
    left = place_fixture("left", [probe(1)], feed("CS-1"))
    right = place_fixture("right", [probe(2)], feed("CS-2"))
    with begun(orders(left, right)) as (made, said):
        place = next(p for p in made.shift._places if p.name == "right")
        monkeypatch.setattr(place, "_serve", _broken_by_us)
        end = made.shift.run()
    assert end.broken == (("right", "KeyError: 'nothing'"),)
    assert "this place has stopped" in said.getvalue()
    assert end.counts.passed == 1


def test_ctrl_c_in_the_middle_of_a_test(begun: Make, orders: Make, place_fixture: Make, probe: Make) -> None:  # fmt: skip
    """The test in hand ends as an interrupted run and is no verdict about the unit."""
    plan = "plan: long\nsteps:\n  - repeat: {times: 100000, steps: [{reset: {times: 5}}]}\n"  # fmt: skip
    ordered = orders(place_fixture("left", [probe(1)], feed("CS-1")), plan=plan)
    with begun(ordered) as (made, _said):
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


def test_a_shift_goes_on_in_its_folder(run_shift: Make, orders: Make, place_fixture: Make, probe: Make) -> None:  # fmt: skip
    """Started again with its folder, a station counts on from the journals there."""
    run_shift(orders(place_fixture("left", [probe(1)], feed("CS-1"))))
    ended = run_shift(orders(place_fixture("left", [probe(1), probe(2)], feed("CS-1", "CS-2"))))  # fmt: skip
    assert ended.verdicts() == ["STOP CS-1", "PASS CS-2"]
    assert ended.end.counts.yield_text == "100.0 % (2 of 2)"


def test_places_need_names_of_their_own(place_fixture: Make, probe: Make) -> None:
    """Two fixtures with one socket name cannot stand side by side."""
    place = place_fixture("left", [probe(1)], [])
    with pytest.raises(UsageError, match="two places are named 'left'"):
        place_names((place, place))


def test_a_plan_that_asks_is_refused(run_shift: Make, orders: Make, place_fixture: Make, probe: Make) -> None:  # fmt: skip
    """A prompt step would stop the line: it is told before the port is opened."""
    place = place_fixture("left", [probe(1)], feed("CS-1"))
    plan = "plan: asks\nsteps:\n  - prompt: {text: ready}\n"
    with pytest.raises(UsageError, match="a station does not"):
        run_shift(orders(place, plan=plan))


def test_a_simulated_place_needs_a_feed(run_shift: Make, orders: Make, place_fixture: Make, probe: Make) -> None:  # fmt: skip
    """Nobody would ever put a unit in: it is told at once."""
    with pytest.raises(UsageError, match="nobody puts units"):
        run_shift(orders(place_fixture("left", [probe(1)], [])))
