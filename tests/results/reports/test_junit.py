"""JUnit XML: valid, the same for two readers, safe against any text."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any
from xml.etree import ElementTree as ET

import pytest
import xmlschema
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from junitparser.xunit2 import JUnitXml
from lxml import etree

from harness.records import Attempt, CheckResult, DeviceRef, Measurement, Outcome
from harness.results.record.run import RunRecord
from harness.results.reports.junit import slug, write_junit
from harness.results.wording import one_line
from tests.escapes import unescaped

if TYPE_CHECKING:
    from tests.results.conftest import Script

Reading = Callable[..., CheckResult]
Write = Callable[..., ET.Element]

SCHEMA = Path(__file__).parents[3].parent / "shared" / "data" / "junit-10.xsd"
ANYTHING = st.text(alphabet=st.characters(exclude_categories=()), max_size=40)
HOSTILE = st.sampled_from(
    ["]]>", "<a b='c'>&amp;", "\x00\x1b[2J", "\ud800", "\ufffe", "a\r\nb\tc", "\\x1b"]
)


@pytest.fixture(scope="session")
def schema() -> xmlschema.XMLSchema | None:
    """The schema of the strictest common reader, where it lies beside the project."""
    return xmlschema.XMLSchema(str(SCHEMA)) if SCHEMA.exists() else None


@pytest.fixture
def write(tmp_path: Path, schema: xmlschema.XMLSchema | None) -> Write:
    """Writes a run's events; checks the file by schema and two readers."""

    def run(script: Script, **options: Any) -> ET.Element:  # noqa: ANN401
        record = RunRecord.from_events(script.events)
        path = tmp_path / "junit.xml"
        write_junit(record, path, **options)
        _check_by_readers(path, record)
        if schema is not None and not options.get("case_properties"):
            assert [str(error) for error in schema.iter_errors(str(path))] == []
        assert sorted(p.name for p in tmp_path.iterdir()) == ["junit.xml"]
        return ET.parse(path).getroot()

    return run


def _check_by_readers(path: Path, record: RunRecord) -> None:
    """Counts stated, counted by one reader and by the other are the same."""
    expected = {
        "tests": len(record.results),
        "failures": record.count(Outcome.FAILED),
        "errors": record.count(Outcome.ERROR),
        "skipped": record.count(Outcome.SKIPPED),
    }
    (suite,) = JUnitXml.fromfile(str(path))
    cases = list(suite)
    assert expected == {
        "tests": suite.tests,
        "failures": suite.failures,
        "errors": suite.errors,
        "skipped": suite.skipped,
    }
    assert expected == {
        "tests": len(cases),
        "failures": sum(case.is_failure for case in cases),
        "errors": sum(case.is_error for case in cases),
        "skipped": sum(case.is_skipped for case in cases),
    }
    root = etree.parse(str(path)).getroot()
    assert root.tag == "testsuites"
    assert expected == {
        "tests": len(root.findall("testsuite/testcase")),
        "failures": len(root.findall("testsuite/testcase/failure")),
        "errors": len(root.findall("testsuite/testcase/error")),
        "skipped": len(root.findall("testsuite/testcase/skipped")),
    }
    stated = {name: int(root.attrib[name]) for name in ("tests", "failures", "errors")}
    assert stated == {name: expected[name] for name in stated}


def _cases(root: ET.Element) -> dict[str, ET.Element]:
    return {case.attrib["name"]: case for case in root.iter("testcase")}


def _one(script: Script, *results: CheckResult) -> Script:
    outcome = Outcome.worst([result.outcome for result in results])
    code = {Outcome.FAILED: 1, Outcome.ERROR: 3}.get(outcome, 0)
    script.start(("2.1", "read", "read temperature"))
    script.step("2.1", "read", "read temperature", *results)
    return script.done(str(outcome), code)


def _devices(count: int) -> list[DeviceRef]:
    return [
        DeviceRef(rom_code=f"{n:016X}", family=0x28, socket=f"A{n}")
        for n in range(1, count + 1)
    ]


def test_pass_failure_error_skip(
    script: Script, write: Write, reading: Reading
) -> None:
    """Sample A: one case of each verdict, in the shape that all readers take.

    Source: "Safe profile" drawn from the readers' own code; see the module.
    """
    one, two, three, four = _devices(4)
    root = write(
        _one(
            script,
            reading(4.25, device=one),
            reading(6.5, device=two),
            CheckResult(
                outcome=Outcome.ERROR,
                device=three,
                kind="no-echo",
                message="nothing came back",
                hint="check RX",
            ),
            CheckResult(outcome=Outcome.SKIPPED, device=four, message="socket empty"),
        )
    )
    (suite,) = root
    assert suite.attrib["name"] == "incoming thermometers on invented cold-store bench"
    assert suite.attrib["package"] == "slotproof.incoming_thermometers"
    assert suite.attrib["hostname"] == "bench-1"
    assert suite.attrib["timestamp"] == "2026-11-24T22:58:19Z"
    assert suite[0].tag == "properties"
    cases = _cases(root)
    assert list(cases) == [f"2.1 read temperature [A{n}]" for n in (1, 2, 3, 4)]
    assert {case.attrib["classname"] for case in cases.values()} == {
        "slotproof.incoming_thermometers.read"
    }
    passed, failed, broken, skipped = cases.values()
    assert [child.tag for child in passed] == ["system-out"]
    assert passed[0].text == (
        "passed\n"
        "temperature = 4.25 degC (limits 2 .. 6) ok\n"
        "device = A1 0000000000000001\n"
        "tries = 1"
    )
    assert [child.tag for child in failed] == ["failure", "system-out"]
    assert failed[0].attrib == {
        "type": "limit",
        "message": "temperature 6.5 degC is outside 2 .. 6 degC",
    }
    assert failed[0].text == (
        "temperature 6.5 degC is outside 2 .. 6 degC\n"
        "hint: compare with the reference thermometer\n"
        "temperature = 6.5 degC (limits 2 .. 6) outside"
    )
    assert broken[0].tag == "error"
    assert broken[0].attrib == {"type": "no-echo", "message": "nothing came back"}
    assert broken[0].text == "nothing came back\nhint: check RX"
    assert skipped[0].tag == "skipped"
    assert skipped[0].attrib == {"message": "socket empty"}


def test_the_strict_schema_is_at_hand_and_strict(
    script: Script,
    tmp_path: Path,
    schema: xmlschema.XMLSchema | None,
    reading: Reading,
) -> None:
    """The schema takes the safe profile and refuses case properties."""
    if schema is None:
        pytest.skip("no junit-10 schema beside the project: reports are not validated")
    record = RunRecord.from_events(_one(script, reading(6.5, retries=1)).events)
    path = tmp_path / "junit.xml"
    write_junit(record, path)
    assert schema.is_valid(str(path))
    write_junit(record, path, case_properties=True)
    assert not schema.is_valid(str(path))


def test_run_facts_are_properties(
    script: Script, write: Write, reading: Reading
) -> None:
    """Plan, fixture, versions, adapter, gaps and disagreements are in the suite."""
    script.start(("1", "read", "read"))
    script.add(
        "adapter_checked",
        adapter={
            "grid": {"base": 3e6},
            "frames": {"reset_low_us": 515.8333333333334},
            "lost": None,
        },
    )
    script.add("gap", reason="unplugged", from_s=1.0, to_s=61.0)
    script.events.append({"event": "line_lost", "line": 4, "bytes": 9})
    script.step("1", "read", "read", reading(4.0)).done("failed", 1)
    properties = {
        p.attrib["name"]: p.attrib["value"] for p in write(script).iter("property")
    }
    assert properties["run_id"] == "run-0001"
    assert properties["exit_code"] == "1"
    assert properties["plan.title"] == "incoming thermometers"
    assert properties["plan.sha256"] == "ab" * 32
    assert properties["plan.parameters.low_degc"] == "2"
    assert properties["fixture.sockets"] == "A1, A2"
    assert properties["version.pyserial"] == "3.5"
    assert properties["adapter.grid.base"] == "3000000"
    assert properties["adapter.frames.reset_low_us"] == "515.8"
    assert properties["adapter.lost"] == ""
    assert properties["adapter.away_s"] == "60.000"
    assert properties["journal.lines_lost"] == "1"
    assert "stated as failed" in properties["disagreement.1"]


def test_passed_after_retries(script: Script, write: Write, reading: Reading) -> None:
    """Sample B: a pass after retries has one flaky child a failed try, no failure.

    Source: the rerun convention that junit-10 carries (published reader sources).
    """
    result = reading(4.0, retries=1)
    adapter = Attempt(outcome=Outcome.ERROR, kind="no-echo", message="nothing")
    root = write(_one(script, replace(result, retries=(*result.retries, adapter))))
    (case,) = _cases(root).values()
    assert [child.tag for child in case] == ["flakyFailure", "flakyError", "system-out"]
    assert case[0].attrib == {
        "type": "check-value",
        "message": "try 1: the check value does not match",
    }
    assert case[0].findtext("stackTrace") == "try 1: the check value does not match"
    assert case[1].attrib["type"] == "no-echo"
    output = case.findtext("system-out") or ""
    assert output.startswith("passed after 2 retries\n")
    assert "tries = 3" in output.splitlines()


def test_failed_in_every_try(script: Script, write: Write, reading: Reading) -> None:
    """Sample B: the first try is the failure, the others are reruns."""
    root = write(_one(script, reading(6.5, retries=2)))
    (case,) = _cases(root).values()
    assert [child.tag for child in case] == [
        "failure",
        "rerunFailure",
        "rerunFailure",
        "system-out",
    ]
    assert [child.attrib["message"][:5] for child in case[:3]] == [
        "try 1",
        "try 2",
        "tempe",
    ]
    lines = (case[0].text or "").splitlines()
    assert lines[0] == "try 1: the check value does not match"
    assert lines[1] == "last try: temperature 6.5 degC is outside 2 .. 6 degC"


def test_the_verdict_child_is_of_the_verdicts_kind(
    script: Script, write: Write, reading: Reading
) -> None:
    """An adapter error in an early try does not turn a failed device into an error."""
    early = Attempt(outcome=Outcome.ERROR, kind="no-echo", message="nothing")
    root = write(_one(script, replace(reading(6.5), retries=(early,))))
    (case,) = _cases(root).values()
    assert [child.tag for child in case] == ["failure", "rerunError", "system-out"]
    assert case[0].attrib["type"] == "limit"


def test_rounds_are_one_case(script: Script, write: Write, reading: Reading) -> None:
    """A soak of many rounds is one case a device, with extremes and counts."""
    script.start(("1", "soak", "overnight")).add("step_started", step="1")
    for round_ in range(1, 41):
        script.check("1", reading(3.0 + round_ / 20, retries=1), round_=round_)
    script.add("step_done", step="1", outcome="passed", duration_s=99.0)
    (case,) = _cases(write(script.done("passed", 0))).values()
    assert len(case.findall("flakyFailure")) == 20
    lines = (case.findtext("system-out") or "").splitlines()
    assert lines[0] == "passed after 40 retries"
    assert "temperature least = 3.05 degC (limits 2 .. 6) ok" in lines
    assert "tries = 80 in 40 rounds" in lines
    assert "rounds = 40 passed; values of round 40" in lines
    assert "retries = 40 (the first 20 are kept)" in lines
    assert case.attrib["time"] == "30.000"


def test_names_hold_from_run_to_run(
    new_script: Callable[[], Script], write: Write, reading: Reading
) -> None:
    """Other values, verdicts and ROM codes give the same names, all different."""
    steps = [("1", "read", "read"), ("2", "read", "read")]

    def names(codes: list[str], value: float) -> list[tuple[str, str]]:
        script = new_script().start(*steps)
        for step in steps:
            script.step(
                *step,
                CheckResult(outcome=Outcome.PASSED),
                *(
                    reading(value, device=DeviceRef(rom_code=c, family=1, socket=s))
                    for c, s in zip(codes, ("A1", "A2"), strict=True)
                ),
            )
        root = write(script.done("passed" if value < 6 else "failed", 0))
        return [
            (c.attrib["classname"], c.attrib["name"]) for c in root.iter("testcase")
        ]

    first = names(["0" * 16, "1" * 16], 4.0)
    assert first == names(["2" * 16, "3" * 16], 9.0)
    assert len(set(first)) == 6


def test_devices_in_one_socket_are_told_apart(
    script: Script, write: Write, reading: Reading
) -> None:
    """Two devices behind one socket, or without any, are named by ROM code."""
    root = write(
        _one(
            script,
            reading(4.0, device=DeviceRef(rom_code="A" * 16, family=1, socket="A1")),
            reading(4.0, device=DeviceRef(rom_code="B" * 16, family=1, socket="A1")),
            reading(4.0, device=DeviceRef(rom_code="C" * 16, family=1)),
        )
    )
    assert [name.partition(" [")[2] for name in _cases(root)] == [
        f"A1 {'A' * 16}]",
        f"A1 {'B' * 16}]",
        f"{'C' * 16}]",
    ]


def test_names_that_would_be_equal_are_numbered(script: Script, write: Write) -> None:
    """A socket whose name copies another case's name cannot hide that case."""
    results = [
        CheckResult(
            outcome=Outcome.PASSED,
            device=DeviceRef(rom_code="", family=family, socket=""),
        )
        for family in (1, 2)
    ]
    names = list(_cases(write(_one(script, *results))))
    assert len(names) == 2


def test_an_empty_run(script: Script, write: Write) -> None:
    """A run of no steps is a valid report without cases."""
    root = write(script.start().done("passed", 0))
    assert root.attrib["tests"] == "0"
    assert _cases(root) == {}


def test_nothing_at_all_is_an_error(script: Script, write: Write) -> None:
    """No events: the report says that the run did not come to its end."""
    (case,) = _cases(write(script)).values()
    assert case[0].tag == "error"
    assert case[0].attrib["type"] == "interrupted"


def test_times_have_three_decimals(
    script: Script, write: Write, reading: Reading
) -> None:
    """No exponent and no rounding artefact reaches a time attribute."""
    results = [
        replace(reading(4.0, device=device), duration_s=duration_s)
        for device, duration_s in zip(
            _devices(3), (1e-05, 28800.12345, 0.1 + 0.2), strict=True
        )
    ]
    root = write(_one(script, *results))
    times = [
        element.attrib["time"] for element in root.iter() if "time" in element.attrib
    ]
    assert times == ["28800.423", "28800.423", "0.000", "28800.123", "0.300"]


def test_case_properties_on_request(
    script: Script, write: Write, reading: Reading
) -> None:
    """Asked for, each case carries its values as properties, before all else."""
    (case,) = _cases(write(_one(script, reading(4.0)), case_properties=True)).values()
    assert case[0].tag == "properties"
    assert case[0][0].attrib == {
        "name": "temperature",
        "value": "4 degC (limits 2 .. 6) ok",
    }


def test_evidence_is_shown_and_cut(script: Script, write: Write) -> None:
    """Evidence is one line a fact, and a long one is cut with a note."""
    result = CheckResult(
        outcome=Outcome.PASSED,
        evidence={"supply": "external", "echoes": ["fc"] * 500, "edge_us": 12.5},
    )
    (case,) = _cases(write(_one(script, result))).values()
    lines = (case.findtext("system-out") or "").splitlines()
    assert "evidence supply = external" in lines
    assert "evidence edge_us = 12.5" in lines
    (echoes,) = [line for line in lines if line.startswith("evidence echoes")]
    assert echoes.endswith("(whole in the journal)")
    assert len(echoes) < 500


@settings(
    suppress_health_check=[HealthCheck.function_scoped_fixture],
    max_examples=150,
    deadline=None,
    derandomize=True,
)
@pytest.mark.slow
@given(data=st.data())
def test_any_text_is_safe(
    data: st.DataObject, write: Write, new_script: Callable[[], Script]
) -> None:
    """Whatever texts come in, the report is sound and gives the message back."""

    def draw() -> str:
        return data.draw(ANYTHING | HOSTILE)

    message = draw()
    result = CheckResult(
        outcome=data.draw(st.sampled_from(list(Outcome))),
        device=DeviceRef(rom_code=draw(), family=0x28, socket=draw()),
        kind=draw(),
        message=message,
        hint=draw(),
        measurements=(
            Measurement(name=draw(), value=draw(), unit=draw(), wanted=draw()),
        ),
        retries=(Attempt(outcome=Outcome.FAILED, kind=draw(), message=draw()),),
        evidence={draw(): draw()},
    )
    script = new_script()
    title = draw()
    script.start(
        (draw(), draw(), title),
        run_id=draw(),
        host=draw(),
        plan={"title": draw(), "path": draw(), draw(): {draw(): draw()}},
        fixture={"title": draw(), "sockets": [draw()]},
        versions={draw(): draw()},
    )
    step = script.events[0]["steps"][0]["step"]
    script.check(step, result)
    script.events[0]["at"] = draw()
    root = write(script.add("step_done", step=step, outcome=str(result.outcome)))
    first = next(root.iter("testcase"))
    assert one_line(title).strip(" ") in first.attrib["name"]
    output = first.findtext("system-out") or ""
    if result.outcome is not Outcome.PASSED and message:
        head = output.split("\n")[0]
        assert unescaped(head) == f"{result.outcome}: {message}"


@pytest.mark.parametrize(
    ("title", "part"),
    [
        ("Incoming Thermometers", "incoming_thermometers"),
        ("a.b/c  d", "a_b_c_d"),
        ("K\u00fchlhaus", "k\u00fchlhaus"),
        ("...", "unnamed"),
        ("\ud800\x00", "unnamed"),
    ],
)
def test_slugs(title: str, part: str) -> None:
    """Dots part class names in readers, so a slug has none."""
    assert slug(title) == part


def test_the_same_record_gives_the_same_bytes(
    script: Script, tmp_path: Path, reading: Reading
) -> None:
    """Written twice, byte by byte the same, without leftovers."""
    record = RunRecord.from_events(_one(script, reading(6.5, retries=1)).events)
    for name in ("a.xml", "b.xml"):
        write_junit(record, tmp_path / name)
    assert (tmp_path / "a.xml").read_bytes() == (tmp_path / "b.xml").read_bytes()
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.xml", "b.xml"]


def test_a_report_that_cannot_be_written_leaves_the_old_one(
    script: Script, tmp_path: Path, reading: Reading
) -> None:
    """The file in place is replaced whole or not touched."""
    record = RunRecord.from_events(_one(script, reading(4.0)).events)
    (tmp_path / "junit.xml").mkdir()
    with pytest.raises(OSError, match="directory"):
        write_junit(record, tmp_path / "junit.xml")
    assert (tmp_path / "junit.xml").is_dir()


@pytest.mark.slow
def test_ten_thousand_cases(script: Script, write: Write) -> None:
    """Ten thousand cases are all there, each under its own name."""
    results = [
        CheckResult(outcome=outcome, device=device, kind="k", message="m")
        for device, outcome in zip(_devices(10_000), _endless_outcomes(), strict=False)
    ]
    root = write(_one(script, *results))
    assert len(_cases(root)) == 10_000
    assert Counter(child.tag for case in root.iter("testcase") for child in case) == {
        "system-out": 10_000,
        "skipped": 2_500,
        "failure": 2_500,
        "error": 2_500,
    }


def _endless_outcomes() -> Iterator[Outcome]:
    while True:
        yield from Outcome


def test_no_raw_number_in_names(script: Script, write: Write, reading: Reading) -> None:
    """Names hold no measured value, whatever the message says."""
    root = write(_one(script, reading(6.5)))
    assert not any(re.search(r"6\.5", name) for name in _cases(root))
