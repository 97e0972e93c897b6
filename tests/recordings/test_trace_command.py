"""`slotproof trace`: its exit codes and what it says."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

from harness.cli import app
from harness.recordings.problems import RecordingUnreadable
from tests.recordings.traces import DATA, LineMaker, write_vcd

FIXTURE = """\
fixture: one socket
adapter:
  port: /dev/ttyUSB0
line:
  pull_up_ohm: 2200
  supply_v: 5.0
sockets:
  - name: A1
    expect: {EXPECT}
"""


@pytest.fixture(autouse=True)
def _somewhere_and_without_pictures(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Results folders in a place of the test's own; pictures take seconds."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("harness.results.plots.run.recording_figures", lambda _: ())


def _trace(*arguments: object) -> tuple[int, str]:
    done = CliRunner().invoke(app, ["trace", *map(str, arguments)])
    if done.exception is not None and not isinstance(done.exception, SystemExit):
        raise done.exception
    return done.exit_code, done.output


@pytest.fixture
def sound(tmp_path: Path) -> Path:
    line = LineMaker()
    line.reset()
    line.send(0xCC, 0x44)
    return write_vcd(tmp_path / "sound.vcd", line.lows, end_us=line.now)


def test_within_limits(sound: Path) -> None:
    code, text = _trace(sound)
    assert code == 0
    verdict, *_, results = text.splitlines()
    assert verdict == "PASSED: sound.vcd: within limits"
    assert results.startswith("results: results/")


def test_a_host_that_undercuts_a_limit() -> None:
    code, text = _trace(DATA / "authenticator_33h.vcd")
    assert code == 1
    assert (
        "OUTSIDE: the host's write-0 low is 52 to 53 us (+-1 us), below 60 us: "
        "356 of 356 outside" in text
    )
    assert "2 lows longer than a slot and shorter than a reset" in text


def test_a_value_within_its_doubt_of_the_limit() -> None:
    code, text = _trace(DATA / "two_thermometers_28h.vcd")
    assert code == 3
    assert "CANNOT TELL: the host's read low is 1 to 4 us" in text
    assert "24.125 degC" in text
    assert "recovery suits some devices only" in text


def test_a_file_that_cannot_be_read(tmp_path: Path) -> None:
    """In a process of its own: the message and the exit code, and no traceback."""
    path = tmp_path / "empty.vcd"
    path.write_text("")
    done = subprocess.run(
        [sys.executable, "-m", "harness", "trace", str(path)],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 2
    assert done.stderr.startswith("slotproof: empty.vcd: the file is empty")


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (None, "cannot be read: No such file"),
        ("#0\n1!\n#100\n0!\n#50\n1!\n", "8:1: time goes backwards: 50 after 100"),
        ("#0\n1!\n#9223372036854775808\n0!\n", "the time is beyond"),
    ],
)
def test_bad_input_is_told_without_a_folder(
    text: str | None, said: str, tmp_path: Path
) -> None:
    path = tmp_path / "bad.vcd"
    head = "$timescale 1 us $end\n$var wire 1 ! d $end\n$enddefinitions $end\n"
    if text is not None:
        path.write_text(head + text)
    with pytest.raises(RecordingUnreadable, match=said):
        _trace(path)
    assert not (tmp_path / "results").exists()


def _fixture(tmp_path: Path, expect: str) -> Path:
    path = tmp_path / "bench.yaml"
    path.write_text(FIXTURE.replace("{EXPECT}", expect))
    return path


def test_devices_of_a_fixture(tmp_path: Path) -> None:
    recording = DATA / "authenticator_33h.vcd"
    code, text = _trace(
        recording, "--fixture", _fixture(tmp_path, "{rom_code: 2C00000274A44A33}")
    )
    assert code == 1
    assert "expected in no socket" not in text
    code, text = _trace(
        recording, "--fixture", _fixture(tmp_path, "{rom_code: 8D011627F794EE28}")
    )
    assert "the device 2C00000274A44A33 is expected in no socket" in text
    assert "socket A1: the device 8D011627F794EE28 is expected" in text


def test_the_levels_of_a_fixture(tmp_path: Path) -> None:
    _, text = _trace(
        DATA / "octal_switch_29h_write.csv",
        "--fixture",
        _fixture(tmp_path, "{family: 0x29}"),
    )
    assert "(the fixture)" in text
    assert "high level" in text


def test_channel_and_invert(sound: Path) -> None:
    text = sound.read_text().replace("\n0!", "\n?!").replace("\n1!", "\n0!")
    sound.write_text(text.replace("\n?!", "\n1!"))
    assert _trace(sound, "--channel", "data")[0] != 0
    code, text = _trace(sound, "--channel", "data", "--invert")
    assert code == 0
    assert "skip ROM (CCh); 44" in text
