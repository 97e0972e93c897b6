"""Numbers of a range: each given out once, through kills, full disks and absent ledgers."""

from __future__ import annotations

import json
import os
import random
import signal
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import text

from harness.errors import HostError, UsageError
from harness.plans.schema.unit import NumberRange
from harness.results.ledger.engine import LedgerAway
from harness.results.ledger.ledger import Ledger
from harness.results.ledger.numbers import BlockWanted, take_block
from harness.station.numbers import FILE_NAME, UnitNumbers

RULES = NumberRange(name="boards", first=1000, last=9999, block=7)
Make = Callable[..., UnitNumbers]


@pytest.fixture
def numbers(tmp_path: Path) -> Iterator[Make]:
    """Open the numbers of a shift on one ledger."""
    opened: list[Ledger] = []

    def make(folder: str = "a", rules: NumberRange = RULES, **more: Any) -> UnitNumbers:  # noqa: ANN401
        (tmp_path / folder).mkdir(exist_ok=True)
        ledger = more.pop("ledger", None) or Ledger(tmp_path / "ledger.sqlite")
        opened.append(ledger)
        given = {"station": folder, "rehearsal": False, **more}
        return UnitNumbers(rules, tmp_path / folder, ledger, **given)

    yield make
    for ledger in opened:
        ledger.close()


def test_numbers_follow_each_other_and_stay_with_their_unit(numbers: Make) -> None:
    """A unit that comes again has its number; others have others."""
    shift = numbers()
    assert [shift.draw(f"u{n}") for n in range(10)] == list(range(1000, 1010))
    assert shift.draw("u3") == 1003
    assert numbers().draw("u3") == 1003  # taken up again


def test_two_stations_share_a_range(numbers: Make, ledger: Ledger) -> None:
    """Blocks never overlap; on a file and on a server."""
    left, right = numbers("left", ledger=ledger), numbers("right", ledger=ledger)
    stations = {"l": left, "r": right}
    drawn = [s.draw(f"{at}{n}") for n in range(40) for at, s in stations.items()]
    assert len(set(drawn)) == 80


def test_a_number_of_which_a_bit_was_sent_is_never_given_again(numbers: Make) -> None:
    """``give-back`` frees what nobody saw, and nothing else."""
    shift = numbers(rules=RULES.model_copy(update={"failed": "give-back"}))
    first, second = shift.draw("u1"), shift.draw("u2")
    shift.sent("u1")
    for unit in ("u1", "u2"):
        shift.failed(unit)
    assert shift.draw("u3") == second
    assert shift.draw("u1") == first  # its own, written into it perhaps


def test_a_failed_unit_keeps_its_number_by_default(numbers: Make) -> None:
    """``keep`` frees nothing."""
    shift = numbers()
    mine = shift.draw("u1")
    shift.failed("u1")
    assert shift.draw("u2") != mine


def test_what_is_left_goes_back_to_the_ledger(numbers: Make) -> None:
    """The next shift begins with it."""
    shift = numbers("a")
    shift.draw("u1")
    shift.close()
    after = numbers("b")
    assert [after.draw(f"v{n}") for n in range(7)] == list(range(1001, 1008))


def test_a_rehearsal_has_a_range_of_its_own(numbers: Make) -> None:
    """Whatever ledger it is given."""
    rehearsed, real = numbers("a", rehearsal=True), numbers("b")
    assert rehearsed.draw("u1") == real.draw("u1") == 1000
    assert real.draw("u2") == 1001


def test_the_range_comes_to_its_end(numbers: Make) -> None:
    """One clear sentence, and no number beyond."""
    shift = numbers(rules=NumberRange(name="few", first=5, last=6))
    assert [shift.draw("a"), shift.draw("b")] == [5, 6]
    with pytest.raises(UsageError, match="from 5 to 6 is used up"):
        shift.draw("c")


def test_a_ledger_that_is_away(numbers: Make, monkeypatch: pytest.MonkeyPatch) -> None:
    """The block in hand lasts; then nothing is given out."""
    shift = numbers()
    shift.draw("u0")

    def away(*_: object) -> list[int]:
        raise LedgerAway("the ledger takes nothing now")

    monkeypatch.setattr("harness.station.numbers.take_block", away)
    assert [shift.draw(f"u{n}") for n in range(1, 7)] == list(range(1001, 1007))
    with pytest.raises(LedgerAway):
        shift.draw("u7")


def test_a_full_disk_gives_out_nothing(
    numbers: Make, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What cannot be noted is not given, and not sent."""
    shift = numbers()
    shift.draw("u0")

    def full(_handle: int) -> None:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as disk:
        disk.setattr(os, "fsync", full)
        with pytest.raises(HostError, match="No space left"):
            shift.draw("u1")
        with pytest.raises(HostError):
            shift.sent("u0")
    taken = (
        numbers()
    )  # as after a restart: what stands in the file is never given twice
    again = [taken.draw(f"w{n}") for n in range(20)]
    assert len(set(again)) == 20
    assert 1000 not in again
    assert (tmp_path / "a" / FILE_NAME).exists()


def test_a_unit_keeps_its_number_in_another_shift(
    numbers: Make, ledger: Ledger
) -> None:
    """On any station with the same ledger, through a shift that is over or not."""
    give_back = RULES.model_copy(update={"failed": "give-back"})
    first = numbers("a", ledger=ledger)
    mine, other = first.draw("u1"), first.draw("u2")
    first.sent("u1")
    second = numbers("b", give_back, ledger=ledger)
    assert second.draw("u1") == mine
    second.failed("u1")  # a bit of it was sent, perhaps in the other shift
    assert second.draw("u3") not in {mine, other}
    assert numbers("b", give_back, ledger=ledger).draw("u1") == mine
    first.close()
    assert numbers("c", ledger=ledger).draw("u2") == other


def test_a_number_given_back_is_the_units_no_more(
    numbers: Make, ledger: Ledger
) -> None:
    """The next unit has it; the first one gets another in another shift."""
    rules = RULES.model_copy(update={"failed": "give-back"})
    shift = numbers("a", rules, ledger=ledger)
    freed = shift.draw("u1")
    shift.failed("u1")
    assert shift.draw("u2") == freed
    assert numbers("b", rules, ledger=ledger).draw("u1") != freed


def test_while_the_ledger_is_away_nothing_is_given_back(
    numbers: Make, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Else it would still say that the number is the first unit's."""
    rules = RULES.model_copy(update={"failed": "give-back"})
    shift = numbers("a", rules)
    mine = shift.draw("u1")

    def away(*_: object) -> None:
        raise LedgerAway("the ledger takes nothing now")

    with monkeypatch.context() as gone:
        for name in ("forget_holder", "note_holder", "number_held"):
            gone.setattr(f"harness.station.numbers.{name}", away)
        shift.failed("u1")
        late = shift.draw("u2")
        assert late != mine
    assert numbers("b", rules).draw("u2") != late  # nobody could know: two, none twice
    assert shift.draw("u3") not in {mine, late}  # and u2 is noted now
    assert numbers("c", rules).draw("u1") == mine


class Gone:
    """A ledger that can be taken away from one station."""

    def __init__(self) -> None:
        self.is_away = False

    def __call__(self) -> bool:
        return self.is_away


def test_a_unit_that_two_stations_saw_while_the_ledger_was_away(
    numbers: Make, ledger: Ledger
) -> None:
    """It carries one number, the ledger comes to know which, and the operator is told."""
    gone, said = Gone(), list[str]()
    left = numbers("left", ledger=ledger)
    right = numbers("right", ledger=ledger, is_away=gone, say=said.append)
    right.draw("u0")  # a block in hand
    first = left.draw("u1")  # and fails there before its record
    gone.is_away = True
    second = right.draw("u1")
    assert second != first
    right.sent("u1")  # to a device that holds no record
    gone.is_away = False
    right.draw("u2")
    (line,) = said
    assert f"u1 carries number {second}" in line
    assert f"{first}, which the ledger had for it, is on no device" in line
    assert numbers("third", ledger=ledger).draw("u1") == second
    with pytest.raises(UsageError, match=f"gave unit u1 the number {second}"):
        left.sent("u1", over=True)
    assert left.draw("u1") == second


def test_a_record_is_not_written_over_while_the_ledger_is_away(
    numbers: Make, ledger: Ledger
) -> None:
    """Whose number stands there cannot be asked: refused with a line, then settled."""
    gone = Gone()
    left = numbers("left", ledger=ledger)
    right = numbers("right", ledger=ledger, is_away=gone)
    right.draw("u0")
    first = left.draw("u1")
    left.sent("u1")
    gone.is_away = True
    second = right.draw("u1")
    with pytest.raises(LedgerAway, match="whether unit u1 has a number already"):
        right.sent("u1", over=True)
    gone.is_away = False
    with pytest.raises(UsageError, match=f"gave unit u1 the number {first}"):
        right.sent("u1", over=True)
    assert right.draw("u1") == first
    right.sent("u1", over=True)
    assert right.draw("u9") == second  # no bit of it was sent


def test_a_ledger_that_comes_back_between_plan_and_record(
    numbers: Make, ledger: Ledger
) -> None:
    """The plan is made with a number that is not the unit's: no bit of it goes out."""
    gone = Gone()
    left = numbers("left", ledger=ledger)
    right = numbers("right", ledger=ledger, is_away=gone)
    right.draw("u0")
    first = left.draw("u1")
    gone.is_away = True
    right.draw("u1")
    gone.is_away = False
    right.draw("u2")  # notes holders, and leaves a unit in hand alone
    with pytest.raises(UsageError, match=f"it keeps {first}"):
        right.sent("u1")
    assert right.draw("u1") == first


def test_a_unit_without_serial_number_has_no_number(numbers: Make) -> None:
    """All of them would share one."""
    with pytest.raises(UsageError, match="without a serial number"):
        numbers().draw("")


UNITS, KILLS = 500, 50


@pytest.mark.unix
@pytest.mark.slow
def test_two_stations_500_units_50_kills(tmp_path: Path) -> None:
    """No number twice, none lost without a line that says so.

    Each station is a process that kills itself at a drawn write, before, in or after it;
    the last line is cut at random too.
    """
    chance = random.Random(91)
    written: dict[int, str] = {}
    for kill in range(KILLS + 1):
        for name in ("left", "right"):
            last = kill == KILLS
            _station(tmp_path, name, None if last else chance.randrange(2, 45), chance)
    for name in ("left", "right"):
        for line in (tmp_path / f"{name}.units").read_text("utf-8").splitlines():
            unit, number = line.split()
            assert written.setdefault(int(number), unit) == unit
    assert len(written) == 2 * UNITS
    accounted: set[int] = set()
    for name in ("left", "right"):
        for said in (tmp_path / name / FILE_NAME).read_bytes().splitlines():
            if _whole(said):
                accounted |= set(json.loads(said).get("block", ()))
    with Ledger(tmp_path / "ledger.sqlite") as ledger, ledger.transaction() as rows:
        blocks = rows.execute(text('SELECT "first", "last", folder FROM number_block'))
        listed = {n for first, end, _ in blocks for n in range(first, end + 1)}
    assert accounted <= listed
    assert set(written) <= listed


def _whole(line: bytes) -> bool:
    try:
        json.loads(line)
    except ValueError:
        return False
    return True


def _station(
    folder: Path, name: str, writes: int | None, chance: random.Random
) -> None:
    """Units one after the other until the kill, or to the end."""
    done = folder / f"{name}.units"
    before, cut = chance.random() < 0.5, chance.random() < 0.3
    child = os.fork()
    if child:
        os.waitpid(child, 0)
        if cut and writes:  # as if the kill had come in the middle of a line
            with (folder / name / FILE_NAME).open("ab") as file:
                file.write(b'{"given": 10')
        return
    try:
        _work(folder, name, writes, done, before=before)
    finally:
        os._exit(0)


def _work(
    folder: Path, name: str, writes: int | None, done: Path, *, before: bool
) -> None:
    sync, left = os.fsync, [writes or -1]

    def counted(handle: int) -> None:
        left[0] -= 1
        if left[0] == 0 and before:
            os.kill(os.getpid(), signal.SIGKILL)
        sync(handle)
        if left[0] == 0:
            os.kill(os.getpid(), signal.SIGKILL)

    os.fsync = counted  # type: ignore[assignment]
    (folder / name).mkdir(exist_ok=True)
    with Ledger(folder / "ledger.sqlite", wait_s=10) as ledger:
        shift = UnitNumbers(RULES, folder / name, ledger, station=name, rehearsal=False)
        finished = len(done.read_bytes().splitlines()) if done.exists() else 0
        for n in range(finished, UNITS):
            unit = f"{name}-{n}"
            number = shift.draw(unit)
            shift.sent(unit)
            with done.open("ab", buffering=0) as file:
                file.write(f"{unit} {number}\n".encode())


def test_blocks_at_the_same_moment(ledger: Ledger) -> None:
    """What one took the other does not get."""
    wanted = BlockWanted(
        name="r", first=1, last=10, size=4, station="s", folder="f", at="now"
    )
    got = [take_block(ledger, wanted) for _ in range(4)]
    assert got == [[1, 2, 3, 4], [5, 6, 7, 8], [9, 10], []]
