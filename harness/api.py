"""What programs do that use ``harness`` as a library: open, read, configure, run.

``harness.__all__`` is the list of the names that are exported, these and a few more.

What they are called, what they take and what their docstrings promise does not change.
Everything else in this package is private and may. Each docstring has an example, and
the tests run it in a folder that holds ``fixtures`` and ``test_plans``.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TypeVar

from harness.driver.bus import Bus
from harness.driver.search import enumerate_devices
from harness.driver.session import DeviceSession
from harness.errors import (
    DeviceError,
    LineError,
    LineShorted,
    RomCodeInvalid,
    UsageError,
)
from harness.families.family import Answer
from harness.families.registry import Kinds
from harness.plans.execution.connection import connect
from harness.plans.execution.hazard_gate import parse_allowed, require_on_device
from harness.plans.execution.request import RunRequest, require_runnable
from harness.plans.execution.run import execute
from harness.plans.execution.seating import Seating, seat
from harness.plans.kinds.table import kinds_of
from harness.plans.loading.files import load_fixture
from harness.plans.loading.problems import nearest
from harness.plans.records.values import plan_of_unit
from harness.plans.schema.files import Fixture, Plan
from harness.plans.steps.read_with_repeats import read_with_repeats
from harness.results.journal.writer import FILE_NAME
from harness.results.record.run import RunRecord
from harness.results.record.steps import Ending
from harness.results.reports.rebuild import read_record
from harness.wire.romcode import RomCode

_T = TypeVar("_T")


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One valid value of one device.

    Attributes:
        quantity: what was read, as plans write it.
        value: number, text or truth value.
        unit: as printed, such as ``degC``; empty if it has none.

    Example:
        >>> import harness
        >>> with harness.open_bench("fixtures/demo_bench.yaml") as bench:
        ...     reading = bench.enumerate_devices()[0].read("temperature")
        >>> reading.quantity, reading.unit, round(float(reading.value))
        ('temperature', 'degC', 4)
    """

    quantity: str
    value: float | int | str | bool
    unit: str = ""


class BenchDevice:
    """One device on an open bench; ``OpenBench.enumerate_devices`` makes them.

    Attributes:
        rom_code: 16 hex digits, most significant byte first: CRC, serial number, family.
        family: family code.
        socket: the fixture's socket, where fixture and search leave no doubt; else empty.

    Example:
        >>> import harness
        >>> with harness.open_bench("fixtures/demo_bench.yaml") as bench:
        ...     first = bench.enumerate_devices()[0]
        >>> first.rom_code, hex(first.family), first.socket
        ('3D0000A4B3C2D128', '0x28', 'A1')
        >>> "temperature" in first.quantities, "resolution_bits" in first.settings
        (True, True)
    """

    def __init__(
        self, bus: Bus, session: DeviceSession, socket: str, kinds: Kinds
    ) -> None:
        self._bus = bus
        self._kinds = kinds
        self._session = session
        self.rom_code = str(session.rom)
        self.family = session.rom.family
        self.socket = socket

    def __repr__(self) -> str:
        """Socket and ROM code."""
        return f"<BenchDevice {f'{self.socket} {self.rom_code}'.strip()}>"

    @property
    def quantities(self) -> tuple[str, ...]:
        """Names that ``read`` takes for this device."""
        return tuple(self._kinds.quantities(self.family))

    @property
    def settings(self) -> tuple[str, ...]:
        """Names that ``configure`` takes for this device."""
        return tuple(self._kinds.family_of(self.family).settings)

    def read(self, quantity: str) -> Reading:
        """Read one quantity; a thermometer makes a conversion for it.

        A suspect reading is repeated by rule, up to three times.

        Args:
            quantity: one of ``quantities``.

        Raises:
            UsageError: the device has no such quantity.
            DeviceError: the device does not answer, or not soundly.
            LineError: the line did not carry the slots.
            AdapterError: the adapter is to blame, or cannot be excluded.
        """
        known = self._kinds.quantities(self.family)
        if quantity not in known:
            raise self._unknown("quantity", quantity, known)
        row = known[quantity]
        answer, _ = vouched_for(
            self._bus, partial(read_with_repeats, row, self._session, fresh=True)
        )
        return Reading(quantity=quantity, value=answer.value, unit=row.unit)

    def configure(
        self,
        settings: Mapping[str, float | int | str | bool],
        *,
        store: bool = False,
        allow: Iterable[str] = (),
    ) -> None:
        """Write settings and read them back.

        Args:
            settings: name -> value; the names are in ``settings`` of the device.
            store: also keep them in the device's EEPROM, which wears it.
            allow: hazards of these settings that are taken on, by name; data sheet,
                local codes and qualified staff have the last word on them.

        Raises:
            UsageError: a name, a value or a hazard is not accepted; nothing was sent.
            DeviceError: the device did not take them.
            LineError: the line did not carry the slots.
            AdapterError: the adapter is to blame, or cannot be excluded.

        Example:
            >>> import harness
            >>> with harness.open_bench("fixtures/demo_bench.yaml") as bench:
            ...     probe = bench.enumerate_devices()[0]
            ...     probe.configure({"resolution_bits": 10})
            ...     probe.read("resolution").value
            10
        """
        family = self._kinds.family_of(self.family)
        for name in settings:
            if name not in family.settings:
                raise self._unknown("setting", name, family.settings)
        allowed = parse_allowed(allow, option="allow")
        require_on_device(
            frozenset(h for name in settings for h in family.settings[name].hazards),
            named=map(str, allowed),
            allowed=allowed,
            what=f"configure {', '.join(settings)}",
        )
        if settings and family.configure is not None:
            write: Callable[..., Answer] = family.configure
            vouched_for(self._bus, partial(write, self._session, dict(settings), store))

    def _unknown(self, what: str, name: str, known: Iterable[str]) -> UsageError:
        names = sorted(known)
        near = nearest(name, names)
        guess = f"; did you mean {near!r}?" if near else ""
        return UsageError(
            f"a device of family {self.family:02X}h has no {what} {name!r}{guess}",
            where=self.rom_code,
            hint=f"it has {', '.join(names)}" if names else f"it has no {what} at all",
        )


class OpenBench:
    """A bench whose port is open and whose adapter is proved; see ``open_bench``.

    Attributes:
        fixture: what it was opened from.

    Example:
        >>> import harness
        >>> with harness.open_bench("fixtures/demo_bench.yaml") as bench:
        ...     found = bench.enumerate_devices()
        >>> len(found), bench.fixture.title
        (8, 'cold-store probe bench')
    """

    def __init__(self, bus: Bus, fixture: Fixture) -> None:
        self._bus = bus
        self._searched: tuple[RomCode, ...] = ()
        self.fixture = fixture

    def enumerate_devices(self) -> tuple[BenchDevice, ...]:
        """Search the bus; each device once, proved by its CRC, in the fixture's order.

        Raises:
            DeviceError: no device answers, or the search also ended on codes that cannot
                be a device.
            LineError: the line did not carry the slots.
            AdapterError: the adapter is to blame, or cannot be excluded.
        """
        search = vouched_for(
            self._bus,
            partial(
                enumerate_devices,
                self._bus,
                expected=self.fixture.expected_roms,
                recalled=self._searched,
            ),
        )
        self._searched = tuple(search.found)
        if search.rejected:
            raise RomCodeInvalid(
                f"the search ended on {len(search.rejected)} codes that cannot be a "
                f"device, besides {len(search.found)} devices",
                where=", ".join(map(str, search.rejected)),
            )
        seats = seat(self.fixture, map(str, search.found))
        order = [socket.name for socket in self.fixture.sockets]

        def place(device: BenchDevice) -> tuple[int, int, str]:
            known = device.socket in order
            row = order.index(device.socket) if known else len(order)
            return row, device.family, device.rom_code

        return tuple(
            sorted((self._device(rom, seats) for rom in search.found), key=place)
        )

    def _device(self, rom: RomCode, seats: Seating) -> BenchDevice:
        code = str(rom)
        session = DeviceSession(self._bus, rom, seats.about(code))
        socket = self.fixture.socket_of(code) or seats.tied.get(code, "")
        kinds = kinds_of(fixture=self.fixture)
        return BenchDevice(self._bus, session, socket, kinds)


@contextmanager
def open_bench(fixture: Fixture | str | Path) -> Iterator[OpenBench]:
    """Open the port of a fixture and prove its adapter; left safe afterwards.

    Args:
        fixture: a loaded fixture, or its file.

    Raises:
        PlanError: the file is wrong; every mistake with file, line and column.
        AdapterError: the port cannot be opened, or the adapter fails its self-check.

    Example:
        >>> import harness
        >>> with harness.open_bench("fixtures/demo_bench.yaml") as bench:
        ...     for device in bench.enumerate_devices()[:2]:
        ...         print(device.socket, device.rom_code)
        A1 3D0000A4B3C2D128
        A2 620000A4B3C2E728
    """
    loaded = fixture if isinstance(fixture, Fixture) else load_fixture(fixture)
    with connect(loaded) as bus:
        bus.prove()
        yield OpenBench(bus, loaded)


def vouched_for(bus: Bus, ask: Callable[[], _T]) -> _T:
    """Ask; a failure counts only if the adapter's loop is proved again after it.

    Raises:
        DeviceError, LineError: as the bus says.
        AdapterError: likewise, or a failure that may be the adapter's.
    """
    bus.begin_check()
    try:
        return ask()
    except (LineError, DeviceError) as fault:
        doubt = bus.doubt(low=isinstance(fault, LineShorted))
        if doubt is not None:
            raise doubt from fault
        raise


def check_plan(plan: Plan, fixture: Fixture, *, allow: Iterable[str] = ()) -> None:
    """Insist that a plan may run on a fixture; nothing is opened or sent.

    Args:
        plan: a loaded plan.
        fixture: a loaded fixture.
        allow: hazards that the plan names and that are taken on, by name.

    Raises:
        PlanError: plan and fixture do not fit, or a hazard is not named or not allowed.
        UsageError: a hazard that does not exist.

    Example:
        >>> import harness
        >>> plan = harness.load_plan("test_plans/serial_numbers.yaml")
        >>> harness.check_plan(plan, harness.load_fixture("fixtures/demo_bench.yaml"))
    """
    require_runnable(plan, [fixture], parse_allowed(allow, option="allow"))


def run_plan(
    plan: Plan,
    fixture: Fixture,
    *,
    into: str | Path,
    allow: Iterable[str] = (),
    ask: Callable[[str], bool] | None = None,
    unit: Mapping[str, float | int | str] | None = None,
) -> RunRecord:
    """Run a plan as ``slotproof run`` does; journal and reports are left in a folder.

    Args:
        plan: a loaded plan.
        fixture: a loaded fixture.
        into: results folder: journal.jsonl, junit.xml, report.html.
        allow: hazards that the plan names and that are taken on, by name.
        ask: answers prompts: given the text, True for done or yes. Without it a prompt
            is an error of its step.
        unit: name -> value of the unit, for ``$unit.NAME`` in the plan.

    Returns:
        What the journal adds up to.

    Raises:
        PlanError: see ``check_plan``.
        UsageError: the folder holds a journal, or cannot be used; the plan takes a value
            of the unit that is not given, or not of its type.
        AdapterError: the port cannot be opened; the reports say so too.
        KeyboardInterrupt: Ctrl-C ended the run; its reports are written.

    Example:
        >>> import harness
        >>> plan = harness.load_plan("test_plans/serial_numbers.yaml")
        >>> fixture = harness.load_fixture("fixtures/demo_bench.yaml")
        >>> record = harness.run_plan(plan, fixture, into="results/example")
        >>> str(record.outcome), record.exit_code, len(record.devices)
        ('passed', 0, 8)
    """
    if unit or plan.unit_values is None:
        give = 'unit={"{}": ...}'
        plan = plan_of_unit(plan, unit or {}, option="unit", give=give)
    request = RunRequest(
        plan=plan,
        fixture=fixture,
        into=Path(into),
        allowed=parse_allowed(allow, option="allow"),
    )
    record = execute(request, operator=_Asked(ask) if ask else None).record
    if record.ending is Ending.INTERRUPTED:
        raise KeyboardInterrupt
    return record


class _Asked:
    """An operator behind a function."""

    def __init__(self, ask: Callable[[str], bool]) -> None:
        self._ask = ask

    def ask(self, text: str, *, yes_no: bool) -> bool:
        return self._ask(text) or not yes_no


def read_journal(journal: str | Path) -> RunRecord:
    """Read what a run left behind, whole or cut.

    Args:
        journal: a ``journal.jsonl``, or the results folder that holds it.

    Raises:
        UsageError: it is no journal, or was edited.

    Example:
        >>> import harness
        >>> plan = harness.load_plan("test_plans/serial_numbers.yaml")
        >>> fixture = harness.load_fixture("fixtures/demo_bench.yaml")
        >>> record = harness.run_plan(plan, fixture, into="results/kept")
        >>> harness.read_journal("results/kept") == record
        True
    """
    path = Path(journal)
    return read_record(path / FILE_NAME if path.is_dir() else path)
