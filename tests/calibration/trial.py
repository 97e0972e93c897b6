"""One trial: a drawn bench examined, and what was said of it; a line of JSON."""

from __future__ import annotations

import hashlib
import tempfile
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from random import Random
from typing import Any

import yaml

from harness.diagnosis.diagnosis import DIAGNOSIS, Diagnosis
from harness.diagnosis.effort import Effort
from harness.diagnosis.engine import Examination
from harness.diagnosis.finding import Finding, FindingSeverity
from harness.driver.bus import Bus
from harness.errors import SlotproofError
from harness.plans.execution.connection import connect
from harness.plans.loading.files import load_fixture
from harness.plans.steps.diagnose import declared_by
from tests.calibration.draws import Mechanism, Truth

EFFORT = Effort()
"""That of the command `slotproof diagnose`."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Grade:
    """What a diagnosis was worth.

    Attributes:
        first: cause and kind of the first finding that claims trouble, or of a note where
            that is all there is to say of the mechanism; "nothing".
        confidence: its confidence.
        right: it names the mechanism, or says that it cannot be told from its likes.
        named: the mechanism is among what an undecided finding names.
    """

    first: str
    confidence: str
    right: bool
    named: bool


def seed_of(seed: int, name: str, number: int) -> Random:
    """Numbers of a draw; the same for the same seed, name and number."""
    digest = hashlib.sha256(f"{seed} {name} {number}".encode()).digest()
    return Random(int.from_bytes(digest[:8], "big"))


def examined(data: Mapping[str, Any], effort: Effort, wait_s: float = 0.0) -> Diagnosis:
    """A bench examined as the command does it."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "fixture.yaml"
        path.write_text(yaml.safe_dump(dict(data)), "utf-8")
        fixture = load_fixture(path)
        with connect(fixture) as bus:
            bus.clock.sleep(wait_s)
            return _run(bus, fixture, effort)


def _run(bus: Bus, fixture: Any, effort: Effort) -> Diagnosis:  # noqa: ANN401 - a fixture
    return Examination(
        bus, declared=lambda codes: declared_by(fixture, codes), effort=effort
    ).run()


def grade(found: Diagnosis, truth: Truth) -> Grade:
    """The first finding beside the truth."""
    worth = [f for f in found.findings if f.severity is not FindingSeverity.NOTE]
    # a note claims no trouble: of a mechanism that it does not name it says nothing
    worth += [f for f in found.findings if f"{f.cause}: {f.kind}" in truth.kinds]
    first = next(iter(worth), None)
    if first is None:
        return Grade(first="nothing", confidence="nothing", right=False, named=False)
    name = f"{first.cause}: {first.kind}"
    named = name in truth.kinds or _names(first, truth)
    right = name in truth.kinds or (name in truth.alike and named)
    return Grade(first=name, confidence=str(first.confidence), right=right, named=named)


def _names(finding: Finding, truth: Truth) -> bool:
    told = " ".join((*finding.discriminators, finding.summary))
    kinds = {kind.split(": ")[1] for kind in truth.kinds}
    return any(word in told for word in (*truth.words, *kinds))


def faulty(found: Diagnosis) -> list[str]:
    """Faults that a diagnosis claims."""
    return [
        f"{f.cause}: {f.kind}"
        for f in found.findings
        if f.severity is FindingSeverity.FAULT
    ]


_TIMES = (
    "round_trip_ms",
    "took_ms",
    "measured_baud",
    "rate_doubt",
    "arrivals",
    "probes",
    "bad_at_s",
    "took_s",
)


def _leaves(value: Any, path: str = "") -> dict[str, Any]:  # noqa: ANN401 - JSON
    if isinstance(value, Mapping):
        return {
            k: v
            for key, inner in value.items()
            for k, v in _leaves(inner, f"{path}/{key}").items()
        }
    if isinstance(value, list | tuple):
        return {
            k: v
            for n, inner in enumerate(value)
            for k, v in _leaves(inner, f"{path}/{n}").items()
        }
    return {path: value}


def _echoes(found: Diagnosis) -> dict[str, Any]:
    written = DIAGNOSIS.written(replace(found, findings=(), ruled_out=()))
    return _leaves(written)


def differs(found: Diagnosis, twin: Diagnosis, again: Diagnosis) -> bool:
    """True if echoes or their times differ from the twin's by more than repeats do.

    Of counts: at a place where the twin repeats itself. Of times: by more than a
    quarter and three times what the twin's own repeats differ.
    """
    seen, one, two = map(_echoes, (found, twin, again))
    for path in seen.keys() | one.keys():
        a, b, c = seen.get(path), one.get(path), two.get(path)
        if any(name in path for name in _TIMES):
            if _time_differs(a, b, c):
                return True
        elif a != b and b == c:
            return True
    return False


def _time_differs(a: Any, b: Any, c: Any) -> bool:  # noqa: ANN401 - JSON
    if not all(isinstance(x, int | float) for x in (a, b, c)):
        return False
    return bool(abs(a - b) > max(0.25 * abs(b), 3 * abs(b - c)))


def line_of(
    bench: str,
    mechanism: Mechanism,
    number: int,
    *,
    examine: Callable[[], Diagnosis],
    twins: Callable[[], tuple[Diagnosis, Diagnosis]],
) -> dict[str, Any]:
    """Fault, healthy twin and its repeat, as one line.

    Args:
        bench: which bench.
        mechanism: the mechanism.
        number: of the draw.
        examine: examines the bench with the fault.
        twins: the healthy bench examined twice, the second time a little later.
    """
    line: dict[str, Any] = {
        "bench": bench,
        "mechanism": mechanism.name,
        "number": number,
    } | ({"of": mechanism.of} if mechanism.of else {})
    try:
        twin, again = twins()
        found = examine()
    except SlotproofError as trouble:
        return line | {"error": trouble.what}
    graded = grade(found, mechanism.truth)
    return line | {
        "first": graded.first,
        "confidence": graded.confidence,
        "right": graded.right,
        "named": graded.named,
        "counts": differs(found, twin, again),
        "all": [
            f"{f.severity} {f.confidence} {f.cause}: {f.kind}" for f in found.findings
        ],
        "healthy": [faulty(twin), faulty(again)],
    }
