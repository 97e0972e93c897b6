"""The shipped bench with something wrong: each fault in it is told as the file says."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from click.testing import CliRunner

from harness.cli import app

pytestmark = pytest.mark.slow

BENCH = Path(__file__).parents[1] / "fixtures/ailing_bench.yaml"

_FAULT = re.compile(r"^    (?:# )?- (\{.*\}) +# -> (.+)$", re.MULTILINE)

FAULTS = _FAULT.findall(BENCH.read_text("utf-8").split("  faults:\n")[1])


def test_many_are_there() -> None:
    """The first is in force, the others wait to be put in its place."""
    assert len(FAULTS) == len({promised for _, promised in FAULTS}) == 16


@pytest.mark.parametrize(("fault", "promised"), FAULTS, ids=[p for _, p in FAULTS])
def test_the_file_keeps_its_word(tmp_path: Path, fault: str, promised: str) -> None:
    """Put in by hand as a user would, and examined by the command."""
    text = BENCH.read_text("utf-8")
    bench = tmp_path / "bench.yaml"
    above = text.split("  faults:\n")[0]
    bench.write_text(f"{above}  faults:\n    - {fault}\n", encoding="utf-8")
    arguments = ["diagnose", "--fixture", str(bench), "--into", str(tmp_path / "found")]
    result = CliRunner().invoke(app, arguments)
    page = result.output[result.output.index("DIAGNOSIS") :]
    title = f"{promised[:1].upper()}{promised[1:]}"
    assert re.search(rf"\n1\. {re.escape(title)}(:| \()", page), page
    assert "   measured: " in page
    assert "   look first: " in page
