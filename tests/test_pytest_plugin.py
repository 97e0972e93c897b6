"""The pytest plugin: plans as items, their verdicts in pytest's words, the bus fixture."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pytest
import yaml

Make = Callable[..., Any]
"""A fixture that makes or runs something."""

pytest_plugins = ["pytester"]
pytestmark = pytest.mark.slow

PLAN = """\
plan: probes
parameters: {high_degc: 30}
steps:
  - reset: {times: 3}
  - enumerate: {count: 2}
  - for_each:
      family: 0x28
      steps:
        - read: {quantity: temperature, low: 10, high: $high_degc, unit: degC}
        - read: {quantity: alarm_high}
  - repeat: {times: 2, steps: [{reset: {name: once more}}]}
"""


@pytest.fixture
def plan_test(pytester: pytest.Pytester, bench_data: Make, new_device: Make) -> Make:
    """Run pytest on a plan and a fixture, in a folder of its own."""

    def run(*arguments: str, plan: str = PLAN, file: str = "probes.yaml", **data: Any) -> pytest.RunResult:  # noqa: ANN401  # fmt: skip
        bench = bench_data(
            [new_device(0x28, n, temperature_degc=20.0) for n in (5, 6)], **data
        )
        (pytester.path / "fixture.yaml").write_text(yaml.safe_dump(bench), "utf-8")
        (pytester.path / "probes.yaml").write_text(plan, "utf-8")
        return pytester.runpytest_inprocess(
            "--slotproof-fixture=fixture.yaml", "-p", "no:cacheprovider", file, *arguments
        )  # fmt: skip

    return run


def test_each_leaf_step_is_an_item(plan_test: Make) -> None:
    """A plan's leaf steps are items in its order, and a sound bench passes them all."""
    result = plan_test("-v")
    result.assert_outcomes(passed=5)
    result.stdout.fnmatch_lines(
        [
            "*::1 reset PASSED*",
            "*::2 enumerate 2 PASSED*",
            "*::3.1 read temperature PASSED*",
            "*::3.2 read alarm_high PASSED*",
            "*::4.1 once more PASSED*",
        ]
    )


def test_selected_by_word(plan_test: Make) -> None:
    """With -k single steps run; what they need is searched for without their elders."""
    result = plan_test("-k", "temperature")
    result.assert_outcomes(passed=1, deselected=4)


def test_failing_step_in_words(plan_test: Make) -> None:
    """A failed step shows verdict, value, limits and hint of each device, no traceback."""
    result = plan_test("--slotproof-set", "high_degc=15", "-rN")
    result.assert_outcomes(passed=4, failed=1)
    text = result.stdout.str()
    assert "failed: S1 F500000000000528: temperature is 20 degC" in text
    assert "temperature = 20 degC (limits 10 .. 15) outside" in text
    assert "look first: " in text
    assert "Traceback" not in text
    assert "pytest_plugin.py" not in text


def test_headline_names_the_device(plan_test: Make) -> None:
    """Headline and summary line have socket and ROM code of what failed, and why."""
    result = plan_test("--slotproof-set", "high_degc=15", "-rf")
    result.stdout.fnmatch_lines(
        [
            "*step 3.1 read temperature: S1 F500000000000528, S2 *28 _*",
            "FAILED probes.yaml::3.1 read temperature - S1 F500000000000528, S2 *",
        ]
    )


def test_junit_xml(plan_test: Make, pytester: pytest.Pytester) -> None:
    """The JUnit file of pytest itself has a case for each step, with the failure's words."""
    plan_test("--junitxml=out.xml", "--slotproof-set", "high_degc=15")
    cases = list(ElementTree.parse(pytester.path / "out.xml").iter("testcase"))
    failures = [case for case in cases if case.find("failure") is not None]
    assert len(cases) == 5
    assert [case.get("name") for case in failures] == ["3.1 read temperature"]
    message = failures[0].findall("failure")[0].get("message") or ""
    assert message.startswith("S1 F500000000000528, S2 ")
    assert "temperature is 20 degC, above the high limit 15 degC" in message


def test_values_reach_junit_xml(plan_test: Make, pytester: pytest.Pytester) -> None:
    """Each device's values, units, limits and verdicts are properties of the case."""
    plan_test("--junitxml=out.xml")
    cases = ElementTree.parse(pytester.path / "out.xml").iter("testcase")
    known = {
        case.get("name"): {p.get("name"): p.get("value") for p in case.iter("property")}
        for case in cases
    }
    value = "20 degC (limits 10 .. 30) ok"
    first = "S1 F500000000000528"
    assert known["3.1 read temperature"][f"{first} temperature"] == value
    assert known["3.1 read temperature"][f"{first} verdict"] == "passed"
    assert len(known["3.1 read temperature"]) == 4
    assert known["1 reset"]["bus presence_seen"] == "3 resets (wanted 3) ok"


REREAD = """\
plan: t
steps:
  - convert: {}
  - read: {quantity: temperature, fresh: false, low: 10, high: 30, unit: degC}
  - enumerate: {count: 2}
"""


@pytest.mark.parametrize(
    "choice", [("-k", "temperature"), ("--deselect", "probes.yaml::1 convert")]
)
def test_conversion_of_a_step_left_out(
    plan_test: Make, pytester: pytest.Pytester, choice: tuple[str, ...]
) -> None:
    """A reading whose convert is left out makes it: sound devices pass, with a note."""
    result = plan_test(*choice, "--junitxml=out.xml", plan=REREAD)
    assert result.ret == 0
    assert "of 3 steps of probes.yaml are selected" in result.stdout.str()
    text = (pytester.path / "out.xml").read_text("utf-8")
    assert text.count("step 1 (convert) was not run (deselected)") == 2


def test_one_step_by_its_name(plan_test: Make) -> None:
    """A step named on the command line likewise."""
    result = plan_test(plan=REREAD, file="probes.yaml::2 read temperature")
    result.assert_outcomes(passed=1)
    assert "1 of 3 steps of probes.yaml are selected" in result.stdout.str()


def test_last_failed(plan_test: Make, pytester: pytest.Pytester) -> None:
    """With --lf the step that failed is repeated with a conversion of its own."""
    arguments = ("-p", "cacheprovider", "--slotproof-fixture=fixture.yaml", "probes.yaml")  # fmt: skip
    plan_test(plan=REREAD.replace("high: 30", "high: 15"))
    pytester.runpytest_inprocess(*arguments).assert_outcomes(passed=2, failed=1)
    (pytester.path / "probes.yaml").write_text(REREAD, "utf-8")
    result = pytester.runpytest_inprocess(*arguments, "--lf")
    result.assert_outcomes(passed=1)


SHUFFLE = """
import pytest

@pytest.hookimpl(wrapper=True, tryfirst=True)
def pytest_collection_modifyitems(items):
    yield
    items.reverse()
    items.append(items.pop(2))
"""


def test_items_stay_in_the_order_of_the_plan(
    plan_test: Make, pytester: pytest.Pytester
) -> None:
    """Whatever reverses or mixes tests, those of a plan run together and in order."""
    pytester.makeconftest(SHUFFLE)
    pytester.makepyfile(test_other="def test_a(): pass\ndef test_b(): pass")
    result = plan_test(".", "-v", "-p", "no:randomly", plan=REREAD)
    result.assert_outcomes(passed=5)
    result.stdout.fnmatch_lines(["*::1 convert *", "*::2 read *", "*::3 enumerate 2 *"])


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_items_stay_in_order_under_chance(plan_test: Make, seed: int) -> None:
    """A plugin that shuffles by chance moves no step of a plan."""
    pytest.importorskip("pytest_randomly", reason="pytest-randomly is not installed")
    result = plan_test("-v", f"--randomly-seed={seed}", plan=REREAD)
    result.assert_outcomes(passed=3)
    result.stdout.fnmatch_lines(["*::1 convert *", "*::2 read *", "*::3 enumerate 2 *"])


@pytest.mark.parametrize("dist", ["", "worksteal", "loadfile"])
def test_one_worker_for_a_bench(
    plan_test: Make, pytester: pytest.Pytester, dist: str
) -> None:
    """Spread over workers, a plan stays on one, and its failures name the device."""
    pytest.importorskip("xdist", reason="pytest-xdist is not installed")
    chosen = [f"--dist={dist}"] if dist else []
    plan = REREAD.replace("high: 30", "high: 15")
    result = plan_test("-n2", *chosen, "--junitxml=out.xml", "-rf", plan=plan)
    result.assert_outcomes(passed=2, failed=1)
    text = (pytester.path / "out.xml").read_text("utf-8")
    assert "was not run" not in text
    assert "S1 F500000000000528 temperature" in text
    assert " - S1 F500000000000528, S2 " in result.stdout.str()


def test_every_worker_on_one_bench_is_refused(plan_test: Make) -> None:
    """--dist each would run the plan in every worker at once: it is refused in words."""
    pytest.importorskip("xdist", reason="pytest-xdist is not installed")
    result = plan_test("--dist=each", "--tx=2*popen")
    assert result.ret == pytest.ExitCode.USAGE_ERROR
    assert "there is one bench" in result.stderr.str() + result.stdout.str()


INTERLEAVE = """
def pytest_runtestloop(session):
    for item in session.items[:2]:
        item.config.hook.pytest_runtest_protocol(item=item, nextitem=None)
    return True
"""


def test_a_loop_that_takes_the_items_apart_is_told(
    plan_test: Make, pytester: pytest.Pytester
) -> None:
    """A run loop of another plugin that splits a plan makes errors, no failed device."""
    pytester.makeconftest(INTERLEAVE)
    result = plan_test(plan=REREAD)
    result.assert_outcomes(passed=1, errors=1)
    assert "which ended its run" in result.stdout.str()


def test_adapter_fault_is_an_error(plan_test: Make, pytester: pytest.Pytester) -> None:
    """An adapter that goes deaf on the way makes errors, not failures."""
    deaf = {"kind": "adapter-no-echo", "at_s": 5.0}
    plan = "plan: t\nsteps: [{reset: {}}, {wait: {for_s: 6}}, {reset: {name: last}}]\n"
    result = plan_test("--junitxml=out.xml", plan=plan, faults=[deaf])
    result.assert_outcomes(passed=2, errors=1)
    root = ElementTree.parse(pytester.path / "out.xml").getroot()
    assert [len(list(root.iter(kind))) for kind in ("error", "failure")] == [1, 0]
    assert "none came back" in result.stdout.str()


def test_adapter_that_cannot_begin(plan_test: Make) -> None:
    """An adapter that fails its self-check is an error of every step, with the hint."""
    result = plan_test(faults=[{"kind": "adapter-no-echo"}])
    result.assert_outcomes(errors=5)
    text = result.stdout.str()
    assert "RX listens to the bus line" in text
    assert "Traceback" not in text
    assert "adapter.py" not in text


def test_stop_skips_the_rest(plan_test: Make) -> None:
    """After a step that stops the run the others are skipped, naming it."""
    plan = PLAN.replace("{count: 2}", "{count: 3, on_fail: stop}")
    result = plan_test("-rs", plan=plan)
    result.assert_outcomes(passed=1, failed=1, skipped=3)
    assert "the run stopped at step 2" in result.stdout.str()


def test_prompt_is_skipped(plan_test: Make) -> None:
    """Nobody can be asked under pytest: a prompt is skipped, with its text."""
    plan = "plan: t\nsteps: [{prompt: {text: shut the lid}}, {reset: {}}]\n"
    result = plan_test("-rs", plan=plan)
    result.assert_outcomes(passed=1, skipped=1)
    assert "shut the lid" in result.stdout.str()


def test_bad_plan_is_a_message(plan_test: Make) -> None:
    """A mistake in the plan is a collection error with file and line, no traceback."""
    result = plan_test(plan="plan: t\nsteps:\n  - reset: {time: 3}\n")
    result.assert_outcomes(errors=1)
    text = result.stdout.str()
    assert "probes.yaml:3:13: " in text
    assert "Traceback" not in text
    assert "loading" not in text


def test_bad_parameter_is_a_message(plan_test: Make) -> None:
    """A parameter that the plan lacks is told as on the command line."""
    result = plan_test("--slotproof-set", "high=3")
    result.assert_outcomes(errors=1)
    assert "did you mean 'high_degc'" in result.stdout.str()


def test_results_can_be_kept(plan_test: Make, pytester: pytest.Pytester) -> None:
    """With --slotproof-into each plan leaves journal and JUnit file as a run does."""
    plan_test("--slotproof-into=kept")
    kept = sorted(p.name for p in (pytester.path / "kept/probes").iterdir())
    assert kept == ["journal.jsonl", "junit.xml", "report.html"]
    text = (pytester.path / "kept/probes/junit.xml").read_text("utf-8")
    assert 'tests="' in text
    assert "<failure" not in text


def test_an_absent_port_leaves_an_error_case(
    plan_test: Make, pytester: pytest.Pytester
) -> None:
    """The run that could not begin is an error in the kept reports, as on the command line."""
    plan_test("--collect-only")
    fixture = pytester.path / "fixture.yaml"
    bench = yaml.safe_load(fixture.read_text("utf-8"))
    bench["adapter"]["port"] = "/dev/ttyNotThere0"
    fixture.write_text(yaml.safe_dump(bench), "utf-8")
    result = pytester.runpytest_inprocess(
        "--slotproof-fixture=fixture.yaml", "--slotproof-into=kept", "probes.yaml"
    )
    result.assert_outcomes(errors=5)
    junit = ElementTree.parse(pytester.path / "kept/probes/junit.xml")
    (error,) = junit.iter("error")
    assert error.attrib["type"] == "port-absent"
    assert (pytester.path / "kept/probes/report.html").exists()


BUS_TEST = """
from harness.driver.search import enumerate_devices

def test_two_probes(bus):
    assert len(enumerate_devices(bus).found) == 2

def test_again(bus):
    assert bus.reset().presence == "seen"
"""


def test_bus_fixture(plan_test: Make, pytester: pytest.Pytester) -> None:
    """A Python test gets an open, proved bus on the same bench."""
    pytester.makepyfile(test_bench=BUS_TEST)
    plan_test(file="test_bench.py").assert_outcomes(passed=2)


def test_bus_fixture_on_a_deaf_adapter(
    plan_test: Make, pytester: pytest.Pytester
) -> None:
    """An adapter that fails its self-check is an error of the test, told in words."""
    pytester.makepyfile(test_bench=BUS_TEST)
    deaf = [{"kind": "adapter-no-echo"}]
    result = plan_test(file="test_bench.py", faults=deaf)
    result.assert_outcomes(errors=2)
    assert "RX listens to the bus line" in result.stdout.str()
    assert "adapter.py" not in result.stdout.str()


def test_bad_fixture_file_is_a_message(
    plan_test: Make, pytester: pytest.Pytester
) -> None:
    """A mistake in the fixture file is told with its line, to plans and to Python tests."""
    pytester.makepyfile(test_bench=BUS_TEST)
    for file in ("test_bench.py", "probes.yaml"):
        result = plan_test(file=file, colour="blue")
        assert result.ret != 0
        assert "fixture.yaml:" in result.stdout.str()
        assert "colour" in result.stdout.str()
        assert "Traceback" not in result.stdout.str()


def test_bus_fixture_without_a_bench(pytester: pytest.Pytester) -> None:
    """Without a fixture file tests of the bus are skipped, and YAML files let alone."""
    pytester.makepyfile(test_bench=BUS_TEST)
    Path(pytester.path / "other.yaml").write_text("a: 1\n", "utf-8")
    result = pytester.runpytest_inprocess("-p", "no:cacheprovider")
    result.assert_outcomes(skipped=2)


def test_other_yaml_is_let_alone(plan_test: Make, pytester: pytest.Pytester) -> None:
    """With a fixture named, YAML files that are no plans are passed over."""
    (pytester.path / "settings.yaml").write_text("colour: blue\n", "utf-8")
    plan_test(file=".").assert_outcomes(passed=5)


BACKWARDS = """
def pytest_runtestloop(session):
    items = [*reversed(session.items), None]
    for item, following in zip(items, items[1:]):
        item.config.hook.pytest_runtest_protocol(item=item, nextitem=following)
    return True
"""


def test_a_loop_that_runs_backwards_is_told(
    plan_test: Make, pytester: pytest.Pytester
) -> None:
    """A run loop of another plugin that turns a plan round makes errors likewise."""
    pytester.makeconftest(BACKWARDS)
    result = plan_test(plan=REREAD)
    result.assert_outcomes(passed=1, errors=2)
    assert "the items of this plan were put out of order" in result.stdout.str()


SETTINGS = """\
plan: t
steps:
  - for_each:
      family: 0x28
      steps:
        - configure: {settings: {resolution_bits: 9, alarm_high_degc: 9, alarm_low_degc: 0}}
  - read: {quantity: resolution, low: 9, high: 9}
  - read: {quantity: alarm_high, low: 9, high: 9}
  - read: {quantity: temperature, fresh: false}
  - enumerate: {alarm: true, count: 2}
"""


@pytest.mark.parametrize("word", ["resolution", "alarm_high", "temperature", "enumerate"])  # fmt: skip
def test_settings_of_a_step_left_out(
    plan_test: Make, pytester: pytest.Pytester, word: str
) -> None:
    """What is governed by a setting is judged under it: it is set, and noted."""
    chosen = f"{word} and not configure"
    result = plan_test("-k", chosen, "--junitxml=out.xml", plan=SETTINGS)
    result.assert_outcomes(passed=1, deselected=4)
    text = (pytester.path / "out.xml").read_text("utf-8")
    assert "was not run (deselected): " in text
    assert "was set for this step" in text
    assert ("resolution_bits 9" in text) == (word in {"resolution", "temperature"})


UNIT_PLAN = """\
plan: probes
unit: {serial_pattern: "CS-[0-9]+", columns: {high: 30.0}}
steps:
  - read: {quantity: temperature, high: $unit.high, unit: degC}
"""


def test_values_of_a_unit(plan_test: Make) -> None:
    """Given by an option of its own; without them one sentence with the cure."""
    result = plan_test("--slotproof-unit=high=5", plan=UNIT_PLAN)
    result.assert_outcomes(failed=1)
    result.stdout.fnmatch_lines(["*above the high limit 5 degC*"])
    plan_test(plan=UNIT_PLAN).stdout.fnmatch_lines(
        ["*takes $unit.high, and this unit has none*--slotproof-unit high=...*"]
    )
    wrong = plan_test("--slotproof-unit=hihg=5", plan=UNIT_PLAN)
    wrong.stdout.fnmatch_lines(["*--slotproof-unit does not know 'hihg'*'high'*"])
