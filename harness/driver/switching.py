"""What RTS and DTR switch on a fixture: bus power, strong pull-up, programming voltage.

The operating system raises both lines when a port is opened and drops both when
it is closed, so the last two may only hang on an unequal pair.

Source: common practice; Linux serial drivers raise and drop the lines together.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from itertools import product

from harness.errors import CannotSwitch


class Condition(StrEnum):
    """When a switch on the fixture is on."""

    RTS = "rts"
    DTR = "dtr"
    RTS_WITHOUT_DTR = "rts-without-dtr"
    DTR_WITHOUT_RTS = "dtr-without-rts"

    def holds(self, *, rts: bool, dtr: bool) -> bool:
        """True if the switch is on at these levels (True = asserted)."""
        return {
            Condition.RTS: rts,
            Condition.DTR: dtr,
            Condition.RTS_WITHOUT_DTR: rts and not dtr,
            Condition.DTR_WITHOUT_RTS: dtr and not rts,
        }[self]


@dataclass(frozen=True, slots=True, kw_only=True)
class Switching:
    """The switches of a fixture; None where there is none."""

    supply_on: Condition | None = None
    strong_pull_up_on: Condition | None = None
    programming_on: Condition | None = None

    def lines(
        self, *, supply: bool, strong_pull_up: bool, programming: bool = False
    ) -> tuple[bool, bool]:
        """RTS and DTR for the wanted state of all switches.

        Raises:
            CannotSwitch: a wanted switch is not there, or no pair of levels makes it.
        """
        for is_moved, switch, missing in (
            (strong_pull_up, self.strong_pull_up_on, "has no strong pull-up to switch"),
            (not supply, self.supply_on, "has no supply to switch"),
            (programming, self.programming_on, "declares no programming supply"),
        ):
            if is_moved and switch is None:
                raise CannotSwitch(f"this fixture {missing}")
        states = (
            (self.supply_on, supply),
            (self.strong_pull_up_on, strong_pull_up),
            (self.programming_on, programming),
        )
        for rts, dtr in product((True, False), repeat=2):
            if all(
                switch is None or switch.holds(rts=rts, dtr=dtr) == state
                for switch, state in states
            ):
                return rts, dtr
        wanted = ", ".join(
            f"{name} {'on' if state else 'off'}"
            for name, state in (
                ("supply", supply),
                ("strong pull-up", strong_pull_up),
                ("programming voltage", programming),
            )
        )
        raise CannotSwitch(f"no pair of RTS and DTR gives {wanted}")

    def rts_first(self, *, rts: bool, dtr_now: bool) -> bool:
        """Which line to move first, so that the state between fires nothing.

        Where one order fires the strong pull-up and the other the programming
        voltage, the strong pull-up it is.
        """
        hot = self.programming_on or self.strong_pull_up_on
        return hot is None or not hot.holds(rts=rts, dtr=dtr_now)
