"""Benches behind ``sim://`` addresses, kept so that a port can be opened again.

    sim:///absolute/path/fixture.yaml[?seed=9][&run=anything]

Equal addresses in one process reach the same bench, in the state it was left in: a
bench lives as long as any port object made for it. With ``run`` the bench is kept
besides, until a number of later runs has pushed it out, so that a port may be
dropped and found again as after unplugging; give each run its own word.
"""

from __future__ import annotations

from collections import OrderedDict
from pathlib import Path
from urllib.parse import parse_qs, unquote, urlsplit
from weakref import WeakValueDictionary

import yaml
from pydantic import ValidationError
from serial import SerialException

from harness.simulation.bench import Bench
from harness.simulation.settings import BenchSettings, bench_settings

RUNS_KEPT = 16


class Benches:
    """All benches by address."""

    def __init__(self) -> None:
        self._alive: WeakValueDictionary[str, Bench] = WeakValueDictionary()
        self._kept: OrderedDict[str, Bench] = OrderedDict()

    def at(self, url: str) -> Bench:
        """The bench at an address, made from its fixture if there is none.

        Raises:
            SerialException: no such file (errno 2), or a fixture that makes no bench.
        """
        bench = self._alive.get(url)
        if bench is None:
            path, options = _split(url)
            bench = Bench(_read(path, options))
            self._alive[url] = bench
        if "run" in _split(url)[1]:
            self._kept[url] = bench
            self._kept.move_to_end(url)
            if len(self._kept) > RUNS_KEPT:
                self._kept.popitem(last=False)
        return bench


benches = Benches()
"""Those of this process, for pyserial's URL handler."""


def _split(url: str) -> tuple[Path, dict[str, str]]:
    parts = urlsplit(url)
    if parts.scheme.lower() != "sim" or parts.netloc or not parts.path:
        raise SerialException(
            f"expected sim:///absolute/path/fixture.yaml[?seed=9][&run=word], got {url!r}"
        )
    options = {key: values[-1] for key, values in parse_qs(parts.query).items()}
    unknown = sorted(set(options) - {"seed", "run"})
    if unknown:
        raise SerialException(
            f"unknown option {unknown[0]!r} in {url!r}, expected seed or run"
        )
    return Path(unquote(parts.path)), options


def _read(path: Path, options: dict[str, str]) -> BenchSettings:
    try:
        fixture = yaml.safe_load(path.read_text(encoding="utf-8"))
    except OSError as cause:
        raise SerialException(
            cause.errno, f"could not open port {path}: {cause}"
        ) from cause
    except (yaml.YAMLError, UnicodeDecodeError) as cause:
        raise SerialException(f"Could not read the fixture {path}: {cause}") from cause
    if not isinstance(fixture, dict):
        raise SerialException(f"Could not read the fixture {path}: it is no mapping")
    try:
        settings = bench_settings(fixture)
        if "seed" in options:
            settings = settings.model_copy(update={"seed": int(options["seed"])})
    except (ValidationError, ValueError) as cause:
        raise SerialException(f"Could not make a bench of {path}: {cause}") from cause
    return settings
