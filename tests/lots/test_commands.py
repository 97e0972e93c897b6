"""`slotproof lot`: tables, verdict sentences, exit codes, what is left behind."""

from __future__ import annotations

import os
import re
import statistics
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

from harness import cli
from harness.cli import app
from tests.page_reader import read

Said = Callable[..., "Output"]
Write = Callable[..., Path]


@dataclass(frozen=True, kw_only=True)
class Output:
    """Exit code and output of a command."""

    code: int
    out: str
    err: str


@pytest.fixture
def lot(
    monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str], tmp_path: Path
) -> Said:
    """Run a lot command in a folder of its own, in this process."""
    monkeypatch.chdir(tmp_path)

    def run(*arguments: object) -> Output:
        monkeypatch.setattr("sys.argv", ["slotproof", "lot", *map(str, arguments)])
        with pytest.raises(SystemExit) as ended:
            cli.main()
        said = capfd.readouterr()
        assert isinstance(ended.value.code, int)
        return Output(code=ended.value.code, out=said.out, err=said.err)

    return run


@pytest.fixture
def values(tmp_path: Path) -> Write:
    """Write an invented lot of 41 units, evenly spread over a normal curve."""
    normal = statistics.NormalDist()

    def write(
        name: str, *, mean: float, deviation: float = 0.1, extra: str = ""
    ) -> Path:
        rows = [
            f"{name}{n:02},temperature,{mean + deviation * normal.inv_cdf((n + 1) / 42):.5f},degC"
            for n in range(41)
        ]
        path = tmp_path / f"{name}.csv"
        path.write_text(
            "\n".join(["device,quantity,value,unit", *rows, extra]) + "\n", "utf-8"
        )
        return path

    return write


def _lines(said: Output) -> list[str]:
    return [line.strip() for line in said.out.splitlines()]


@pytest.mark.slow
@pytest.mark.parametrize(
    ("mean", "code", "said"),
    [
        (25.02, 0, "candidate is as good as the baseline in the mean of temperature"),
        (
            25.08,
            1,
            "candidate is not decided by these units in the mean of temperature",
        ),
        (
            25.30,
            1,
            "candidate is not as good as the baseline in the mean of temperature",
        ),
    ],
)
def test_compare(lot: Said, values: Write, mean: float, code: int, said: str) -> None:
    """Table, sentence and exit code for a good, an undecided and a bad lot; table kept as a file."""
    old, new = values("old", mean=25.0), values("new", mean=mean)
    found = lot(
        "compare", "--baseline", old, "--candidate", new, "-q", "temperature",
        "--margin", 0.1,
    )  # fmt: skip
    assert found.code == code, found.err
    assert any(line.startswith(said) for line in _lines(found))
    (folder,) = Path("results").glob("*-lot-compare_temperature")
    assert f"results: {folder}" in found.out
    assert said in (folder / "lot.txt").read_text("utf-8")
    kept = {p.name for p in folder.iterdir()}
    pictures = {name.removesuffix(".svg") for name in kept if name.endswith(".svg")}
    assert pictures
    assert kept == {"lot.txt", "lot.html"} | {
        f"{name}.{form}" for name in pictures for form in ("png", "svg")
    }


@pytest.mark.slow
def test_a_bad_unit_is_named_and_may_be_left_out(lot: Said, values: Write) -> None:
    """A gross value fails the lot by name; left out by name the lot passes."""
    old = values("old", mean=25.0)
    new = values("new", mean=25.0, extra="bad-one,temperature,27.5,degC")
    command = (
        "compare", "--baseline", old, "--candidate", new, "-q", "temperature",
        "--margin", 0.1, "--low", 24, "--high", 26,
    )  # fmt: skip
    found = lot(*command)
    assert found.code == 1
    assert "candidate: bad-one 27.5 degC is outside the limits" in found.out
    assert "candidate: bad-one 27.5 degC is an outlier" in found.out
    without = lot(*command, "--leave-out", "bad-one")
    assert without.code == 0
    assert "candidate: left out as asked: 1 unit (bad-one)." in without.out
    misspelt = lot(*command, "--leave-out", "bad-on")
    assert misspelt.code == 2
    assert "no lot has a device 'bad-on'" in misspelt.err


@pytest.fixture
def earlier(tmp_path: Path) -> list[Path]:
    """Three invented earlier lots of 1500 normal units, each with its own mean."""
    paths = []
    for lot_number in range(3):
        made = np.random.default_rng([7, lot_number]).normal(25 + lot_number, 0.1, 1500)
        rows = [
            f"e{lot_number}-{n},temperature,{v:.5f},degC" for n, v in enumerate(made)
        ]
        paths.append(tmp_path / f"earlier{lot_number}.csv")
        text = "\n".join(["device,quantity,value,unit", *rows])
        paths[-1].write_text(text, "utf-8")
    return paths


@pytest.mark.slow
def test_capability(lot: Said, values: Write, earlier: list[Path]) -> None:
    """Few units prove nothing alone, whatever they look like; earlier lots state the shape."""
    path = values("lot", mean=25.0)
    wide = (
        "capability", path, "-q", "temperature", "--low", 24, "--high", 26,
        "--uncertainty", 0.05, "--in-order", "--target", 25,
    )  # fmt: skip
    alone = lot(*wide)
    assert alone.code == 1
    for word in ("Pp ", "Ppk ", "Ppm ", "Cp ", "Cpk ", "Ppk 1.33 is not proved",
                 "41 values do not show the tails of a lot",
                 "2296 units of this lot; or --history with 2809 values",
                 "if it is one, Ppk is at least", "That is no proof", "X99.865",
                 "guard band of 0.0415", "20.0 times as wide as the uncertainty",
                 "(0 of 41 were)", "takes 93 units, 41 are here"):  # fmt: skip
        assert word in alone.out
    history = [word for path in earlier for word in ("--history", path)]
    shown = lot(*wide, *history)
    assert shown.code == 0, shown.out
    assert (
        "which proves 1.33: for a normal lot, the shape that its earlier" in shown.out
    )
    assert "It rests on 4500 values of earlier lots" in shown.out
    assert "normal, as its earlier lots are, 95 % of such units are at" in shown.out
    surer = lot(*wide, *history, "--confidence", 0.99)
    assert "At 99 % confidence Ppk is at least" in surer.out
    assert "At 99 % confidence Ppk is at least" not in shown.out
    narrow = lot(
        "capability", path, "-q", "temperature", "--low", 24.7, "--high", 25.3, *history
    )
    assert narrow.code == 1
    assert "which does not prove 1.33" in narrow.out


@pytest.mark.slow
def test_capability_of_a_lot_large_enough(lot: Said, earlier: list[Path]) -> None:
    """With 4,500 units of its own a lot needs no history; one side of an interval is open."""
    limits = ("--low", 20, "--high", 32)
    found = lot("capability", *earlier, "-q", "temperature", *limits, "--side", "below")
    assert found.code == 0
    assert "which proves 1.33: for a distribution of any shape." in found.out
    assert "whatever the shape, 95 % of such units are at most 27." in found.out


@pytest.mark.slow
def test_capability_of_coarse_readings(lot: Said, tmp_path: Path) -> None:
    """Readings in two steps have no capability, and the reason is said."""
    rows = "\n".join(f"u{n},{n % 2}" for n in range(20))
    (tmp_path / "x.csv").write_text(f"device,value\n{rows}\n", "utf-8")
    found = lot("capability", "x.csv", "-q", "flag", "--high", 3)
    assert found.code == 1
    assert "capability cannot be determined: only 2 different values" in found.out
    assert "No tolerance interval of a normal lot" in found.out


@pytest.mark.slow
def test_equal_values(lot: Said, tmp_path: Path) -> None:
    """Equal readings make neither a capability nor a tolerance interval, and no crash."""
    rows = "\n".join(f"u{n},1" for n in range(20))
    (tmp_path / "x.csv").write_text(f"device,value\n{rows}\n", "utf-8")
    found = lot("capability", "x.csv", "-q", "flag", "--high", 3)
    assert found.code == 1
    assert "Ppk 1.33 is not proved: only 1 different value" in found.out
    assert "No tolerance interval of a normal lot" in found.out


@pytest.mark.slow
def test_compare_says_what_was_not_judged(lot: Said, values: Write) -> None:
    """Without a spread margin the answer is about the mean; with one about both."""
    old, new = values("old", mean=25.0), values("new", mean=25.02)
    command = (
        "compare", "--baseline", old, "--candidate", new, "-q", "temperature",
        "--margin", 0.1,
    )  # fmt: skip
    mean = lot(*command)
    assert mean.code == 0
    assert "baseline in the mean of temperature" in mean.out
    assert "Not judged: the spread, for want of --spread-margin" in mean.out
    both = lot(*command, "--spread-margin", 2)
    assert both.code == 0
    assert "baseline in the mean and spread of temperature" in both.out
    assert "Not judged: limits of each unit, for there are none, the shape" in both.out
    assert lot(*command, "--spread-margin", 2, "--confidence", 0.9999).code == 1


@pytest.mark.slow
def test_chart(lot: Said, tmp_path: Path) -> None:
    """A shift after the baseline is signalled with place and rule; one device can be chosen."""
    rows = [f"A,{25 + 0.1 * (n * 7 % 5)}" for n in range(30)]
    rows += [f"B,{27 + 0.1 * (n * 7 % 5)}" for n in range(2)]
    (tmp_path / "x.csv").write_text("\n".join(["device,value", *rows]) + "\n", "utf-8")
    shifted = lot("chart", "x.csv", "-q", "t")
    assert shifted.code == 1
    assert "1 point beyond 3 sigma" in shifted.out
    assert "western-electric" in shifted.out
    assert "more signals, or points farther out, than chance gives" in shifted.out
    steady = lot("chart", "x.csv", "-q", "t", "--device", "A")
    assert steady.code == 0
    assert "no signal, which is no more than chance gives" in steady.out
    assert "are rough" not in steady.out
    assert "are rough" in lot("chart", "x.csv", "-q", "t", "--baseline", 10).out
    assert list(Path("results").glob("*-lot-chart_t/chart.svg"))
    wrong = lot("chart", "x.csv", "-q", "t", "--rules", "mine")
    assert wrong.code == 2
    assert "use beyond-limits or western-electric or nelson" in wrong.err


@pytest.mark.slow
def test_chart_of_a_sensor_that_drifts(lot: Said, tmp_path: Path) -> None:
    """Readings that follow each other are told to be alike, for they raise false alarms."""
    rows = [f"A,{25 + 0.1 * min(n % 20, 20 - n % 20) + 0.001 * n}" for n in range(40)]
    (tmp_path / "x.csv").write_text("\n".join(["device,value", *rows]) + "\n", "utf-8")
    assert (
        "Neighbours are alike (correlation 0." in lot("chart", "x.csv", "-q", "t").out
    )


@pytest.mark.slow
def test_sample(lot: Said) -> None:
    """Plan first, verdict afterwards; a cell from memory says so."""
    plan = lot("sample", "--size", 2000, "--aql", 0.65)
    assert plan.code == 0
    assert "sample size 125, drawn at random of 2000 units" in plan.out
    assert "accept the lot with up to 2 bad, reject it from 3 on" in plan.out
    assert "from memory" not in plan.out
    assert list(Path("results").glob("*-lot-sample_2000/oc-curve.svg"))
    after = ("sample", "--size", 2000, "--aql", 0.65, "--tested", 125, "--bad")
    assert "the lot is accepted" in lot(*after, 2).out
    rejected = lot(*after, 3)
    assert rejected.code == 1
    assert "3 bad of 125 tested: the lot is rejected" in rejected.out
    reduced = lot("sample", "--size", 2000, "--aql", 0.65, "--severity", "reduced")
    assert "from memory: compare with your own copy" in reduced.out
    assert "up to 1 bad, reject it from 2 on" in reduced.out
    older = lot("sample", "--size", 2000, "--aql", 0.65, "--severity", "reduced",
                "--standard", "mil-std-105e")  # fmt: skip
    assert "up to 1 bad, reject it from 3 on" in older.out


def test_sample_with_zero_acceptance(lot: Said) -> None:
    """One bad unit rejects; what that rules out is said, exactly for the lot's size."""
    found = lot("sample", "--size", 500, "--limit", 2, "--tested", 102, "--bad", 0)
    assert found.code == 0
    for text in ("sample size 102, drawn at random of 500 units", "accept the lot with up to 0 bad",
                 "a lot with 2 % bad units or more is accepted with a chance of 9.98 % at most",
                 "0 bad of 102 tested: the lot is accepted"):  # fmt: skip
        assert text in found.out
    assert (
        lot("sample", "--size", 500, "--limit", 2, "--tested", 5, "--bad", 1).code == 1
    )
    same_tail = lot("sample", "--size", 500, "--aql", 1, "--accept-zero")
    assert "sample size 29," in same_tail.out
    assert "give either --aql or --limit" in lot("sample", "--size", 500).err


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("sample", "--size", 100, "--aql", 0.7), "the tables have no AQL 0.7"),
        (("sample", "--size", 100, "--aql", 1, "--severity", "x"), "no kind of insp"),
        (("sample", "--size", 100, "--aql", 1, "--bad", 1), "--tested and --bad"),
        (("claim",), "give --rate before a run, --trials after it"),
        (("claim", "--rate", 2), "rate is 2 and must lie between"),
        (("need", "--margin", 0.1, "--standard-deviation", 0), "deviation is 0"),
        (("gauge", "none.csv"), "cannot be read"),
    ],
)
def test_wrong_use(lot: Said, arguments: tuple[object, ...], said: str) -> None:
    """What cannot be answered is exit code 2 with one sentence."""
    found = lot(*arguments)
    assert found.code == 2
    assert said in found.err
    assert "Traceback" not in found.err


def test_a_tiny_lot_is_tested_whole(lot: Said) -> None:
    """Without a sample there is no curve."""
    found = lot("sample", "--size", 10, "--aql", 0.65)
    assert "every unit is tested" in found.out
    assert list(Path("results").glob("*-lot-sample_10/lot.html"))
    assert not list(Path("results").glob("*-lot-sample_10/oc-curve.svg"))


def test_no_answer_is_overwritten(lot: Said) -> None:
    """Each command leaves a dated answer of its own; a folder that holds one is refused."""
    for _ in range(3):
        lot("claim", "--trials", 100)
    answers = list(Path("results").glob("[0-9]*-lot-claim*/lot.txt"))
    assert len(answers) == 3
    text = answers[0].read_text("utf-8")
    assert re.search(
        r"^made at: \d{4}-\d\d-\d\d \d\d:\d\d:\d\d UTC$", text, re.MULTILINE
    )
    assert "trials: 100" in text
    assert (
        lot("need", "--margin", 0.1, "--standard-deviation", 0.1, "--into", "here").code
        == 0
    )
    before = Path("here/lot.txt").read_bytes()
    again = lot("claim", "--trials", 100, "--into", "here")
    assert again.code == 2
    assert "here: the folder holds the answer of a lot command already" in again.err
    assert Path("here/lot.txt").read_bytes() == before


def test_what_does_not_count_stands_in_the_verdict_box(
    lot: Said, tmp_path: Path
) -> None:
    """Units left out and units without a value, beside the verdict on the page."""
    rows = [f"u{n},{25 + 0.01 * (n * 7 % 13)},passed" for n in range(40)]
    rows += ["u39,28,failed", "gone,,error", "u3,,error"]
    (tmp_path / "x.csv").write_text(
        "\n".join(["device,value,outcome", *rows, ""]), "utf-8"
    )
    said = lot("capability", "x.csv", "-q", "t", "--low", 20, "--high", 27, "--leave-out", "u5",
               "--into", "here")  # fmt: skip
    shown = read(Path("here/lot.html").read_text("utf-8")).shown.split("The numbers")[0]
    for text in ("lot: 1 unit with a reading outside the limits: u39 28.",
                 "lot: left out as asked: 1 unit (u5).", "lot: without a value: 1 unit (gone).",
                 "lot: 2 readings are invalid and do not count"):  # fmt: skip
        assert text in said.out
        assert text in shown


def test_a_mean_proves_nothing_over_a_reading_outside(
    lot: Said, tmp_path: Path
) -> None:
    """A proved Ppk of means is no yes where one reading of a device lies outside."""
    normal = statistics.NormalDist(25, 0.1)
    rows = [f"u{n},{normal.inv_cdf((n + 1) / 201):.5f}" for n in range(200)]
    rows += ["u100,25.0"] * 8 + ["u100,26.1"]
    (tmp_path / "x.csv").write_text("\n".join(["device,value", *rows, ""]), "utf-8")
    said = lot("capability", "x.csv", "-q", "t", "--low", 24, "--high", 26)
    assert said.code == 1
    assert "lot: 1 unit with a reading outside the limits: u100 26.1." in said.out


def test_need(lot: Said) -> None:
    """A margin of half a deviation needs 88 of each lot, a shift as large 86 (recomputed)."""
    found = lot("need", "--margin", 0.05, "--standard-deviation", 0.1)
    assert found.code == 0
    assert ": 88 units of each lot" in found.out
    assert ": 86 of each" in found.out
    assert "at 95 % confidence: 93 units" in found.out


def test_claim(lot: Said) -> None:
    """Before the run its length, after it what it demonstrates (recomputed)."""
    before = lot("claim", "--rate", 1e-4)
    assert "29956 trials" in before.out
    after = lot("claim", "--trials", 28_800)
    assert after.code == 0
    assert "at most 0.000104" in after.out
    enough = lot("claim", "--trials", 29_956, "--rate", 1e-4)
    short = lot("claim", "--trials", 29_955, "--rate", 1e-4)
    assert (enough.code, short.code) == (0, 1)
    assert "that does not demonstrate 0.0001" in short.out


def test_gauge(lot: Said, tmp_path: Path) -> None:
    """A good study, and one whose stations disagree."""
    rows = [
        (part, station, part + 0.01 * repeat + 0.001 * part * repeat)
        for part in range(5)
        for station in "AB"
        for repeat in range(2)
    ]
    text = "part,station,value\n" + "".join(f"{p},{s},{v}\n" for p, s, v in rows)
    (tmp_path / "good.csv").write_text(text, "utf-8")
    good = lot("gauge", "good.csv", "--tolerance", 2, "--unit", "degC")
    assert good.code == 0
    assert "the gauge is good" in good.out
    bad_rows = "".join(f"{p},{s},{v + 9 * (s == 'B')}\n" for p, s, v in rows)
    (tmp_path / "bad.csv").write_text("part,station,value\n" + bad_rows, "utf-8")
    bad = lot("gauge", "bad.csv")
    assert bad.code == 1
    assert "the gauge is not acceptable" in bad.out


def test_few_readings_of_a_golden_unit_decide_nothing(
    lot: Said, tmp_path: Path
) -> None:
    """Cg and Cgk above 1.33 as estimates of six readings: their lower ends are not."""
    rows = "".join(f"G,{25 + 0.02 * (n % 3 - 1)}\n" for n in range(6))
    (tmp_path / "g.csv").write_text(f"device,value\n{rows}", "utf-8")
    found = lot("golden", "g.csv", "-q", "t", "--reference", 25, "--tolerance", 1)
    assert found.code == 1
    assert "Cg 1.8634, Cgk 1.8634" in found.out
    assert "good enough is not decided by these readings" in found.out


@pytest.mark.parametrize("text", ["2_0", "nan", "inf", "\u0662\u0660", "20 K"])
def test_numbers_are_read_as_those_of_files(lot: Said, text: str) -> None:
    """What a table may not hold is no limit either; 2.0e1 is a number in both."""
    command = ("sample", "--size", 200, "--aql")
    refused = lot(*command, text)
    assert refused.code == 2
    assert "is not a plain number" in refused.err
    assert lot(*command, "1.0e0").code == 0


def test_two_units_against_two(lot: Said, tmp_path: Path) -> None:
    """Two units have a spread; they prove nothing, and nothing crashes."""
    (tmp_path / "a.csv").write_text("device,value\nA,25.0\nB,25.1\n", "utf-8")
    (tmp_path / "b.csv").write_text("device,value\nC,25.0\nD,25.2\n", "utf-8")
    found = lot(
        "compare", "--baseline", "a.csv", "--candidate", "b.csv", "-q", "t",
        "--margin", 5, "--spread-margin", 1.5,
    )  # fmt: skip
    assert found.code == 1
    assert "not decided by these units" in found.out
    assert "no spread" not in found.out
    assert "its spread is 2.00 times the baseline's" in found.out


def test_golden(lot: Said, tmp_path: Path) -> None:
    """Readings of one unit prove the fixture; more than one unit is refused."""
    rows = "".join(f"G,{25 + 0.01 * (n % 3)}\n" for n in range(30))
    (tmp_path / "g.csv").write_text(f"device,value\n{rows}", "utf-8")
    command = ("golden", "g.csv", "-q", "temperature", "--reference", 25)
    good = lot(*command, "--tolerance", 1)
    assert good.code == 0
    assert "the fixture is shown to be good enough" in good.out
    bad = lot(*command, "--tolerance", 0.1)
    assert bad.code == 1
    assert "shown not to be good enough" in bad.out
    (tmp_path / "g.csv").write_text(f"device,value\n{rows}H,25\n", "utf-8")
    assert "2 devices, not of one" in lot(*command, "--tolerance", 1).err


def test_a_gauge_against_known_values(lot: Said, tmp_path: Path) -> None:
    """Bias, linearity and stability: shown, shown not to be, and a gauge that jumps."""
    noise = [0.01 * (n * 7 % 11 - 5) for n in range(120)]
    rows = "".join(f"G,{25 + n}\n" for n in noise)
    (tmp_path / "g.csv").write_text(f"device,value\n{rows}", "utf-8")
    good = lot("bias", "g.csv", "-q", "t", "--reference", 25, "--margin", 0.05)
    assert good.code == 0
    assert "the bias is shown to be within the margin" in good.out
    bad = lot("bias", "g.csv", "-q", "t", "--reference", 25.2, "--margin", 0.05)
    assert bad.code == 1
    assert "shown to be outside the margin" in bad.out
    rows = "".join(
        f"{r},{r + 0.01 * r + n}\n" for r in (10, 20, 30) for n in noise[:10]
    )
    (tmp_path / "l.csv").write_text(f"reference,value\n{rows}", "utf-8")
    assert lot("linearity", "l.csv", "--margin", 0.5).code == 0
    steep = lot("linearity", "l.csv", "--margin", 0.2)
    assert steep.code == 1
    assert (
        "over these known values the bias is shown to be outside the margin"
        in steep.out
    )
    assert lot("stability", "g.csv", "-q", "t").code == 0
    rows = "".join(f"G,{25 + n + (k > 70)}\n" for k, n in enumerate(noise))
    (tmp_path / "j.csv").write_text(f"device,value\n{rows}", "utf-8")
    jumped = lot("stability", "j.csv", "-q", "t")
    assert jumped.code == 1
    assert "the mean of 5" in jumped.out
    assert "changed" in jumped.out


COMMANDS = list(getattr(app.commands["lot"], "commands", ()))


@pytest.mark.parametrize("command", COMMANDS)
def test_help_shows_an_example(lot: Said, command: str) -> None:
    """Each command's help ends with an example on lines of its own, within 80 columns."""
    said = lot(command, "--help")
    lines = said.out.rstrip().splitlines()
    place = next(n for n, line in enumerate(lines) if line.startswith("  Example"))
    assert said.code == 0
    assert lines[place + 1].startswith(f"    slotproof lot {command}")
    assert max(map(len, lines)) <= 80


HEAVY = {"scipy", "matplotlib", "numpy", "serial", "yaml"}


@pytest.mark.slow
@pytest.mark.parametrize("arguments", [["lot", "--help"], ["lot", "compare", "--help"]])
def test_help_loads_nothing_heavy(arguments: list[str]) -> None:
    """Help of the statistics loads no statistics."""
    script = (
        "import sys\nfrom harness import cli\n"
        f"sys.argv = ['slotproof', *{arguments!r}]\n"
        "try:\n    cli.main()\nexcept SystemExit:\n    pass\n"
        "print('LOADED', *sorted(sys.modules))\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", script],
        capture_output=True,
        text=True,
        check=True,
        env={**os.environ, "PYTHONPATH": str(Path(cli.__file__).parents[1])},
    )
    assert not HEAVY & set(done.stdout.split("LOADED")[1].split())
