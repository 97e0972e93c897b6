"""Benches behind ``sim://`` addresses, kept so that a port can be opened again.

    sim:///absolute/path/fixture.yaml[?seed=9][&run=anything][&name=usb0]
        [&line=/absolute/path/line.vcd][&line_last_s=300]

While a port on it is open, the same address reaches the same bench. With ``run`` the
bench is kept after that, until a number of later runs has pushed it out, so that a
port may be dropped and found again as after unplugging; give each run its own word.
A ``name`` is that of the port, as an operating system deals them out: if the adapter
has come back under another one, the old name finds nothing. An address without a name
means the adapter, whatever its port is called. With ``line`` the bench writes its line to
that file, see ``line.recorder``; all of it, or the last seconds alone.
"""

from __future__ import annotations

from datetime import UTC, datetime
from math import inf
from pathlib import Path
from urllib.parse import parse_qs, unquote, urlsplit

import yaml
from serial import SerialException

from harness.simulation.servers.bench import Bench
from harness.simulation.servers.clocks import VirtualClock
from harness.simulation.settings.bench import SimulationSettings, bench_settings

RUNS_KEPT = 16
_OPTIONS = {"seed", "run", "name", "line", "line_last_s"}


class Benches:
    """Benches by address."""

    def __init__(self) -> None:
        self._made: dict[str, Bench] = {}

    def at(self, url: str) -> Bench:
        """The bench at an address, made from its fixture if there is none.

        Raises:
            SerialException: no such file (errno 2), or a fixture that makes no bench.
        """
        path, options = _split(url)
        url = _without_name(url)
        bench = self._made.pop(url, None)
        if bench is None or not (bench.handles or "run" in options):
            self._tidy()
            bench = _make(path, options)
        self._made[url] = bench  # the latest comes last
        return bench

    def _tidy(self) -> None:
        idle = [url for url, bench in self._made.items() if not bench.handles]
        runs = [url for url in idle if "run" in _split(url)[1]]
        for url in idle:
            if url not in runs[-RUNS_KEPT:]:
                del self._made[url]


benches = Benches()
"""Those of this process, for pyserial's URL handler."""


def name_asked_for(url: str) -> str | None:
    """The port name in an address, if it has one."""
    return _split(url)[1].get("name")


def _without_name(url: str) -> str:
    head, _, query = url.partition("?")
    kept = [part for part in query.split("&") if not part.startswith("name=")]
    return f"{head}?{'&'.join(kept)}" if any(kept) else head


def _split(url: str) -> tuple[Path, dict[str, str]]:
    parts = urlsplit(url)
    if parts.scheme.lower() != "sim" or parts.netloc or not parts.path:
        raise SerialException(
            f"expected sim:///absolute/path/fixture.yaml[?seed=9][&run=word][&name=word], got {url!r}"
        )
    options = {key: values[-1] for key, values in parse_qs(parts.query).items()}
    unknown = sorted(set(options) - _OPTIONS)
    if unknown:
        raise SerialException(
            f"unknown option {unknown[0]!r} in {url!r}, expected one of {', '.join(sorted(_OPTIONS))}"
        )
    return Path(unquote(parts.path)), options


def _make(path: Path, options: dict[str, str]) -> Bench:
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
        bench = Bench(settings)
        if "line" in options:
            last_s = float(options.get("line_last_s", inf))
            bench.record_line(Path(unquote(options["line"])), last_s=last_s)
        truth = SimulationSettings.model_validate(fixture.get("simulation") or {})
    except (ValueError, OSError) as cause:
        raise SerialException(f"Could not make a bench of {path}: {cause}") from cause
    # what people read on reports: the day of the run, not that of an invented bench
    bench.clock = VirtualClock(calendar_start=truth.calendar or datetime.now(UTC))
    return bench
