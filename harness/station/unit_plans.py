"""The plan of each unit: its serial number, lot, list and number put in their places."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass
from datetime import date

from harness.errors import SlotproofError
from harness.plans.loading.unit_names import TODAY
from harness.plans.records.values import SERIAL, UnitList
from harness.plans.schema.plan import Plan
from harness.records import Outcome, Scalar
from harness.station.numbers import UnitNumbers


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitPlans:
    """Makes the plans of the units of a shift.

    Attributes:
        plan: as the file has it.
        lot: name of the lot in hand, may be empty.
        units: values of each unit, or None.
        numbers: gives out ``$unit.count``; None where the plan has no range.
    """

    plan: Plan
    lot: str = ""
    units: UnitList | None = None
    numbers: UnitNumbers | None = None

    def of(self, serial: str, today: date) -> Plan:
        """The plan of a unit.

        Raises:
            UsageError: the unit lacks a value, or one does not fit; nothing is sent.
            LedgerAway, HostError: no number can be given out.
        """
        if not self.plan.mentions:
            return self.plan
        values: dict[str, Scalar] = self.units.of(serial) if self.units else {}
        values[TODAY] = today.isoformat()
        for name, value in ((SERIAL, serial), ("lot", self.lot)):
            if value:
                values[name] = value
        if self.numbers is not None:
            values["count"] = self.numbers.draw(serial)
        try:
            return self.plan.of_unit(values)
        except SlotproofError:
            self.refused(serial)
            raise

    def goes_out(self, serial: str, over: bool) -> None:
        """The first bit of the unit's record is about to be sent.

        Args:
            serial: of the unit.
            over: True if the device holds another record.

        Raises:
            HostError: it cannot be noted that its number is used.
            UsageError, LedgerAway: the number may not be the unit's (``UnitNumbers.sent``).
        """
        if self.numbers is not None:
            self.numbers.sent(serial, over=over)

    def done(self, serial: str, outcome: Outcome) -> None:
        """The unit's test is over."""
        if self.numbers is not None and outcome is not Outcome.PASSED:
            self.numbers.failed(serial)

    def refused(self, serial: str) -> None:
        """The unit was not tested: by rule its number goes back, unless a bit was sent.

        What refused it is what the operator must read, so nothing is raised here.
        """
        if self.numbers is not None:
            with suppress(SlotproofError):
                self.numbers.failed(serial)

    def close(self) -> None:
        """The shift is over: numbers that nobody used go back."""
        if self.numbers is not None:
            self.numbers.close()
