"""Events and clocks for the tests of this room."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from harness.records import Attempt, CheckResult, DeviceRef, Measurement, Outcome
from harness.results.journal.writer import Journal

START = datetime(2026, 11, 24, 22, 58, 19, 804_000, tzinfo=UTC)


@dataclass
class HandClock:
    """A clock that moves only when it is told to."""

    elapsed_s: float = 0.0
    origin_s: float = 1000.0

    def now_s(self) -> float:
        return self.origin_s + self.elapsed_s

    def sleep(self, duration_s: float) -> None:
        self.elapsed_s += max(0.0, duration_s)

    def calendar(self) -> datetime:
        return START + timedelta(seconds=self.elapsed_s)


@dataclass
class Script:
    """Builds the events of an invented run, half a second apart."""

    events: list[dict[str, Any]] = field(default_factory=list)

    def add(self, event: str, /, **fields: Any) -> Script:  # noqa: ANN401
        t_s = 0.5 * len(self.events)
        at = (START + timedelta(seconds=t_s)).isoformat(timespec="milliseconds")
        stamps = {"event": event, "at": at.replace("+00:00", "Z"), "t_s": t_s}
        self.events.append({**stamps, **fields})
        return self

    def start(self, *steps: tuple[str, str, str], **changes: Any) -> Script:  # noqa: ANN401
        fields: dict[str, Any] = {
            "format": 1,
            "run_id": "run-0001",
            "plan": {
                "title": "incoming thermometers",
                "path": "plan.yaml",
                "sha256": "ab" * 32,
                "parameters": {"low_degc": 2.0, "high_degc": 6.0},
            },
            "fixture": {
                "title": "invented cold-store bench",
                "path": "bench.yaml",
                "sha256": "cd" * 32,
                "sockets": ["A1", "A2"],
            },
            "versions": {"slotproof": "0.1.0", "python": "3.11", "pyserial": "3.5"},
            "host": "bench-1",
            "steps": [{"step": s, "kind": k, "title": t} for s, k, t in steps],
        }
        return self.add("run_started", **{**fields, **changes})

    def check(self, step: str, *results: CheckResult, round_: int = 1) -> Script:
        for result in results:
            self.add("check_done", step=step, round=round_, result=result.as_dict())
        return self

    def step(self, step: str, kind: str, title: str, *results: CheckResult) -> Script:
        self.add("step_started", step=step, kind=kind, title=title, expected_s=1.0)
        self.check(step, *results)
        outcome = Outcome.worst([result.outcome for result in results])
        return self.add("step_done", step=step, outcome=str(outcome), duration_s=1.25)

    def done(
        self, outcome: str, exit_code: int, *, interrupted: bool = False
    ) -> Script:
        return self.add(
            "run_done", outcome=outcome, exit_code=exit_code, interrupted=interrupted
        )

    def write(self, folder: Path) -> Path:
        """The same through a real journal."""
        clock = HandClock()
        with Journal.create(folder, clock) as journal:
            for event in self.events:
                clock.elapsed_s = event["t_s"]
                fields = {
                    k: v for k, v in event.items() if k not in ("event", "at", "t_s")
                }
                journal.record(event["event"], **fields)
        return folder / "journal.jsonl"


@pytest.fixture
def clock() -> HandClock:
    return HandClock()


@pytest.fixture
def script() -> Script:
    return Script()


@pytest.fixture
def new_script() -> Callable[[], Script]:
    return Script


@pytest.fixture
def probe() -> DeviceRef:
    return DeviceRef(rom_code="1E0000A4B3C2D128", family=0x28, socket="A1")


@pytest.fixture
def reading(probe: DeviceRef) -> Callable[..., CheckResult]:
    """A temperature reading of 2 .. 6 degC limits, judged."""

    def make(
        value: float, *, device: DeviceRef | None = probe, retries: int = 0
    ) -> CheckResult:
        measured = Measurement(
            name="temperature", value=value, unit="degC", low=2.0, high=6.0
        )
        passed = measured.holds
        return CheckResult(
            outcome=Outcome.PASSED if passed else Outcome.FAILED,
            device=device,
            kind="" if passed else "limit",
            message=""
            if passed
            else f"temperature {value} degC is outside 2 .. 6 degC",
            hint="" if passed else "compare with the reference thermometer",
            measurements=(measured,),
            retries=tuple(
                Attempt(
                    outcome=Outcome.FAILED,
                    kind="check-value",
                    message=f"try {n + 1}: the check value does not match",
                )
                for n in range(retries)
            ),
            duration_s=0.75,
        )

    return make
