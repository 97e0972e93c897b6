"""`slotproof adapter` and `enrol` as a user types them, on simulated benches."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import yaml
from click.testing import CliRunner, Result

from harness.cli import app
from harness.driver import examination
from harness.errors import PortAbsent, UsageError
from harness.plans.loading.files import load_fixture
from harness.wire.romcode import RomCode

Make = Callable[..., Any]
"""A fixture that makes something; conftest has the signatures."""


def typed(*words: str) -> Result:
    """What a command line says."""
    return CliRunner().invoke(app, list(words))


@pytest.fixture
def bench(tmp_path: Path, bench_data: Make, new_device: Make) -> Callable[..., Path]:
    """A fixture file of a simulated bench with so many thermometers."""

    def write(count: int, **more: Any) -> Path:  # noqa: ANN401 - any setting
        data = bench_data([new_device(0x28, n * 977) for n in range(1, count + 1)], **more)  # fmt: skip
        data["sockets"] = [{"name": f"S{n}"} for n in range(1, max(2, count + 1))]
        path = tmp_path / f"bench{count}.yaml"
        path.write_text(yaml.safe_dump(data), encoding="utf-8")
        return path

    return write


def test_adapter_becomes_a_measured_one(
    bench: Callable[..., Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The lines printed are what a fixture may say of this adapter."""
    monkeypatch.setattr(examination, "REQUESTS_BAUD", (9600, 10_400, 115_200, 142_857))
    path = bench(0, kind="rate-table", adapter={"error_ppm": 700})
    said = typed("adapter", "--port", f"sim://{path}", "--json")
    assert said.exit_code == 0, said.output
    answer = json.loads(said.stdout)
    lines = yaml.safe_load("\n".join(answer["fixture"]))["adapter"]
    assert lines["kind"] == "rate-table"
    assert 700 <= lines["clock_tolerance_ppm"] <= 3000
    assert answer["values_echoed"] == 256


def test_adapter_with_a_device(bench: Callable[..., Path]) -> None:
    """In words: who answers, what was not sent, what the adapter makes."""
    said = typed("adapter", "--port", f"sim://{bench(1)}")
    assert said.exit_code == 0, said.output
    assert "only read slots were sent" in said.stdout
    assert "for the fixture:" in said.stdout


def test_adapter_that_is_not_there() -> None:
    """A port that is none is an error of ours."""
    assert isinstance(typed("adapter", "--port", "/dev/no-such").exception, PortAbsent)


def test_enrol_into_a_fixture(bench: Callable[..., Path]) -> None:
    """Sockets without a code get one; a second time nothing is left to do."""
    path = bench(3)
    port = f"sim://{path}"
    refused = typed("enrol", "--port", port, "--into", str(path))
    assert isinstance(refused.exception, UsageError)
    assert "--replace" in str(refused.exception)
    said = typed("enrol", "--port", port, "--into", str(path), "--replace", "--json")
    assert said.exit_code == 0, said.output
    answer = json.loads(said.stdout)
    assert (answer["written"], len(answer["devices"])) == (True, 3)
    fixture = load_fixture(path)
    assert [s.name for s in fixture.sockets] == ["S1", "S2", "S3"]
    assert len(fixture.expected_roms) == 3
    again = typed("enrol", "--port", port, "--into", str(path), "--replace")
    assert "0 devices new, 3 known before" in again.stdout
    assert "unchanged" in again.stdout


def test_enrol_into_a_new_file_of_a_simulated_bench(
    bench: Callable[..., Path], tmp_path: Path
) -> None:
    """It could not be loaded without its simulation: refused before anything is sent."""
    new = tmp_path / "new.yaml"
    said = typed("enrol", "--port", f"sim://{bench(1)}", "--into", str(new))
    assert "simulation section" in str(said.exception)
    assert not new.exists()


@pytest.mark.parametrize("how", ["plug", "warm"])
def test_enrolling_one_by_one_is_rehearsed(
    bench: Callable[..., Path], how: str
) -> None:
    """On a simulated bench hands do what is asked for: each code comes to its own socket."""
    path = bench(3)
    before = path.read_text(encoding="utf-8")
    said = typed("enrol", "--port", f"sim://{path}", "--into", str(path), "--how", how,
                 "--replace")  # fmt: skip
    assert said.exit_code == 0, said.output
    assert "SIMULATED: " in said.stderr
    codes = {s.name: s.expect.rom_code for s in load_fixture(path).sockets}
    assert codes == {f"S{n}": str(RomCode.build(0x28, n * 977)) for n in range(1, 4)}, (
        before
    )
