"""What stands behind options, and that a secret leaves no trace of a run."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from harness.errors import CheckValueWrong, UsageError
from harness.families import registry
from harness.families.family import (
    Check,
    Findings,
    Option,
    OptionKind,
    Options,
    Session,
    by_name,
)
from harness.families.option_values import (
    LARGEST_FILE_BYTES,
    Masker,
    fetch_secret,
    options_for,
)
from harness.families.secret import MASK, Secret
from harness.plans.loading.files import PlanError, parse_plan
from harness.records import Measurement, Scalar
from harness.results.reports.rebuild import rebuild

Make = Callable[..., Any]
"""A fixture that makes or runs something."""

VALUE = bytes.fromhex("5EC4E75EC4E7D1CE A1B2C3D4E5F60718".replace(" ", ""))
FORMS = {
    "reveal_in_findings": Findings(
        measurements=(
            Measurement(name="echoed", value=VALUE.hex(), wanted=VALUE.hex()),
        ),
        evidence={"sent": VALUE.hex(" ").upper(), "parts": [VALUE[:8].hex()]},
    )
}


def _write(session: Session, options: Options) -> bytes:
    """Send the secret, as a device that takes it would get it."""
    secret = options.secret("secret").reveal()
    session.transact(b"\x0f\x00\x00" + secret[:8], 2)
    return secret


def _echo(session: Session, options: Options) -> Findings:
    _write(session, options)
    return FORMS["reveal_in_findings"]


def _refuse(session: Session, options: Options) -> Findings:
    secret = _write(session, options)
    raise CheckValueWrong(
        f"scratchpad {secret[:8].hex(' ').upper()} is wrong", hint=f"not {secret.hex()}"
    )


def _crash(session: Session, options: Options) -> Findings:
    raise ValueError(f"bug with {_write(session, options).hex()}")


def _lose_echoes(session: Session, options: Options) -> Findings:
    bench = session._bus.adapter.port.bench  # type: ignore[attr-defined]
    from harness.simulation.faults import settings as fs

    bench.faults.start(
        fs.AdapterDropsBytes(kind="adapter-drops-bytes", probability=0.2)
    )
    _write(session, options)
    return Findings()


RUNS = {"echo": _echo, "refuse": _refuse, "crash": _crash, "lose": _lose_echoes}


@pytest.fixture
def secretive() -> Iterator[None]:
    """A 2Dh whose checks take a secret and are as careless as can be."""
    table = registry.built_in()._table
    plain = table[0x2D]
    option = Option(
        name="secret", kind=OptionKind.SECRET, about="a secret", required=True
    )
    rows = (
        Check(name=name, about="careless", run=run, options=by_name(option))
        for name, run in RUNS.items()
    )
    table[0x2D] = replace(plain, checks={**plain.checks, **by_name(*rows)})
    yield
    table[0x2D] = plain


Ran = Any
"""A finished run; conftest has its attributes."""


@pytest.fixture
def run_secretive(
    secretive: None,
    run_plan: Make,
    bench_data: Make,
    new_device: Make,
    monkeypatch: pytest.MonkeyPatch,
) -> Callable[[str], Ran]:
    """Run steps on that device, the secret in the environment."""
    monkeypatch.setenv("BENCH_SECRET", VALUE.hex())
    return lambda steps: run_plan(steps, bench_data([new_device(0x2D, 1)]))


ZEROS = (0x00, 0x80, 0xC0, 0xE0, 0xF0)
"""Characters that may stand for a written 0."""


def as_slots(zero: int) -> bytes:
    """The first four bytes as UART characters in hex, one a bit."""
    bits = [byte >> place & 1 for byte in VALUE[:4] for place in range(8)]
    return bytes(0xFF if bit else zero for bit in bits).hex().encode()


def traces(data: bytes) -> list[str]:
    """Every form in which the secret could stand in a file or on a screen."""
    forms = [VALUE, VALUE[:8], VALUE[8:]]
    patterns = [re.compile(re.escape(form)) for form in forms]
    patterns += [
        re.compile(rb"[\s:,]*".join(b"%02x" % byte for byte in form), re.IGNORECASE)
        for form in forms
    ]
    patterns += [re.compile(as_slots(zero), re.IGNORECASE) for zero in ZEROS]
    return [str(p.pattern) for p in patterns if p.search(data)]


@pytest.mark.parametrize("source", ["env", "file"])
@pytest.mark.parametrize("function", ["echo", "refuse", "lose"])
def test_a_run_leaves_no_trace_of_a_secret(
    run_secretive: Callable[[str], Ran],
    capfd: pytest.CaptureFixture[str],
    tmp_path: Path,
    *,
    function: str,
    source: str,
) -> None:
    """Passed, failed, or the echoes lost: journal, reports and screen are searched."""
    where = tmp_path / "secret.hex"
    where.write_text(VALUE.hex(" "), "ascii")
    option = "env:BENCH_SECRET" if source == "env" else f"file:{where}"
    steps = (
        f"- check: {{function: {function}, with: {{secret: '{option}'}}, retries: 1}}\n"
        "- read: {quantity: temperature}\n"
        "- check: {function: protection_state}\n"
    )
    ran = run_secretive(steps)
    rebuild(ran.folder / "journal.jsonl", ran.folder, case_properties=True)
    files = [path for path in ran.folder.rglob("*") if path.is_file()]
    assert len(files) >= 2
    found = {path.name: traces(path.read_bytes()) for path in files}
    said = capfd.readouterr()
    found["screen"] = traces((said.out + said.err).encode())
    assert not any(found.values()), found


def test_a_bug_with_a_secret_tells_only_its_kind(
    run_secretive: Callable[[str], Ran],
) -> None:
    """The exception that ends the run has no secret, nor has what caused it."""
    steps = "- check: {function: crash, with: {secret: 'env:BENCH_SECRET'}}"
    with pytest.raises(RuntimeError, match="ValueError in check crash") as raised:
        run_secretive(steps)
    assert raised.value.__cause__ is None
    assert raised.value.__suppress_context__


def test_the_search_for_traces_finds_them() -> None:
    """Each form is found where it stands."""
    for text in (VALUE, VALUE.hex().encode(), VALUE.hex(" ").upper().encode()):
        assert traces(b"before " + text + b" after")
    assert traces(as_slots(0x80).upper())
    assert not traces(b"nothing here")


def test_a_secret_written_into_a_plan_is_refused_unseen(secretive: None) -> None:
    """The mistake is told with its place, the value is not repeated."""
    text = (
        "plan: p\nsteps:\n"
        f"  - check: {{function: echo, with: {{secret: '{VALUE.hex()}'}}}}\n"
    )
    with pytest.raises(PlanError) as raised:
        parse_plan(text, "p")
    message = str(raised.value)
    assert message.startswith("p:3:")
    assert "env:NAME or file:PATH" in message
    assert not traces(message.encode())


def test_a_missing_secret_option_is_told(secretive: None) -> None:
    """A required option that the plan leaves out."""
    with pytest.raises(PlanError, match="echo needs option 'secret'"):
        parse_plan("plan: p\nsteps: [check: {function: echo}]\n", "p")


# -- fetching ----------------------------------------------------------------------


def test_variable_that_is_not_set(monkeypatch: pytest.MonkeyPatch) -> None:
    """The name is told."""
    monkeypatch.delenv("BENCH_SECRET", raising=False)
    with pytest.raises(UsageError, match="BENCH_SECRET is not set"):
        fetch_secret("env:BENCH_SECRET", Path())


@pytest.mark.parametrize("text", ["", "xyz", "123", VALUE.hex() + "0", "12 3"])
def test_text_that_is_no_hex(monkeypatch: pytest.MonkeyPatch, text: str) -> None:
    """Told without repeating it."""
    monkeypatch.setenv("BENCH_SECRET", text)
    with pytest.raises(UsageError, match="no row of bytes in hex") as raised:
        fetch_secret("env:BENCH_SECRET", Path())
    assert not traces(str(raised.value).encode())


def test_file_beside_the_plan(tmp_path: Path) -> None:
    """A relative path starts at the plan's folder; blanks and line ends do not count."""
    (tmp_path / "s.hex").write_text("0A:0B\n0c 0d\n", "ascii")
    assert fetch_secret("file:s.hex", tmp_path).reveal() == b"\x0a\x0b\x0c\x0d"
    with pytest.raises(UsageError, match="cannot read"):
        fetch_secret("file:t.hex", tmp_path)


CHECK = Check(
    name="c",
    about="",
    run=lambda *_: Findings(),
    options=by_name(
        Option(name="file", kind=OptionKind.FILE, about=""),
        Option(name="count", kind=OptionKind.WHOLE, about="", default=3, low=1, high=9),
        Option(name="level", kind=OptionKind.NUMBER, about=""),
        Option(name="on", kind=OptionKind.TRUTH, about=""),
        Option(name="data", kind=OptionKind.BYTES, about=""),
        Option(name="word", kind=OptionKind.TEXT, about="", choices=("a", "b")),
        Option(name="needed", kind=OptionKind.TEXT, about="why", required=True),
    ),
)


def test_options_have_their_types(tmp_path: Path) -> None:
    """Each kind arrives as its type; a file as its content; defaults stand in."""
    (tmp_path / "content.bin").write_bytes(b"\x00\x01")
    values: dict[str, Scalar] = {
        "file": "content.bin",
        "level": 2,
        "on": True,
        "data": "0a 0B",
        "word": "b",
    }
    options = options_for(
        CHECK, {**values, "needed": "x"}, plan_path=str(tmp_path / "plan.yaml")
    )
    assert options.data("file") == b"\x00\x01"
    assert (options.whole("count"), options.number("level")) == (3, 2.0)
    assert (options.truth("on"), options.data("data")) == (True, b"\x0a\x0b")
    assert (options.text("word"), options.text("needed")) == ("b", "x")


def test_option_without_value_and_default_is_not_given() -> None:
    """Asking for it is told by ``given``."""
    options = options_for(CHECK, {"needed": "x"}, plan_path="")
    assert not options.given("file")
    assert options.given("count")


@pytest.mark.parametrize(
    ("name", "value", "words"),
    [
        ("count", 0, r"count is 0 .*from 1 up to 9"),
        ("count", 10, r"count is 10"),
        ("count", 1.5, r"does not take this value 1\.5"),
        ("count", True, r"does not take this value True"),
        ("level", "2", r"a number"),
        ("on", "yes", r"true or false"),
        ("data", "0", r"bytes in hex"),
        ("data", 10, r"bytes in hex"),
        ("word", "c", r"one of a, b"),
        ("needed", "", r"a text"),
    ],
)
def test_values_that_do_not_fit(name: str, value: Any, words: str) -> None:  # noqa: ANN401
    """Told with the form that would be right."""
    with pytest.raises(UsageError, match=words):
        options_for(CHECK, {"needed": "x", name: value}, plan_path="")


def test_needed_option_left_out() -> None:
    """Told with what it is for."""
    with pytest.raises(UsageError, match="c needs option needed -> why"):
        options_for(CHECK, {}, plan_path="")


def test_file_too_large(tmp_path: Path) -> None:
    """No file of unknown size is read into memory."""
    (tmp_path / "big").write_bytes(bytes(LARGEST_FILE_BYTES + 1))
    with pytest.raises(UsageError, match="larger than"):
        options_for(CHECK, {"needed": "x", "file": str(tmp_path / "big")}, plan_path="")


def test_masker_leaves_other_values_alone() -> None:
    """Numbers, names and short coincidences stay; nested texts are masked."""
    masker = Masker([Secret(VALUE, source="env:X")])
    plain = {"a": [1, 2.5, True, None], "b": {"c": f"x {VALUE.hex()} y"}, "d": "5EC4"}
    assert masker.plain(plain) == {
        "a": [1, 2.5, True, None],
        "b": {"c": f"x {MASK} y"},
        "d": "5EC4",
    }
