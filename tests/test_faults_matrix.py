"""Every fault of the bench, and what a run says about it: outcome, kind, words, hint.

Rule 1: what adapter or fixture did is an error (exit code 3) and never a failed
device. Rule 2: what line or device did is a failure (exit code 1) with a hint. Rule 3:
the same bench without the fault passes.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import pytest

from harness.records import CheckResult, Outcome
from harness.wire.romcode import RomCode

Make = Callable[..., Any]
"""A fixture that makes or runs something."""

STEPS = """
- wait: {for_s: 1}
- reset: {times: 10}
- enumerate: {count: 3, match_sockets: true}
- verify: {}
- for_each: {family: 0x28, steps: [{read: {quantity: temperature, low: 10, high: 30}}]}
"""
RESET, ENUMERATE, VERIFY, READ = "2", "3", "4", "5.1"
BEFORE = ""
"""The run as a whole: what hinders its beginning."""


@dataclass(frozen=True, kw_only=True)
class Case:
    """A fault, and what it must lead to.

    Attributes:
        fault: as in a fixture, without its time.
        during: the step at whose start it begins; None from power-up on.
        step: where it must be told first.
        socket: of which device; empty for the bus.
        code: exit code of the run.
        kind: of the result.
        says: part of its message.
        hint: part of its hint.
    """

    fault: dict[str, Any]
    step: str
    code: int
    kind: str
    says: str
    hint: str
    during: str | None = None
    socket: str = ""


LINE_AND_DEVICE = {
    "line-shorted-mid-run": Case(
        fault={"kind": "line-shorted"},
        during=ENUMERATE,
        step=ENUMERATE,
        code=1,
        kind="line-shorted",
        says="stayed low",
        hint="halve the wiring",
    ),
    "nobody": Case(
        fault={"kind": "device-absent"},
        step=RESET,
        code=1,
        kind="no-presence",
        says="10 of 10 resets: presence absent",
        hint="device is in the socket",
    ),
    "one-absent": Case(
        fault={"kind": "device-absent", "device": "S2"},
        step=ENUMERATE,
        socket="S2",
        code=1,
        kind="device-absent",
        says="socket S2",
        hint="reseat that device",
    ),
    "presence-late": Case(
        fault={"kind": "presence-late"},
        step=RESET,
        code=1,
        kind="presence-late",
        says="presence late",
        hint="later than 60 us",
    ),
    "presence-long": Case(
        fault={"kind": "presence-long"},
        step=RESET,
        code=1,
        kind="presence-long",
        says="presence long",
        hint="longer than 300 us",
    ),
    "one-presence-long": Case(
        fault={"kind": "presence-long", "device": "S2"},
        step=RESET,
        code=1,
        kind="presence-unclear",
        says="presence unclear",
        hint="two lows after the reset",
    ),
    "weak-pull-up": Case(
        fault={"kind": "weak-pull-up"},
        during=ENUMERATE,
        step=ENUMERATE,
        code=1,
        kind="slot-disturbed",
        says="written slots came back changed",
        hint="slow edge",
    ),
    "too-much-capacitance": Case(
        fault={"kind": "extra-capacitance", "extra_nf": 5.0},
        during=ENUMERATE,
        step=ENUMERATE,
        code=1,
        kind="slot-disturbed",
        says="written slots came back changed",
        hint="slow edge",
    ),
    "noise-burst": Case(
        fault={"kind": "noise-burst", "for_s": 0.2, "polarity": "up"},
        during=RESET,
        step=RESET,
        code=1,
        kind="no-presence",
        says="of 10 resets",
        hint="it comes and goes",
    ),
    "drops-off": Case(
        fault={"kind": "device-drops-off", "device": "S2"},
        during=READ,
        step=READ,
        socket="S2",
        code=1,
        kind="device-absent",
        says="nine bytes of FFh",
        hint="reseat that device",
    ),
    "duplicate-rom": Case(
        fault={"kind": "duplicate-rom", "device": "S2", "original": "S1"},
        step=ENUMERATE,
        code=1,
        kind="count",
        says=f"not found: S2 ({RomCode.build(0x28, 6)})",
        hint="two devices with one ROM code count once",
    ),
    "wrong-rom-crc": Case(
        fault={"kind": "wrong-rom-crc", "device": "S2"},
        step=ENUMERATE,
        code=1,
        kind="rom-code",
        says="CRC wrong",
        hint="one device at a time",
    ),
    "zero-rom": Case(
        fault={"kind": "zero-rom", "device": "S2"},
        step=ENUMERATE,
        code=1,
        kind="rom-code",
        says="ROM code 0000000000000000",
        hint="line may be held low",
    ),
    "stuck-at-power-on": Case(
        fault={"kind": "stuck-at-power-on", "device": "S2"},
        step=READ,
        socket="S2",
        code=1,
        kind="reading-implausible",
        says="85 degC is the power-on value",
        hint="check its supply lead",
    ),
}

ADAPTER_AND_FIXTURE = {
    "bit-flips": Case(  # an adapter that spoils characters reads so too
        fault={"kind": "bit-flips", "probability": 0.05},
        during=ENUMERATE,
        step=ENUMERATE,
        code=3,
        kind="echo-doubtful",
        says="come back changed",
        hint="noise on the line",
    ),
    "short-noise-burst": Case(  # over before it can be asked for again
        fault={"kind": "noise-burst", "for_s": 0.015, "polarity": "up"},
        during=RESET,
        step=RESET,
        code=3,
        kind="echo-doubtful",
        says="not so when asked again at once",
        hint="noise on the line",
    ),
    "line-shorted-before-start": Case(
        fault={"kind": "line-shorted"},
        step=BEFORE,
        code=3,
        kind="no-echo",
        says="none came back",
        hint="the line is not held low",
    ),
    "line-stuck-high": Case(
        fault={"kind": "line-stuck-high"},
        step=BEFORE,
        code=3,
        kind="no-echo",
        says="none came back",
        hint="RX listens to the bus line",
    ),
    "line-stuck-high-mid-run": Case(
        fault={"kind": "line-stuck-high"},
        during=ENUMERATE,
        step=ENUMERATE,
        code=3,
        kind="no-echo",
        says="worked before",
        hint="measure the idle line",
    ),
    "no-echo": Case(
        fault={"kind": "adapter-no-echo"},
        step=BEFORE,
        code=3,
        kind="no-echo",
        says="none came back",
        hint="RX listens to the bus line",
    ),
    "no-echo-mid-run": Case(
        fault={"kind": "adapter-no-echo"},
        during=ENUMERATE,
        step=ENUMERATE,
        code=3,
        kind="no-echo",
        says="worked before",
        hint="RX has lost the line",
    ),
    "drops-bytes": Case(
        fault={"kind": "adapter-drops-bytes", "probability": 0.02},
        step=BEFORE,
        code=3,
        kind="short-echo",
        says="came back",
        hint="shorter bursts",
    ),
    "drops-bytes-mid-run": Case(
        fault={"kind": "adapter-drops-bytes", "probability": 0.02},
        during=VERIFY,
        step=VERIFY,
        socket="S1",
        code=3,
        kind="short-echo",
        says="sent 200 characters",
        hint="shorter bursts",
    ),
    "unplugged": Case(
        fault={"kind": "adapter-unplugged"},
        during=ENUMERATE,
        step=ENUMERATE,
        code=3,
        kind="adapter-unplugged",
        says="the adapter is gone",
        hint="USB cable",
    ),
    "unplugged-and-back": Case(
        fault={"kind": "adapter-unplugged", "for_s": 2.0},
        during=ENUMERATE,
        step=ENUMERATE,
        code=3,
        kind="adapter-unplugged",
        says="the adapter is gone",
        hint="the measurement in hand is invalid",
    ),
    "echoes-far-too-late": Case(
        fault={"kind": "latency-jitter", "extra_ms": 800, "probability": 1.0},
        during=ENUMERATE,
        step=ENUMERATE,
        code=3,
        kind="no-echo",
        says="came too late",
        hint="latency timer",
    ),
}


@pytest.fixture
def run_with(run_plan: Make, bench_data: Make, new_device: Make) -> Make:
    """Run the plan of this module with a fault, begun where the case says."""

    def data(faults: list[dict[str, Any]]) -> Any:  # noqa: ANN401
        devices = [new_device(0x28, 5), new_device(0x28, 6), new_device(0x01, 7)]
        return bench_data(devices, faults=faults)

    def run(case: Case | None = None) -> Any:  # noqa: ANN401
        sound = run_plan(STEPS, data([]))
        if case is None:
            return sound
        at_s = 0.0
        if case.during is not None:
            # 2 ms into the step, between its first exchanges
            at_s = sound.started_s(case.during) + 0.002
        return run_plan(STEPS, data([{**case.fault, "at_s": at_s}]))

    return run


def must_be(result: CheckResult, case: Case, outcome: Outcome) -> None:
    """Compare a result with its case."""
    assert (result.outcome, result.kind) == (outcome, case.kind)
    assert case.says in result.message
    assert case.hint in result.hint


def devices_failed(ran: Any) -> list[str]:  # noqa: ANN401
    """Devices, and the bus, with a failed result."""
    return [
        f"{step.step} {result.device.label if result.device else 'bus'}"
        for step, result in ran.record.results
        if result.outcome is Outcome.FAILED
    ]


def test_without_a_fault_it_passes(run_with: Make) -> None:
    """The twin of every case below: the same bench, no fault, every check passed."""
    ran = run_with()
    assert ran.code == 0
    assert {str(result.outcome) for _, result in ran.record.results} == {"passed"}
    assert all(result.retries == 0 for _, result in ran.record.results)


@pytest.mark.parametrize("name", LINE_AND_DEVICE)
def test_line_and_device_faults_fail(run_with: Make, name: str) -> None:
    """A fault of line or device is a failure where it shows first, with a hint."""
    case = LINE_AND_DEVICE[name]
    ran = run_with(case)
    must_be(ran.shown(case.step, case.socket), case, Outcome.FAILED)
    assert ran.code == case.code


@pytest.mark.parametrize("name", ADAPTER_AND_FIXTURE)
def test_adapter_and_fixture_faults_are_errors(run_with: Make, name: str) -> None:
    """A fault of adapter or fixture is an error, and nothing at all is failed by it."""
    case = ADAPTER_AND_FIXTURE[name]
    ran = run_with(case)
    must_be(ran.shown(case.step, case.socket), case, Outcome.ERROR)
    assert ran.code == case.code
    assert devices_failed(ran) == []


@pytest.mark.parametrize("seed", range(12))
@pytest.mark.parametrize(
    "fault",
    [
        {"kind": "adapter-drops-bytes", "probability": 0.01},
        {"kind": "latency-jitter", "extra_ms": 700, "probability": 0.05},
        {"kind": "latency-jitter", "extra_ms": 150, "probability": 0.2},
        {"kind": "adapter-unplugged", "every_s": 2.5, "for_s": 0.8},
    ],
    ids=lambda fault: fault["kind"],
)
def test_no_seed_books_the_adapter_against_a_device(
    run_plan: Make, bench_data: Make, new_device: Make, *, fault: dict[str, Any], seed: int
) -> None:  # fmt: skip
    """Whenever the adapter misbehaves, verdicts are passed or error, never failed."""
    devices = [new_device(0x28, 5), new_device(0x28, 6), new_device(0x01, 7)]
    data = bench_data(devices, faults=[{**fault, "at_s": 1.0 + seed / 40}], seed=seed)
    ran = run_plan(STEPS, data)
    assert devices_failed(ran) == []
    assert ran.code in {0, 3}


@pytest.mark.parametrize(
    "kind", ["latency-jitter", "extra-capacitance", "weak-pull-up"]
)
def test_harmless_doses_pass(
    run_plan: Make, bench_data: Make, new_device: Make, kind: str
) -> None:
    """Echoes late within patience, and edges that the slots are fitted to, fail nothing."""
    data = bench_data([new_device(0x28, 5)], faults=[{"kind": kind}])
    assert run_plan("- reset: {times: 20}\n- enumerate: {count: 1}", data).code == 0


def test_a_fault_that_passes_over_is_seen_in_the_retries(
    run_plan: Make, bench_data: Make, new_device: Make
) -> None:
    """A short noise burst is got over by a retry, and the retry is told."""
    steps = "- wait: {for_s: 1}\n- verify: {retries: 3}"
    devices = [new_device(0x28, 5), new_device(0x28, 6)]
    start_s = run_plan(steps, bench_data(devices)).started_s("2")
    burst = {"kind": "bit-flips", "probability": 0.5, "at_s": start_s, "for_s": 0.015}
    ran = run_plan(steps, bench_data(devices, faults=[burst]))
    (first, second) = ran.step("2").results
    assert ran.code == 0
    assert first.passed_after_retry
    assert first.attempts[0].message
    assert second.retries == 0
