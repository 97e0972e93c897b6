"""Benches and runs for tests: a fixture file on disk, opened over the real pyserial path."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import tempfile
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import hypothesis
import pytest
import yaml

from tests import bytecode, without_unix

if bytecode.IS_LOST:  # before anything of harness is imported
    bytecode.share()
if without_unix.WANTED:  # before anything of harness is imported
    without_unix.mask()

from harness.driver.bus import Bus
from harness.families.hazard import Hazard
from harness.plans.execution.connection import connect
from harness.plans.execution.runner import Runner
from harness.plans.loading.files import load_fixture, parse_plan
from harness.plans.schema.files import Fixture
from harness.records import CheckResult
from harness.results.journal.writer import Journal, read_events
from harness.results.ledger.ledger import Ledger
from harness.results.record.run import RunRecord
from harness.wire.romcode import RomCode
from tests.browser import Browser, find_browser
from tests.device_trees import Machine


def pytest_collection_finish() -> None:
    """Let a write to a closed connection raise again, as Python starts.

    The independent reader vcdvcd lets SIGPIPE end the process as soon as it is imported,
    and any test that unplugs an instrument would end its worker without a word.
    """
    if hasattr(signal, "SIGPIPE"):
        signal.signal(signal.SIGPIPE, signal.SIG_IGN)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Leave out what needs the modules of Unix where they are masked."""
    if not without_unix.WANTED:
        return
    for item in items:
        if item.get_closest_marker("unix"):
            item.add_marker(pytest.mark.skip(reason="needs modules that only Unix has"))


# The same examples on every machine, and no verdict by wall time on a busy one.
hypothesis.settings.register_profile("slotproof", derandomize=True, deadline=None)
hypothesis.settings.load_profile("slotproof")

# A suite started in the background of a script has Ctrl-C ignored, and what it starts
# too: tests that press it would then wait for ever.
signal.signal(signal.SIGINT, signal.default_int_handler)

Device = dict[str, Any]


def device(family: int, serial: int, **more: Any) -> Device:  # noqa: ANN401 - any setting
    """A device of the simulation section."""
    return {"family": family, "serial": serial, **more}


def fixture_data(
    devices: list[Device],
    *,
    faults: list[dict[str, Any]] | None = None,
    seed: int = 1,
    kind: str = "fractional-divider",
    line: dict[str, Any] | None = None,
    **simulation: Any,  # noqa: ANN401 - any setting
) -> dict[str, Any]:
    """A fixture with one socket a device, S1 on, each expecting its ROM code."""
    devices = [{"socket": f"S{n}", **d} for n, d in enumerate(devices, 1)]
    sockets = [
        {
            "name": d["socket"],
            "expect": {"rom_code": str(RomCode.build(d["family"], d["serial"]))},
        }
        for d in devices
    ]
    return {
        "fixture": "test bench",
        "adapter": {"port": "sim://", "kind": kind},
        "line": {"pull_up_ohm": 2200, "supply_v": 5.0, "cable_m": 3, **(line or {})},
        "sockets": sockets,
        "simulation": {
            "seed": seed,
            "calendar": "2024-01-01T00:00:00Z",
            "devices": devices,
            "faults": faults or [],
            **simulation,
        },
    }


@dataclass
class Operator:
    """Answers prompts from a list; keeps what it was asked."""

    answers: list[bool] = field(default_factory=list)
    asked: list[str] = field(default_factory=list)

    def ask(self, text: str, *, yes_no: bool) -> bool:
        """The next answer; enter is always yes."""
        self.asked.append(text)
        return self.answers.pop(0) if yes_no else True


@dataclass
class Ran:
    """A finished run and what is left of it."""

    code: int
    record: RunRecord
    events: list[dict[str, Any]]
    folder: Path

    def step(self, step: str) -> Any:  # noqa: ANN401 - a step record
        """The record of one step."""
        return next(s for s in self.record.steps if s.step == step)

    def started_s(self, step: str) -> float:
        """When a step first started, on the port's clock from the run's beginning."""
        return next(
            float(e["t_s"])
            for e in self.events
            if e["event"] == "step_started" and e["step"] == step
        )

    def shown(self, step: str, socket: str = "") -> CheckResult:
        """The result that counts of a step: of the bus, or of a socket's device."""
        results = self.record.results
        return next(
            result.shown
            for of, result in results
            if of.step == step
            and (result.device.socket if result.device else "") == socket
        )


@pytest.fixture
def write_fixture(tmp_path: Path) -> Callable[[dict[str, Any]], Fixture]:
    """Write fixture data to a file and load it as a user's fixture is loaded."""

    def write(data: dict[str, Any]) -> Fixture:
        path = tmp_path / f"fixture-{len(list(tmp_path.glob('fixture-*')))}.yaml"
        path.write_text(yaml.safe_dump(data), encoding="utf-8")
        return load_fixture(path)

    return write


@pytest.fixture
def open_bus(
    write_fixture: Callable[[dict[str, Any]], Fixture],
) -> Iterator[Callable[[dict[str, Any]], Bus]]:
    """Open a bus on fixture data; everything is closed when the test ends."""
    with ExitStack() as stack:

        def opened(data: dict[str, Any]) -> Bus:
            return stack.enter_context(connect(write_fixture(data)))

        yield opened


@pytest.fixture
def run_plan(
    write_fixture: Callable[[dict[str, Any]], Fixture], tmp_path: Path
) -> Callable[..., Ran]:
    """Run plan text on fixture data, as ``slotproof run`` does."""

    def run(
        steps: str | list[Any],
        data: dict[str, Any],
        *,
        operator: Operator | None = None,
        allow: frozenset[Hazard] = frozenset(),
        **plan: Any,  # noqa: ANN401 - further keys of the plan
    ) -> Ran:
        made = plan.pop("plan", None)
        listed = yaml.safe_load(steps) if isinstance(steps, str) else steps
        text = yaml.safe_dump({"plan": "test plan", **plan, "steps": listed})
        fixture = write_fixture(data)
        loaded = made or parse_plan(text, "plan.yaml", fixtures=[fixture])
        folder = tmp_path / f"results-{len(list(tmp_path.glob('results-*')))}"
        with connect(fixture) as bus, Journal.create(folder, bus.clock) as journal:
            runner = Runner(
                plan=loaded,
                fixture=fixture,
                bus=bus,
                journal=journal,
                operator=operator or Operator(),
                allowed=allow,
            )
            code = runner.run()
        events = list(read_events(folder / "journal.jsonl"))
        return Ran(
            code=code,
            record=RunRecord.from_events(events),
            events=events,
            folder=folder,
        )

    return run


@pytest.fixture
def browser(tmp_path: Path) -> Browser:
    """A browser without a window, or the test is skipped and says so."""
    path = find_browser()
    if path is None:
        pytest.skip("no browser on this machine: the pages are not laid out")
    return Browser(path, tmp_path)


@pytest.fixture
def bench_of() -> Callable[[Bus], Any]:
    """The simulated bench behind an open bus."""
    return lambda bus: bus.adapter.port.bench


@pytest.fixture
def new_device() -> Callable[..., Device]:
    """Make a device of the simulation section: ``new_device(0x28, 5, ...)``."""
    return device


@pytest.fixture
def bench_data() -> Callable[..., dict[str, Any]]:
    """Make fixture data: ``bench_data([device, ...], faults=[...])``."""
    return fixture_data


@dataclass
class PostgresServer:
    """A PostgreSQL server of our own, on a socket in its own folder."""

    programs: Path
    folder: Path
    account: tuple[str, ...]

    @property
    def url(self) -> str:
        """The setting that names it."""
        return f"postgresql://postgres@/postgres?host={self.folder}"

    def _run(self, program: str, *arguments: str) -> None:
        subprocess.run(
            [*self.account, str(self.programs / program), *arguments],
            check=True,
            cwd="/",
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )

    def make(self) -> None:
        """Make its cluster; no forcing to disk, tests have nothing to keep."""
        self._run("initdb", "-D", f"{self.folder}/data", "-U", "postgres", "-N")

    def start(self) -> None:
        """Start, and wait until it answers."""
        options = f"-k {self.folder} -c listen_addresses='' -c fsync=off"
        log = f"{self.folder}/log"
        self._run("pg_ctl", "-D", f"{self.folder}/data", "-l", log, "-o", options, "-w", "start")  # fmt: skip

    def stop(self) -> None:
        """Stop without waiting for clients."""
        self._run("pg_ctl", "-D", f"{self.folder}/data", "-m", "immediate", "-w", "stop")  # fmt: skip

    def clear(self) -> None:
        """Drop every table."""
        import psycopg

        place = f"host={self.folder} user=postgres dbname=postgres"
        with psycopg.connect(place, autocommit=True) as plain:
            plain.execute("DROP SCHEMA public CASCADE")
            plain.execute("CREATE SCHEMA public")


@pytest.fixture(scope="session")
def _postgres_server() -> Iterator[PostgresServer]:
    debian = sorted(Path("/usr/lib/postgresql").glob("*/bin/pg_ctl"))
    found = shutil.which("pg_ctl")
    programs = debian[-1].parent if debian else Path(found).parent if found else None
    if programs is None or os.name != "posix":
        pytest.skip("no PostgreSQL server programs here: apt-get install postgresql")
    folder = Path(tempfile.mkdtemp(prefix="slotproof-pg-"))
    account: tuple[str, ...] = ()
    if os.getuid() == 0:  # the server refuses to run as root
        try:
            shutil.chown(folder, "postgres")
        except LookupError:
            pytest.skip("the server refuses root, and there is no user postgres")
        account = ("runuser", "-u", "postgres", "--")
    server = PostgresServer(programs=programs, folder=folder, account=account)
    server.make()
    server.start()
    yield server
    server.stop()
    shutil.rmtree(folder)


@pytest.fixture
def postgres(_postgres_server: PostgresServer) -> PostgresServer:
    """A PostgreSQL server without tables; tests that use it are marked ``postgres``."""
    _postgres_server.clear()
    return _postgres_server


@pytest.fixture(
    params=["sqlite", pytest.param("postgresql", marks=pytest.mark.postgres)]
)
def ledger_setting(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """The one setting that names a ledger: a file, then a server."""
    if request.param == "sqlite":
        return str(tmp_path / "ledger.sqlite")
    url: str = request.getfixturevalue("postgres").url
    return url


@pytest.fixture
def ledger(ledger_setting: str) -> Iterator[Ledger]:
    """A ledger without tests."""
    with Ledger(ledger_setting, wait_s=30) as opened:
        yield opened


@pytest.fixture
def machine(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Machine:
    """A machine without adapters in the place of this one; plug some in."""
    made = Machine(tmp_path / "machine")
    monkeypatch.setattr("harness.driver.usb.device_tree.here", made.tree)
    return made
