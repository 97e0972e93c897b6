"""What holds of every kind of device when bits flip, the line is noisy, or it is gone."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from typing import Any

import pytest

from harness.errors import DeviceError, LineError
from harness.families.check import Findings
from harness.simulation.faults import settings as fs
from tests.families.cases import BENCH_SECRET, CASES, Case, Job, open_case
from tests.families.replay import Outcome, Recorder, flipped
from tests.families.trials import TRIALS, Trial

Make = Callable[..., Any]
"""A fixture that makes something; conftest has the signatures."""

_SAME_CODE = frozenset(
    {0x22, 0x10, 0x06, 0x04, 0x0A, 0x0C, 0x0F, 0x8B, 0x8F, 0x89, 0x2F, 0x27}
)
"""Kinds that share all their code with 28h, 08h, 0Bh, 09h, 33h or 24h: tried with those."""

_UNLIKE = [case for case in CASES if case.family not in _SAME_CODE]

_MANY = 2000
"""Bits of a job that are all flipped; of more, evenly chosen ones."""

_POINTS = 3
"""Places of a job at which the device is pulled off, the first and last ones too."""


@pytest.fixture(autouse=True)
def secrets_in_environment(monkeypatch: pytest.MonkeyPatch) -> None:
    """Invented secrets where a user keeps them."""
    monkeypatch.setenv("BENCH_SECRET", BENCH_SECRET)
    monkeypatch.setenv("OTHER_SECRET", "51 52 53 54 55 56 57 58")


# -- flipped bits --------------------------------------------------------------------


@pytest.mark.parametrize("case", _UNLIKE, ids=str)
def test_every_flipped_bit_is_caught(live: Make, case: Case) -> None:
    """Each bit of each answer once: an error, no difference, or counted as not seen.

    No difference is a bit that nothing hangs on, or a reading that was outvoted. The
    answers are those of the simulated device on a sound line.
    """
    unseen: Counter[str] = Counter()
    for job in case.jobs:
        record = Recorder(open_case(live, case))
        wanted = job(record.session)
        for bit in range(0, record.bits, 1 + record.bits // _MANY):
            if flipped(record, job, wanted, bit) is Outcome.UNSEEN:
                unseen[job.__name__] += 1
    assert dict(unseen) == dict(case.unseen)


# -- noise ---------------------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize("trial", TRIALS, ids=str)
def test_noise_never_goes_unseen(live: Make, trial: Trial) -> None:
    """Through a noisy line what is said is right, or it is an error."""
    right = errors = 0
    for seed in range(trial.seeds):
        faults = [{"kind": "bit-flips", "probability": 1 / trial.one_in}]
        session = live(
            trial.family,
            fixture=dict(trial.fixture),
            simulation={"seed": seed, "faults": faults},
            **trial.device,
        )
        for number in range(trial.rounds):
            try:
                trial.tried(session, seed, number)
            except (DeviceError, LineError):
                errors += 1
                session.memory.clear()
            else:
                right += 1
    assert right > trial.right
    assert errors > trial.errors


def test_every_kind_is_tried_through_noise() -> None:
    """No kind is forgotten; kinds that share all their code are tried once."""
    tried = {trial.family for trial in TRIALS}
    assert {case.family for case in _UNLIKE} == tried


# -- pulled off ----------------------------------------------------------------------


@pytest.mark.parametrize("case", _UNLIKE, ids=str)
def test_pulled_off_in_the_middle(live: Make, case: Case) -> None:
    """Gone behind an exchange of a job that is not its last: an error, never a success."""
    for job in case.pulled:
        count, _ = _exchanges(open_case(live, case), job, None)
        last = count - 2 - case.blind_end
        for point in sorted({1 + n * last // (_POINTS - 1) for n in range(_POINTS)}):
            session = open_case(live, case)
            with pytest.raises((DeviceError, LineError, _NotMet)):
                _insist(session, job, point)


def _insist(session: Any, job: Job, gone_after: int) -> None:  # noqa: ANN401
    """Do a job with a device that goes, and raise _NotMet if it says that it failed."""
    _, holds = _exchanges(session, job, gone_after)
    if not holds:
        raise _NotMet


class _NotMet(Exception):
    """The check came to an end and says that a value does not hold."""


def _exchanges(
    session: Any,  # noqa: ANN401 - its adapter is listened to
    job: Job,
    gone_after: int | None,
) -> tuple[int, bool]:
    """Do a job; how many exchanges it took, and whether all that it says holds.

    The device goes behind exchange ``gone_after``.
    """
    adapter = session._bus.adapter
    plain, count = adapter.exchange, 0

    def counted(*args: Any) -> bytes:  # noqa: ANN401 - as the adapter's
        nonlocal count
        echoes: bytes = plain(*args)
        count += 1
        if count == gone_after:
            fault = fs.DeviceDropsOff(kind="device-drops-off", device="S1")
            adapter.port.bench.faults.start(fault)
        return echoes

    adapter.exchange = counted
    found = job(session)
    holds = not isinstance(found, Findings) or all(m.holds for m in found.measurements)
    return count, holds
