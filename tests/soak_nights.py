"""Nights of a soak made up at the level of their journal's events, by the hundred.

Errors, readings and the time of a cut are given; no bench runs. All are invented.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import signal, stats

from harness.results.soak.record import SoakRecord, SoakRecords
from harness.wire.romcode import RomCode

START = datetime(2026, 3, 1, 20, tzinfo=UTC)
EVERY_S = 60.0
Values = NDArray[np.float64]


def rom_codes(count: int) -> list[str]:
    """ROM codes of so many devices, in print form."""
    return [str(RomCode.build(0x28, serial + 1)) for serial in range(count)]


def ar1(chance: np.random.Generator, *, length: int, phi: float) -> Values:
    """A stationary AR(1) series of unit variance."""
    noise = chance.standard_normal(length + 400)
    grown = signal.lfilter([1.0], [1.0, -phi], noise)[400:]
    return np.asarray(grown * (1 - phi**2) ** 0.5, dtype=float)


def night_of(
    readings: Values,
    *,
    struck: NDArray[np.bool_] | None = None,
    cut_after: int | None = None,
    gap_s: float = 0.0,
    happened_s: Sequence[float] = (),
    offsets_s: Values | None = None,
) -> SoakRecord:
    """A night of these readings, shape (rounds, devices).

    Args:
        readings: what each device reads in each round.
        struck: where the first try failed, same shape.
        cut_after: rounds after which the run was cut.
        gap_s: time until it was taken up again.
        happened_s: times of the event file, journal seconds.
        offsets_s: from the due time of each round to its readings; 1 s unless given.
    """
    rounds, devices = readings.shape
    codes = rom_codes(devices)
    nights = SoakRecords()
    nights.add(_stamped("step_started", 0, step="1", kind="soak"))
    nights.add(_start(codes))
    for t_s in happened_s:
        nights.add(_stamped("soak_event", 0, happened_at=_at(t_s), text="relay on"))
    late_s = 0.0
    for cycle in range(1, rounds + 1):
        if cut_after is not None and cycle == cut_after + 1:
            late_s = gap_s
            t_s = EVERY_S * (cycle - 1) + late_s
            nights.add(_stamped("run_resumed", t_s, gap_s=gap_s, steps=[]))
            nights.add(_stamped("step_started", t_s, step="1", kind="soak"))
            nights.add(_stamped("soak_resumed", t_s, cycle=cut_after))
        offset_s = 1.0 if offsets_s is None else float(offsets_s[cycle - 1])
        t_s = EVERY_S * (cycle - 1) + late_s + offset_s
        counts = {}
        hit = np.flatnonzero(struck[cycle - 1]) if struck is not None else ()
        for number in hit:
            code = codes[number]
            nights.add(
                _stamped(
                    "soak_error", t_s, device=code, kind="check-value", cycle=cycle
                )
            )
            counts[code] = {"failed": 1, "retries": 1, "error check-value": 1}
        values = dict(zip(codes, readings[cycle - 1].tolist(), strict=True))
        elapsed_s = EVERY_S * (cycle - 1) + offset_s
        nights.add(
            _stamped("soak_progress", t_s, cycle=cycle, elapsed_s=elapsed_s,
                     readings=values, counts=counts)
        )  # fmt: skip
    (night,) = nights.soaks
    return night


def _start(codes: Sequence[str]) -> dict[str, Any]:
    devices = [
        {"rom_code": code, "family": 0x28, "socket": f"S{number}"}
        for number, code in enumerate(codes, start=1)
    ]
    return _stamped(
        "soak_started", 0, quantity="temperature", unit="degC", devices=devices,
        outlook={"every_s": EVERY_S, "confidence": 0.95}, events_within_s=60.0,
    )  # fmt: skip


def _at(t_s: float) -> str:
    return (START + timedelta(seconds=t_s)).isoformat()


def _stamped(event: str, t_s: float, **fields: Any) -> dict[str, Any]:  # noqa: ANN401 - any fact
    return {"event": event, "at": _at(t_s), "t_s": t_s, **fields}


def interval(found: int, of: int) -> str:
    """A share in percent with its exact 95 % interval (Clopper and Pearson)."""
    bounds = stats.binomtest(found, of).proportion_ci(0.95, method="exact")
    return (
        f"{100 * found / of:5.1f} % ({100 * bounds.low:.1f} .. {100 * bounds.high:.1f})"
    )


def sound_errors(
    chance: np.random.Generator, nights: int, *, gap_s: float, devices: int = 4
) -> Iterator[tuple[SoakRecord, str]]:
    """Nights of independent errors, each with what the event file says and its rate."""
    for number in range(nights):
        rate = (0.005, 0.02, 0.1)[number % 3]
        struck = chance.random((480, devices)) < rate
        cut = int(chance.integers(60, 420)) if gap_s else None
        end_s = 480 * EVERY_S + gap_s
        happened = np.sort(chance.uniform(0, end_s, size=12 + number % 40))
        if number % 2:  # a relay that keeps time, and goes on in the gap
            happened = np.arange(float(chance.uniform(0, 600)), end_s, 600.0)
        offsets = chance.uniform(0.5, 4, size=480)
        yield (
            night_of(
                np.full((480, devices), 20.0), struck=struck, cut_after=cut,
                gap_s=gap_s, happened_s=happened.tolist(), offsets_s=offsets,
            ),
            f"{rate:g}",
        )  # fmt: skip
