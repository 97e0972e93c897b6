"""Draws in shards, each a file of lines that a run which was cut takes up again.

    python -m tests.calibration.run FOLDER SEED DRAWS [SHARD/SHARDS] [SECONDS] [NAME]

SECONDS of processor after which a run stops, to be taken up again; NAME of the mechanisms.

Printed in the end: the table over all lines in the folder.
"""

from __future__ import annotations

import json
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from random import Random
from typing import Any

from harness.diagnosis.diagnosis import Diagnosis
from tests.calibration import ours, second
from tests.calibration.draws import Bench, Mechanism, Truth
from tests.calibration.draws import healthy as healthy_ours
from tests.calibration.tally import NOTHING, table
from tests.calibration.trial import EFFORT, examined, faulty, line_of, seed_of
from tests.conftest import fixture_data


@dataclass(frozen=True, slots=True)
class Healthy:
    """The healthy bench of a number, examined twice; every mechanism is put into it."""

    bench: str
    seed: int
    number: int

    def made(self) -> Bench:
        """The bench, anew."""
        random = seed_of(self.seed, self.bench, self.number)
        return healthy_ours(random) if self.bench == "ours" else second.healthy(random)

    def examine(self, made: Bench, wait_s: float = 0.0) -> Diagnosis:
        """What the command finds."""
        if self.bench == "second":
            return examined(second.fixture_of(made, "drawn"), EFFORT, wait_s)
        data = fixture_data(**made)
        _declare(data, made)
        return examined(data, EFFORT, wait_s)


def _declare(data: dict[str, Any], made: Bench) -> None:
    """The fixture declares what lives on the data line."""
    for device, socket in zip(made["devices"], data["sockets"], strict=True):
        if device.get("supply") == "parasite":
            socket["expect"]["supply"] = "parasite"


@lru_cache(maxsize=4)
def _twins(healthy: Healthy) -> tuple[Diagnosis, Diagnosis]:
    return healthy.examine(healthy.made()), healthy.examine(healthy.made(), 0.137)


def _line(healthy: Healthy, mechanism: Mechanism) -> dict[str, Any]:
    made = healthy.made()
    name = f"{healthy.bench} {mechanism.name}"
    mechanism.change(seed_of(healthy.seed, name, healthy.number), made)
    return line_of(
        healthy.bench,
        mechanism,
        healthy.number,
        examine=lambda: healthy.examine(made),
        twins=lambda: _twins(healthy),
    )


_HEALTHY_A_NUMBER = 6


def _healthy_line(bench: str, seed: int, number: int) -> dict[str, Any]:
    """Healthy benches of their own, with nothing put into them."""
    runs = [
        Healthy(bench, seed, 1_000_000 + number * _HEALTHY_A_NUMBER + n)
        for n in range(_HEALTHY_A_NUMBER)
    ]
    found = [faulty(healthy.examine(healthy.made())) for healthy in runs]
    return {"bench": bench, "mechanism": NOTHING, "number": number, "healthy": found}


def _both(bench: str, seed: int, number: int) -> Mechanism:
    """Two mechanisms drawn by lot: either may come first.

    What replaces the devices of a bench goes before what names one of them.
    """
    able = ours.MECHANISMS if bench == "ours" else second.MECHANISMS
    drawn = seed_of(seed, f"{bench} {TWO}", number).sample(able, 2)
    one, other = sorted(drawn, key=lambda m: m.name not in ours.REPLACES_DEVICES)

    def change(random: Random, made: Bench) -> None:
        one.change(random, made)
        other.change(random, made)

    return Mechanism(
        name=TWO,
        change=change,
        truth=Truth(
            kinds=one.truth.kinds | other.truth.kinds,
            alike=one.truth.alike | other.truth.alike,
            words=(*one.truth.words, *other.truth.words),
        ),
        of=(one.name, other.name),
    )


TWO = "two mechanisms"


def tasks(seed: int, number: int) -> Iterator[tuple[str, Mechanism | None]]:
    """Each mechanism of each bench that is at hand, two of them, and nothing at all."""
    yield ("ours", None)
    yield from (("ours", m) for m in ours.MECHANISMS)
    yield ("ours", _both("ours", seed, number))
    if second.tools() is not None:
        yield ("second", None)
        yield from (("second", m) for m in second.MECHANISMS)
        yield ("second", _both("second", seed, number))


def main(folder: str, seed: str, draws: str, *more: str) -> None:
    """Run a shard."""
    shard, seconds, only = (*more, *("0/1", "inf", "")[len(more) :])
    part, parts = map(int, shard.split("/"))
    path = Path(folder) / f"seed-{seed}-{part}-of-{parts}.jsonl"
    path.parent.mkdir(parents=True, exist_ok=True)
    done = {
        (line["bench"], line["mechanism"], line["number"])
        for line in map(
            json.loads, path.read_text().splitlines() if path.exists() else ()
        )
    }
    with path.open("a", encoding="utf-8") as out:
        for number in range(int(draws)):
            for bench, mechanism in tasks(int(seed), number):
                name = mechanism.name if mechanism else NOTHING
                if number % parts != part or (bench, name, number) in done:
                    continue
                if only and only not in f"{bench} {name}":
                    continue
                if time.process_time() > float(seconds):
                    return
                line = (
                    _line(Healthy(bench, int(seed), number), mechanism)
                    if mechanism
                    else _healthy_line(bench, int(seed), number)
                )
                out.write(json.dumps(line | {"seed": int(seed)}) + "\n")
                out.flush()
    print(table(Path(folder)))  # noqa: T201 - the benchmark's table


if __name__ == "__main__":
    main(*sys.argv[1:])
