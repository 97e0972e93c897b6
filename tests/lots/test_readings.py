"""Lots from journals and CSV files: what counts, and what is told."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from harness.errors import UsageError
from harness.lots.csv_rows import read_study
from harness.lots.lot import Lot, require_comparable
from harness.lots.readings import read_lot
from harness.results.ledger.lines import VALUE_COLUMNS

Write = Callable[..., Path]


def _check(
    rom: str,
    value: Any,  # noqa: ANN401 - whatever a journal may hold
    *,
    step: str = "1",
    outcome: str = "passed",
    evidence: dict[str, Any] | None = None,
    **measured: Any,  # noqa: ANN401
) -> dict[str, Any]:
    device = {"rom_code": rom, "family": 0x28, "socket": "A1"} if rom else None
    return {
        "event": "check_done",
        "step": step,
        "round": 1,
        "result": {
            "outcome": outcome,
            "device": device,
            "duration_s": 0.1,
            "measurements": [
                {"name": "temperature", "value": value, "unit": "degC", **measured}
            ],
            "evidence": evidence or {},
        },
    }


@pytest.fixture
def journal(tmp_path: Path) -> Write:
    """Write a journal of an invented run; later calls make later runs."""
    made: list[Path] = []

    def write(*events: dict[str, Any], folder: str = "") -> Path:
        number = len(made)
        start = {
            "event": "run_started",
            "format": 1,
            "run_id": f"run{number}",
            "steps": [
                {"step": "1", "kind": "read", "title": "read temperature"},
                {"step": "2", "kind": "read", "title": "read again"},
            ],
        }
        path = tmp_path / folder / f"r{number}" / "journal.jsonl"
        path.parent.mkdir(parents=True)
        lines = [
            json.dumps(
                {"at": f"2026-11-2{number}T10:00:{n:02}.000Z", "t_s": n, **event}
            )
            for n, event in enumerate([start, *events])
        ]
        path.write_text("\n".join(lines) + "\n", "ascii")
        made.append(path)
        return path

    return write


@pytest.fixture
def csv(tmp_path: Path) -> Write:
    """Write a CSV file."""

    def write(text: str, name: str = "values.csv") -> Path:
        path = tmp_path / name
        path.write_text(text, "utf-8")
        return path

    return write


def _lot(*paths: Path, quantity: str = "temperature", step: str = "") -> Lot:
    return read_lot(paths, quantity=quantity, name="lot", step=step)


def test_units_of_several_runs(journal: Write) -> None:
    """Devices of all journals make one lot, in the order of time and not of the files."""
    first = journal(_check("AA", 25.0), _check("BB", 25.5))
    second = journal(_check("CC", 26.0))
    lot = _lot(second, first)
    assert lot.values == {"AA": 25.0, "BB": 25.5, "CC": 26.0}
    assert lot.numbers == (25.0, 25.5, 26.0)
    assert lot.unit == "degC"


def test_repeats_are_no_more_units(journal: Write) -> None:
    """A unit read three times counts once, with its mean; the readings are kept."""
    lot = _lot(journal(_check("AA", 1.0), _check("AA", 2.0), _check("AA", 6.0)))
    assert lot.values == {"AA": 3.0}
    assert lot.readings_of("AA") == (1.0, 2.0, 6.0)
    assert lot.only_device == "AA"


def test_a_folder_holds_every_run_in_it(journal: Write, tmp_path: Path) -> None:
    """A folder stands for all journals below it."""
    for value in (1.0, 2.0):
        journal(_check(f"{value}", value), folder="april")
    assert len(_lot(tmp_path / "april").values) == 2


def test_failed_values_are_values(journal: Write) -> None:
    """What missed its limit belongs to the lot; what could not be measured does not."""
    bound = {"timing": {"temperature": {"bound": "at most"}}}
    lot = _lot(
        journal(
            _check("AA", 9.0, outcome="failed", low=2, high=6),
            _check("BB", 85.0, outcome="error"),
            _check("CC", 1.0, evidence=bound),
        )
    )
    assert lot.values == {"AA": 9.0}
    assert lot.invalid == 2
    assert lot.chosen_limits(None, None) == (2, 6)
    assert lot.chosen_limits(1.0, None) == (1.0, None)


def test_values_of_the_bus(journal: Write) -> None:
    """A value without a device belongs to the bus of its run."""
    lot = _lot(journal(_check("", 1.0)), journal(_check("", 2.0)))
    assert lot.values == {"bus of run run0": 1.0, "bus of run run1": 2.0}


def test_two_steps_are_not_thrown_together(journal: Write) -> None:
    """A quantity that two steps measured needs the step's number or title."""
    path = journal(_check("AA", 1.0), _check("AA", 2.0, step="2"))
    with pytest.raises(UsageError, match="different steps: 'read again', 'read temp"):
        _lot(path)
    assert _lot(path, step="2").values == {"AA": 2.0}
    assert _lot(path, step="read temperature").values == {"AA": 1.0}
    with pytest.raises(UsageError, match="did not measure temperature"):
        _lot(path, step="7")


@pytest.mark.parametrize(
    ("value", "said"),
    [
        (None, "temperature of AA is not a finite number"),
        ("warm", "temperature of AA is 'warm', not a number"),
        (True, "temperature of AA is True, not a number"),
    ],
)
def test_what_is_no_number(journal: Write, value: object, said: str) -> None:
    """A number without end (null in the journal), a text and a truth value are refused."""
    with pytest.raises(UsageError, match=said):
        _lot(journal(_check("AA", value)))


def test_unknown_quantity(journal: Write) -> None:
    """A misspelt name gets the nearest known one, another all that were measured."""
    path = journal(_check("AA", 1.0))
    with pytest.raises(UsageError, match=r"did you mean temperature\?"):
        _lot(path, quantity="temprature")
    with pytest.raises(UsageError, match="measured were: temperature"):
        _lot(path, quantity="humidity")
    with pytest.raises(UsageError, match="measured were: nothing"):
        _lot(journal())


def test_only_void_readings(journal: Write) -> None:
    """A lot whose every reading is invalid says so instead of calling the name unknown."""
    with pytest.raises(UsageError, match="1 are invalid"):
        _lot(journal(_check("AA", 1.0, outcome="error")))


def test_mixed_units(journal: Write, csv: Write) -> None:
    """Degrees of two kinds are not averaged, within a lot or between lots."""
    celsius = journal(_check("AA", 1.0))
    kelvin = csv("device,value,unit\nBB,274,K\n")
    with pytest.raises(UsageError, match="different units: 'K', 'degC'"):
        _lot(celsius, kelvin)
    with pytest.raises(UsageError, match="different units"):
        require_comparable(_lot(celsius), _lot(kelvin))


def test_a_unit_belongs_to_one_lot(journal: Write) -> None:
    """The same device in both lots is told, for the files were probably confused."""
    lot = _lot(journal(_check("AA", 1.0)))
    with pytest.raises(UsageError, match="hold the same units: 1, AA among them"):
        require_comparable(lot, lot)


def test_different_limits(journal: Write) -> None:
    """Readings judged by different limits need limits from the command line."""
    lot = _lot(
        journal(_check("AA", 1.0, low=0, high=2), _check("BB", 1.0, low=0, high=3))
    )
    with pytest.raises(UsageError, match="different limits"):
        lot.chosen_limits(None, None)
    assert lot.chosen_limits(0.0, 2.0) == (0.0, 2.0)


def test_leaving_out(journal: Write) -> None:
    """A device left out takes its readings along; one that is not there is told."""
    lot = _lot(journal(_check("AA", 1.0), _check("BB", 2.0)))
    less = lot.without(["AA"])
    assert less.numbers == (2.0,)
    assert less.readings_of("") == (2.0,)
    with pytest.raises(UsageError, match="no device CC"):
        lot.without(["CC"])
    with pytest.raises(UsageError, match="no device 'CC'"):
        lot.readings_of("CC")
    with pytest.raises(UsageError, match="readings of 2 devices"):
        _ = lot.only_device


# -- CSV -----------------------------------------------------------------------------


def test_csv_with_several_quantities(csv: Write) -> None:
    """Only rows of the quantity count; a mark of byte order and blanks do no harm."""
    path = csv(
        "\ufeffdevice,quantity,value,unit\nAA,temperature, 25.5 ,degC\n"
        "AA,rise_time,1.2,us\n"
    )
    lot = _lot(path)
    assert lot.values == {"AA": 25.5}
    assert lot.unit == "degC"


def test_an_export_of_the_ledger_is_a_lot(csv: Write) -> None:
    """Limits, steps and invalid readings as from the journals themselves."""
    head = ",".join(VALUE_COLUMNS)
    rows = [
        "2026-03-01,CS-1,7,AA,6 read temperature,temperature,21.1,degC,20.5,21.5,passed,r1",
        "2026-03-01,CS-1,7,AA,7 read again,temperature,30.0,degC,20.5,21.5,failed,r1",
        "2026-03-01,CS-1,7,bus of run r1,1 reset,presence_seen,10,resets,10,10,passed,r1",
        "2026-03-02,CS-2,7,BB,6 read temperature,temperature,20.9,degC,20.5,21.5,passed,r2",
        "2026-03-03,CS-3,7,CC,6 read temperature,temperature,,degC,20.5,21.5,error,r3",
    ]
    path = csv("\n".join([head, *rows[:4], ""]))
    for step in ("read temperature", "6", "6 read temperature"):
        lot = _lot(path, step=step)
        assert lot.values == {"AA": 21.1, "BB": 20.9}
        assert lot.chosen_limits(None, None) == (20.5, 21.5)
    with pytest.raises(UsageError, match="different steps"):
        _lot(path)
    void = rows[4].replace("temperature,,", "temperature,nan,")
    assert _lot(csv("\n".join([head, *rows[:4], void])), step="6").invalid == 1


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", r"values\.csv:1: there is no column 'device'"),
        ("device,reading\nAA,1\n", r"values\.csv:1: there is no column 'value'"),
        ("device,value\nAA,nan\n", r"values\.csv:2: 'nan' is no number"),
        ("device,value\nAA,1\nBB,1e999\n", r"values\.csv:3: '1e999' is no number"),
        (
            "device,value\nAA,25,61\n",
            r"values\.csv:2: this row has 3 fields, the head names 2: '61' stands behind the last column, 'value'",
        ),
        (
            "device,value\nAA,1\nBB,x\n",
            r"values\.csv:3: 'x' is no number, in column 'value'",
        ),
        ("device,value\nAA,2_0.5\n", r"values\.csv:2: '2_0\.5' is no number"),
        ("device,value\nAA,inf\n", r"values\.csv:2: 'inf' is no number"),
        ("device,value\nAA,\u0661\u0662\n", r"values\.csv:2: '\S+' is no number"),
        ("device,value\nAA,0x1p3\n", r"values\.csv:2: '0x1p3' is no number"),
        ('device,value\nAA,"25,61"\n', r"values\.csv:2: '25,61' is no number"),
        (
            'device,value\nAA,1\nBB,"2\n',
            r"values\.csv:3: the file cannot be read: unexpected end",
        ),
        ("device;value\nAA;25,61;3\n", r"values\.csv:2: this row has 3 fields"),
        (
            "device;value\nAA;25,61\nBB;25.7\n",
            r"values\.csv:3: the file has '25\.7' with a decimal point and '25,61' with",
        ),
        ("device;value\nAA;1.025,61\n", r"values\.csv:2: '1\.025,61' is no number"),
        (
            "device,value,value\nAA,1,2\n",
            r"values\.csv:1: column 'value' is there twice",
        ),
        (
            "device,value,low\nAA,1,nan\n",
            r"values\.csv:2: 'nan' is no number, in column 'low'",
        ),
        ("device,value\nAA,\n", r"values\.csv:2: a field of this row is empty"),
        ("device,value\nAA\n", r"values\.csv:2: a field of this row is empty"),
        ("device,value\n", "lot has no quantity"),
    ],
)
def test_csv_mistakes(csv: Write, text: str, said: str) -> None:
    """Each mistake is told with its line."""
    with pytest.raises(UsageError, match=said):
        _lot(csv(text))


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("device;value\nAA;25,61\n", 25.61),
        ("device;value\nAA;25.61\n", 25.61),
        ("device\tvalue\nAA\t-25,61\n", -25.61),
        ("device;value;unit\nAA;1,5e-3;V\n", 0.0015),
        ("device,value\nAA,1.5E+02\n", 150.0),
        ("device,value\nAA,+.5\n", 0.5),
        ("device,value\nAA,5.,\n", 5.0),
    ],
)
def test_csv_numbers(csv: Write, text: str, value: float) -> None:
    """Decimal commas in lists with semicolons or tabs; exponents; empty fields at the end."""
    assert _lot(csv(text)).values == {"AA": value}


def test_csv_void_rows_may_be_empty(csv: Write) -> None:
    """A row that the harness could not measure needs no value; its device is named."""
    lot = _lot(csv("device,value,outcome\nAA,1,passed\nBB,,error\nAA,,error\n"))
    assert (lot.invalid, lot.without_value) == (2, ("BB",))
    assert lot.values == {"AA": 1.0}


def test_a_mean_hides_no_reading(csv: Write) -> None:
    """A device whose mean lies inside and one reading outside is outside, with that reading."""
    lot = _lot(csv("device,value\nAA,24\nAA,24\nAA,27.9\nBB,25\n"))
    assert lot.values["AA"] == pytest.approx(25.3)
    assert lot.outside(None, 26.0) == {"AA": 27.9}
    assert lot.outside(24.5, 28.0) == {"AA": 24.0}
    assert lot.outside(None, None) == {}


def test_files_that_cannot_be_read(csv: Write, tmp_path: Path) -> None:
    """Bytes that are no text, a file that is not there and an empty folder are told."""
    path = csv("")
    path.write_bytes(b"device,value\n\xff\xfe,1\n")
    with pytest.raises(UsageError, match="cannot be read"):
        _lot(path)
    for name in ("none.csv", "none.jsonl"):
        with pytest.raises(UsageError, match="cannot be read"):
            _lot(tmp_path / name)
    (tmp_path / "empty").mkdir()
    with pytest.raises(UsageError, match="no journal in this folder"):
        _lot(tmp_path / "empty")


def test_study_file(csv: Write) -> None:
    """A gauge study has a part, a station and a value a row."""
    (reading,) = read_study(csv("station,part,value\nA1,7,0.5\n"))
    assert (reading.part, reading.station, reading.value) == ("7", "A1", 0.5)


def test_lines_for_people_above_the_columns(tmp_path: Path) -> None:
    """Lines that begin with # are passed over, and mistakes below keep their line."""
    path = tmp_path / "x.csv"
    path.write_text("# INVENTED\n# twice\ndevice,value\nA,1\nB,two\n", "utf-8")
    with pytest.raises(UsageError) as refused:
        _lot(path, quantity="t")
    assert f"{path}:5" in str(refused.value)
    path.write_text("# INVENTED\nname,value\nA,1\n", "utf-8")
    with pytest.raises(UsageError) as refused:
        _lot(path, quantity="t")
    assert f"{path}:2" in str(refused.value)


def test_a_bound_of_an_export_is_no_value(csv: Write) -> None:
    """A text such as at most 0.718 is counted and left out, as from the journal itself."""
    lot = _lot(csv("device,value\nA,0.7\nB,at most 0.718\nC,at least 3\n"))
    assert (dict(lot.values), lot.invalid) == ({"A": 0.7}, 2)
