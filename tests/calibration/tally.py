"""The table of a calibration, from the lines of its shards."""

from __future__ import annotations

import json
from collections import Counter, defaultdict
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from scipy.stats import beta

Line = dict[str, Any]

NOTHING = "nothing wrong"
"""The mechanism of lines about healthy benches only."""


def interval(hits: int, of: int) -> tuple[float, float]:
    """Exact 95 % interval of a share (Clopper and Pearson, Biometrika 26 (1934) 404)."""
    low = beta.ppf(0.025, hits, of - hits + 1) if hits else 0.0
    high = beta.ppf(0.975, hits + 1, of - hits) if hits < of else 1.0
    return float(low), float(high)


def _share(what: str, hits: int, of: int, wanted: str) -> str:
    if not of:
        return f"{what:46} none"
    low, high = interval(hits, of)
    return f"{what:46} {hits:5} of {of:5}  {hits / of:6.1%}  [{low:.1%}, {high:.1%}]  wanted {wanted}"


def lines_in(folder: Path) -> list[Line]:
    """All lines of all shards."""
    return [
        json.loads(text)
        for path in sorted(folder.glob("seed-*.jsonl"))
        for text in path.read_text().splitlines()
    ]


def table(folder: Path) -> str:
    """What was called certain, likely and undecided, each mechanism, healthy benches."""
    lines = lines_in(folder)
    broken = [line for line in lines if "error" in line]
    whole = [line for line in lines if "error" not in line]
    counted = [line for line in whole if line.get("counts")]
    rows = [
        f"{len(lines)} draws of seeds {sorted({line['seed'] for line in lines})}, "
        f"{len(counted)} count, {len(broken)} ended by an error",
        *_by_confidence(counted),
        _share(
            "true cause first", sum(x["right"] for x in counted), len(counted), "90 %"
        ),
        *_healthy(whole),
        *_by_mechanism(counted),
    ]
    rows += [
        f"ERROR {x['bench']} {x['mechanism']} {x['number']}: {x['error']}"
        for x in broken
    ]
    return "\n".join(rows)


def _by_confidence(counted: list[Line]) -> Iterable[str]:
    for confidence, key, wanted in (
        ("certain", "right", "99 %"),
        ("likely", "right", "85 %"),
        ("undecided", "named", "95 %"),
    ):
        of = [x for x in counted if x["confidence"] == confidence]
        if confidence == "undecided":
            of = [
                x
                for x in counted
                if x["confidence"] == confidence or x["first"].startswith("undecided")
            ]
        elif confidence == "certain":
            of = [x for x in of if not x["first"].startswith("undecided")]
        yield _share(f"{confidence}: {key}", sum(x[key] for x in of), len(of), wanted)


def _healthy(whole: list[Line]) -> Iterable[str]:
    benches = {
        (x["seed"], x["bench"], x["number"], x["mechanism"] == NOTHING): x["healthy"]
        for x in whole
    }
    runs = [faults for healthy in benches.values() for faults in healthy]
    bad = Counter(kind for faults in runs for kind in faults)
    yield _share(
        "healthy benches called faulty", sum(map(bool, runs)), len(runs), "0.1 %"
    )
    yield from (f"    called so: {kind} {times}" for kind, times in bad.most_common())


def _by_mechanism(counted: list[Line]) -> Iterable[str]:
    groups: dict[str, list[Line]] = defaultdict(list)
    for line in counted:
        groups[f"{line['bench']} {line['mechanism']}"].append(line)
    for name, of in groups.items():
        yield _share(name, sum(x["right"] for x in of), len(of), "70 %")
        wrong = Counter(f"{x['confidence']} {x['first']}" for x in of if not x["right"])
        yield from (f"    instead: {what} {n}" for what, n in wrong.most_common())
