"""slotproof: proves single-wire devices and buses with a plain serial adapter.

As a library: load and check plans and fixtures, open a bench, read and configure its
devices, run a plan, read a journal; and what a package needs to bring kinds of device,
checks and steps of its own (``API_VERSION``). The names in ``__all__`` stay as they are; what is
not among them is private.

    >>> import harness
    >>> plan = harness.load_plan("test_plans/serial_numbers.yaml")
    >>> fixture = harness.load_fixture("fixtures/demo_bench.yaml")
    >>> harness.check_plan(plan, fixture)
    >>> with harness.open_bench(fixture) as bench:
    ...     len(bench.enumerate_devices())
    8
"""

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from harness.api import (
        BenchDevice,
        OpenBench,
        Reading,
        check_plan,
        open_bench,
        read_journal,
        run_plan,
    )
    from harness.errors import (
        AdapterError,
        DeviceError,
        LineError,
        SlotproofError,
        UsageError,
    )
    from harness.families.check import (
        Check,
        Findings,
        Option,
        OptionKind,
        Options,
        Step,
    )
    from harness.families.family import Answer, Family, Quantity, by_name
    from harness.families.hazard import Hazard
    from harness.families.session import Session
    from harness.plans.loading.files import load_fixture, load_plan
    from harness.plans.loading.problems import PlanError
    from harness.plans.plug_ins.plug_in import API_VERSION, PlugIn
    from harness.plans.schema.files import Fixture, Plan
    from harness.records import Measurement, Outcome
    from harness.results.record.run import RunRecord
    from harness.wire.crc import crc8, crc16

__version__ = "0.1.0"

__all__ = [
    "API_VERSION",
    "AdapterError",
    "Answer",
    "BenchDevice",
    "Check",
    "DeviceError",
    "Family",
    "Findings",
    "Fixture",
    "Hazard",
    "LineError",
    "Measurement",
    "OpenBench",
    "Option",
    "OptionKind",
    "Options",
    "Outcome",
    "Plan",
    "PlanError",
    "PlugIn",
    "Quantity",
    "Reading",
    "RunRecord",
    "Session",
    "SlotproofError",
    "Step",
    "UsageError",
    "by_name",
    "check_plan",
    "crc8",
    "crc16",
    "load_fixture",
    "load_plan",
    "open_bench",
    "read_journal",
    "run_plan",
]


if not TYPE_CHECKING:  # which would take any name for granted
    _HOMES = (
        "harness.errors",
        "harness.records",
        "harness.wire.crc",
        "harness.families.hazard",
        "harness.families.session",
        "harness.families.check",
        "harness.families.family",
        "harness.plans.plug_ins.plug_in",
        "harness.plans.loading.problems",
        "harness.plans.schema.files",
        "harness.plans.loading.files",
        "harness.results.record.run",
        "harness.api",
    )

    def __getattr__(name: str) -> object:
        # The command line and the pytest plugin import this package before they know whether
        # anything will run, so that no name costs an import until it is asked for.
        if name not in __all__:
            raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
        homes = (import_module(home) for home in _HOMES)
        value = next(getattr(home, name) for home in homes if hasattr(home, name))
        globals()[name] = value
        return value


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
